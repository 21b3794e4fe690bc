"""Trials that a later export leaves out, though it covers their time: deleted on the device, perhaps.

Only where the time is known, among files of one device and layout. An export that has less than half of what
was known of a day is a part of it and says nothing; nor does it of the time before its first line
and after its last. A trial that an even later export has again is not gone.
"""

from __future__ import annotations

from collections.abc import Collection

import polars as pl

from pipeline.warehouse.store import Warehouse
from schemas.families import FAMILIES
from schemas.internal import read_table

_QUERY = """
    WITH said AS (
        SELECT DISTINCT d.device, d.layout, CAST(r.local AS DATE) AS day, r.local,
               coalesce(r.{number}, 0) AS number, r.drop_no, d.file_id[:16] AS file_id, r.line
        FROM {read} r JOIN _drops d USING (drop_no)
        WHERE d.state = 'read' AND r.time_known AND d.file_id[:16] NOT IN (FROM _withdrawn)),
    shared AS (
        SELECT device, layout, day FROM said GROUP BY ALL HAVING count(DISTINCT drop_no) > 1),
    r AS (FROM said SEMI JOIN shared USING (device, layout, day)),
    trials AS (
        SELECT device, layout, day, local, number, min(drop_no) AS first, max(drop_no) AS last
        FROM r GROUP BY ALL),
    spans AS (SELECT drop_no, min(local) AS begins, max(local) AS ends FROM said GROUP BY drop_no),
    again AS (
        SELECT device, layout, day, drop_no, count(DISTINCT (local, number)) AS n
        FROM r JOIN trials USING (device, layout, day, local, number) WHERE first < drop_no GROUP BY ALL),
    left_out AS (
        SELECT t.*, a.drop_no AS later, a.n,
               count(*) OVER (PARTITION BY t.device, t.layout, t.day, a.drop_no) AS missing
        FROM trials t JOIN again a ON a.device = t.device AND a.layout = t.layout AND a.day = t.day
            AND a.drop_no > t.last
        JOIN spans s ON s.drop_no = a.drop_no AND t.local BETWEEN s.begins AND s.ends)
    SELECT DISTINCT c.row_id FROM left_out g
    JOIN r USING (device, layout, day, local, number)
    JOIN {table} c ON c.file_id = r.file_id AND c.line = r.line
    WHERE g.n >= g.missing
"""


def gone_rows(warehouse: Warehouse, withdrawn: Collection[str]) -> pl.DataFrame:
    """Column row_id: the current trial rows that a later export leaves out.

    `withdrawn`: files (16 digits) that count no more.
    """
    files = pl.DataFrame({"file": sorted(withdrawn)}, {"file": pl.String})
    found = [
        warehouse.select(
            _QUERY.format(number=family.numbered, read=read_table(family).name, table=family.table),
            _withdrawn=files,
        )
        for family in FAMILIES.values()
        if family.trace is None
    ]
    return pl.concat(found).unique().sort("row_id")
