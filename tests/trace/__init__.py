"""Tests of pipeline.trace."""
