"""How the files for coaches are known again: their columns, and the remark in the workbook."""

TODAY = ("part", "athlete_id", "athlete", "squad", "device", "about", "done", "wanted", "why", "at")
NORMS_MARK = ("week", "norms_version", "n_athletes", "unit")
"""Columns of the norms for coaches and for others that no export has together."""
WORKBOOK_MARK = "yardmark: made for reading"
