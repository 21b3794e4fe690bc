"""Tests of pipeline.analysis."""
