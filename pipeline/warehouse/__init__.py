"""The pipeline's own DuckDB file: the only package that opens it."""
