"""Pure numbers: numpy and polars in, numpy and polars out."""
