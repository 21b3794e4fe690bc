"""Intake: a dropped file to trial rows and held rows."""
