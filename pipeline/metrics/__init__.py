"""Trial rows -> measurements (pure), one module a family, found by its name."""
