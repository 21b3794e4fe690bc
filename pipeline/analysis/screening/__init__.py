"""Screening: trials that need a look, seen against the athlete's own level and the others of that day."""
