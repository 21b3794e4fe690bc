"""What day it is."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo


def today(timezone: str) -> date:
    """Today in a time zone."""
    return datetime.now(ZoneInfo(timezone)).date()
