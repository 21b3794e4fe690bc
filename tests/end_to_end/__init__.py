"""Whole runs: files in, published tables out."""
