"""Tests of pipeline.analysis.screening."""
