"""The data dictionary: everything that is published, and nothing without a meaning."""

from __future__ import annotations

import polars as pl

from pipeline.publish.dictionary import dictionary, dictionary_text
from schemas.catalogue import CATALOGUE
from schemas.tables import SAMPLE_SETS, TABLES, columns_of


def test_every_published_column_is_there_with_type_and_meaning() -> None:
    words = dictionary(CATALOGUE)
    tables = words.filter(pl.col("kind") != "view")
    told = [t for t in TABLES.values() if t.published] + [TABLES[name] for name in SAMPLE_SETS]
    expected = [(t.name, c) for t in told for c in columns_of(t)]
    assert tables.select("table", "column").rows() == expected
    assert words.filter((pl.col("meaning") == "") | pl.col("meaning").is_null()).is_empty()
    assert {"current_norms", "stale_tests", "results_wide_contact_mat"} <= set(words["table"])
    height = words.row(
        by_predicate=(pl.col("table") == "results") & (pl.col("column") == "n_trials"), named=True
    )
    assert (height["type"], height["unit"], height["in_key"]) == ("INTEGER", "count", False)


def test_the_text_has_a_block_a_table_and_a_line_a_column() -> None:
    words = dictionary(CATALOGUE)
    blocks = dictionary_text(words).strip().split("\n\n")
    assert len(blocks) == words["table"].n_unique()
    squads = next(block for block in blocks if block.startswith("session_squads"))
    first, *lines = squads.split("\n")
    assert first == "session_squads (table): a row is a squad the athlete was in on the date of an occasion"
    assert [line.split()[:2] for line in lines] == [["session_id*", "VARCHAR"], ["squad*", "VARCHAR"]]


def test_a_sample_set_is_told_as_one() -> None:
    words = dictionary(CATALOGUE).filter(pl.col("table") == "resisted_samples")
    assert set(words["kind"]) == {"sample set"}
    assert {"sample_set_id", "time_s", "position_m", "velocity_m_s", "force_n"} <= set(words["column"])
    assert dict(words.select("column", "unit").iter_rows())["velocity_m_s"] == "m/s"
