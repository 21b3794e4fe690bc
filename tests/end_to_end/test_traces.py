"""Traces of the demo from the export to the published values, against the truth of the generator."""

from __future__ import annotations

import csv
from pathlib import Path

import duckdb
import polars as pl

from tests.end_to_end.conftest import Made
from tests.end_to_end.runs import done, here
from tests.end_to_end.truth import read_truth

RUNS = """
    SELECT r.device, r.athlete_id, strftime(r.performed_at_utc, '%Y-%m-%dT%H:%M:%S') AS performed_at_utc,
           r.trial::VARCHAR AS trial, r.flags, r.n_samples, m.value
    FROM resisted_runs AS r
    LEFT JOIN measurements AS m ON m.row_id = r.row_id AND m.metric = 'resisted_plateau_velocity'
"""
KEY = ["device", "athlete_id", "performed_at_utc", "trial"]


def published(facility: Path, query: str) -> pl.DataFrame:
    with duckdb.connect(str(facility / "published" / "yardmark.duckdb"), read_only=True) as database:
        return database.sql(query).pl()


def test_the_plateau_of_every_run_is_the_true_one(made_demo: Made) -> None:
    """Position is exported to the millimetre with 2 mm of noise: the fastest 5 m come out within 0.5 %."""
    true = read_truth(made_demo.truth, "runs").filter(
        (pl.col("metric") == "resisted_plateau_velocity") & (pl.col("fate") == "loaded")
    )
    both = true.with_columns(pl.col("true_value").cast(pl.Float64)).join(
        published(made_demo.facility, RUNS), on=KEY, how="left"
    )
    assert both.height > 100
    off = both["value"] / both["true_value"] - 1
    assert off.null_count() == 0
    assert off.abs().max() < 0.005  # type: ignore[operator]
    assert abs(off.mean()) < 0.002  # type: ignore[arg-type]


def test_no_run_is_stored_but_those_of_the_truth(made_demo: Made) -> None:
    runs = published(made_demo.facility, RUNS)
    assert runs.select(KEY).is_unique().all()
    told = read_truth(made_demo.truth, "runs").filter(pl.col("fate") != "held")
    more = runs.join(told, on=KEY, how="anti")
    # The run that ended early has no true plateau.
    assert more.select("flags", "value").rows() == [("trace_short", None)]


def test_planted_faults_are_flagged_on_their_runs(made_demo: Made) -> None:
    faults = read_truth(made_demo.truth, "faults").filter(pl.col("file").str.contains("^(pull|sled)-1/"))
    gaps = faults.filter(pl.col("expectation").str.contains("`gap`"))
    assert gaps["code"].to_list() == ["not_a_number", "not_a_number", "too_few_fields"]
    told = read_truth(made_demo.truth, "measurements").select("file", "line", *KEY).unique()
    wanted = gaps.join(told, on=["file", "line"]).select(KEY)
    runs = published(made_demo.facility, RUNS)
    assert set(runs.filter(pl.col("flags") == "gap").select(KEY).rows()) == set(wanted.rows())
    assert set(runs["flags"].drop_nulls()) == {"gap", "trace_short"}


def test_a_strangers_run_is_one_line_of_its_sheet(made_demo: Made) -> None:
    faults = read_truth(made_demo.truth, "faults").filter(pl.col("title") == "a stranger's run")
    [file] = faults["file"]
    lines = read_truth(made_demo.truth, "lines").filter((pl.col("file") == file) & (pl.col("kind") == "data"))
    assert set(lines["fate"]) == {"held"} and lines.height > 100
    [sheet] = (made_demo.facility / "held").glob(f"{Path(file).name}*.csv")
    with sheet.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["line"], row["code"]) for row in rows] == [(str(lines["line"].min()), "unknown_name")]


def test_an_alias_lets_the_strangers_run_in(demo_copy: Path) -> None:
    done("alias", demo_copy, "Ossian Ferrelho", "a60")
    done("refresh", demo_copy)
    runs = published(demo_copy, RUNS)
    found = runs.filter(
        (pl.col("performed_at_utc") == "2025-09-19T17:03:09") & (pl.col("athlete_id") == "a60")
    )
    assert found["n_samples"].to_list() == [271]
    assert found["value"].null_count() == 0


def test_the_published_samples_are_those_of_the_published_runs(made_demo: Made) -> None:
    pattern = made_demo.facility / "published" / "tables" / "resisted_samples" / "**" / "*.parquet"
    samples = pl.scan_parquet(pattern, hive_partitioning=True).collect()
    counted = samples.group_by("sample_set_id", "month").agg(n=pl.len())
    runs = published(
        made_demo.facility,
        "SELECT sample_set_id, strftime(local_date, '%Y-%m') AS month, n_samples FROM resisted_runs",
    )
    both = runs.join(counted, on=["sample_set_id", "month"], how="full", coalesce=True)
    assert both["n_samples"].to_list() == both["n"].to_list()
    assert samples.height > 15_000


def test_a_trace_is_not_written_by_hand(made_demo: Made) -> None:
    ended = here("sheet", "resisted_sprint", made_demo.facility)
    assert ended.status == 2
    assert ended.out == ""
    assert "trace" in ended.err and "by hand" in ended.err


def test_what_waits_is_listed_a_line_a_question(made_demo: Made) -> None:
    shown = done("held", made_demo.facility).out
    assert shown.count("Ossian Ferrelho") == 1
    told = done("held", made_demo.facility, "--json").report["held"]
    assert sum(row["code"] == "unknown_name" and row["value"] == "Ossian Ferrelho" for row in told) > 100


TRACED = ("resisted_mean_force", "jump_peak_power_estimate", "bar_mean_velocity", "interval_speed")
TRACED += ("skinfold_sum", "neck_force_per_kg", "reactive_strength_index", "grip_force", "stature")


def test_yardmark_trace_tells_what_the_view_lineage_tells(demo_copy: Path) -> None:
    """For an athlete of each family: the same rows behind each measurement, at the same file and line."""
    for metric in TRACED:
        athlete = published(
            demo_copy, f"SELECT min(athlete_id) FROM measurements WHERE metric = '{metric}'"
        ).item()
        rows = published(
            demo_copy,
            f"""SELECT measurement_id, role, row_id, version, file_sha256, line FROM lineage
                WHERE athlete_id = '{athlete}' AND metric = '{metric}' ORDER BY ALL""",
        ).rows()
        report = done("trace", demo_copy, athlete, metric, "--json").report
        measured = [
            one for session in report["sessions"] for r in session["results"] for one in r["measurements"]
        ]
        told = [
            (
                one["measurement_id"],
                row["role"],
                row["row_id"],
                now["number"],
                now["file_sha256"],
                now["first_line"],
            )
            for one in measured
            for row in one["rows"]
            for now in row["versions"][:1]
        ]
        assert sorted(told) == rows and rows, (athlete, metric)
        assert all(v["originals"] for one in measured for row in one["rows"] for v in row["versions"])
