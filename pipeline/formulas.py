"""Cells that a spreadsheet would take for formulas: made harmless where CSV is written, and read back."""

from __future__ import annotations

STARTS = ("=", "+", "-", "@", "\t", "\r")


def safe(text: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return "'" + text if text.lstrip("'").startswith(STARTS) else text


def plain(text: str) -> str:
    """A cell as it was before `safe`."""
    return text[1:] if text.startswith("'") and text.lstrip("'").startswith(STARTS) else text
