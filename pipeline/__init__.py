"""The pipeline: dropped exports to weekly norms."""
