"""The views on levels and changes: what holds now, with words beside the ids."""

from __future__ import annotations

_WORDS = "m.label AS metric_label, s.label AS series_label, m.decimals, m.better"
_JOINS = """
JOIN metrics m ON m.metric = t.metric
JOIN series s ON s.series_id = t.series_id"""

CURRENT_ESTIMATES = f"""
SELECT t.*, {_WORDS}
FROM trends t{_JOINS}
QUALIFY row_number() OVER (PARTITION BY t.athlete_id, t.series_id ORDER BY t.local_date DESC) = 1"""

CURRENT_CHANGES = f"""
SELECT t.*, {_WORDS}
FROM changes t{_JOINS}
QUALIFY row_number() OVER (PARTITION BY t.athlete_id, t.series_id, t.span ORDER BY t.as_of DESC) = 1"""
