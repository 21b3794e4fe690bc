"""Benchmarks: each module has `main()`, which prints figures and ratios of one run; `make bench` runs all."""
