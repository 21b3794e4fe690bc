"""Tests of pipeline.metrics."""
