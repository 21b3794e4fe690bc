"""Tests of pipeline.numerics."""
