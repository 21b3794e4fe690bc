"""Measurements -> sessions, results, norms (pure)."""
