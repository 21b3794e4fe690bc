"""Tests of pipeline.analysis.today."""
