"""A layout's regular expression of a file's name, matched in time that grows with the name alone.

Python's own engine can take for ever on a pattern such as `(a+)+$`; polars' can't, and knows no look-around
and no backreferences.
"""

from __future__ import annotations

import re

import polars as pl


def fault_of(pattern: str, column: str) -> str | None:
    """Why a pattern can't be used for a column; None: it can."""
    try:
        compiled = re.compile(pattern)
        pl.select(pl.lit("").str.contains(pattern))
    except re.error as error:
        return f"{pattern!r} is no regular expression: {error}"
    except pl.exceptions.ComputeError as error:
        why = next((line for line in str(error).splitlines() if line.startswith("error:")), str(error))
        return f"{pattern!r} can't be used: {why.removeprefix('error:').splitlines()[0].strip()}"
    if column not in compiled.groupindex and compiled.groups != 1:
        return f"{pattern!r} must have a group (?P<{column}>...) or exactly one group ( )"
    return None


def value_in_name(pattern: str, column: str, name: str) -> str | None:
    """The text of the column's group in a file's name, "" where the group is empty; None: no match."""
    group = re.compile(pattern).groupindex.get(column, 1)
    text = pl.lit(name.encode("utf-8", "replace").decode())
    fits, found = pl.select(fits=text.str.contains(pattern), found=text.str.extract(pattern, group)).row(0)
    return (found or "") if fits else None
