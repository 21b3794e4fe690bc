"""Checks against the outside: published data and values, each with its source."""
