"""Fits of the demo against the truth of the generator, from the export to the published tables."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pytest
from scipy.stats import t as student

from sample_exports.generator.families.resisted_sprint import SLOWER_M_S_N
from tests.end_to_end.conftest import Made
from tests.end_to_end.truth import read_truth

KEY = ["device", "athlete_id", "performed_at_utc", "trial"]
SPRINTS = """
    WITH runs AS (
        SELECT DISTINCT trial_id, device, athlete_id, trial::VARCHAR AS trial,
               strftime(performed_at_utc, '%Y-%m-%dT%H:%M:%S') AS performed_at_utc
        FROM sprint_splits)
    SELECT runs.*, p.accepted, p.why_not, m.metric, m.value, m.standard_error, df.value AS freedom
    FROM profiles AS p JOIN runs USING (trial_id)
    LEFT JOIN measurements AS m ON m.trial_id = p.trial_id AND m.metric IN ('sprint_vmax', 'sprint_tau')
    LEFT JOIN profile_values AS df ON df.profile_id = p.profile_id AND df.name = 'degrees_of_freedom'
    WHERE p.kind = 'sprint'
"""


def published(facility: Path, query: str) -> pl.DataFrame:
    with duckdb.connect(str(facility / "published" / "yardmark.duckdb"), read_only=True) as database:
        return database.sql(query).pl()


@pytest.fixture(scope="module")
def sprints(made_demo: Made) -> pl.DataFrame:
    """Fitted values with their errors beside the truth."""
    true = read_truth(made_demo.truth, "runs").filter(pl.col("fate") == "loaded")
    rows = true.with_columns(pl.col("true_value").cast(pl.Float64)).join(
        published(made_demo.facility, SPRINTS).drop_nulls("metric"), on=[*KEY, "metric"]
    )
    # On one day a gate was knocked on purpose: its times are not of the distance they say.
    knocked = (pl.col("device") == "gates-1") & pl.col("performed_at_utc").str.starts_with("2026-01-22")
    return rows.filter(~knocked)


def test_speed_and_time_constant_are_the_true_ones(sprints: pl.DataFrame) -> None:
    """Gates of 4 ms noise, four to 30 m, the start 0.3 or 0.5 m behind the first."""
    assert sprints.height > 1_200
    for metric, worst, bias in (("sprint_vmax", 0.02, 0.001), ("sprint_tau", 0.06, 0.003)):
        off = sprints.filter(pl.col("metric") == metric).select(pl.col("value") / pl.col("true_value") - 1)
        assert off.to_series().abs().max() < worst  # type: ignore[operator]
        assert abs(off.to_series().mean()) < bias  # type: ignore[arg-type]


@pytest.mark.parametrize("metric", ["sprint_vmax", "sprint_tau"])
def test_error_bars_cover_the_truth(sprints: pl.DataFrame, metric: str) -> None:
    """95 % bars by t with the pooled degrees of freedom. Seen: V 0.978, tau 0.971; before a gate was knocked
    on one day of the demo, whose scatter is in the pool and makes all bars wider, V 0.960, tau 0.952."""
    rows = sprints.filter(pl.col("metric") == metric)
    half = rows["standard_error"].to_numpy() * student.ppf(0.975, rows["freedom"].to_numpy())
    covered = abs(rows["value"] - rows["true_value"]).to_numpy() < half
    assert 0.93 < covered.mean() < 0.985, covered.mean()


def test_a_run_without_a_value_has_a_profile_that_says_why(made_demo: Made) -> None:
    runs = published(made_demo.facility, SPRINTS)
    refused = runs.filter(pl.col("metric").is_null())
    assert refused.height > 50
    assert not refused["accepted"].any()
    assert refused["why_not"].str.ends_with(".").all()
    # Under-15s run to 20 m past three gates.
    assert "3 gates with a usable time; 4 are needed." in set(refused["why_not"])


def test_loads_for_a_loss_of_velocity_are_the_true_ones(made_demo: Made) -> None:
    """The generator takes 0.024 m/s off the top speed for each newton, so a quarter is lost at V / 0.096.

    The fastest 5 m are 1 to 3 % below V, most where the load is light: loads come out 3 % too high.
    """
    values = published(
        made_demo.facility,
        """SELECT profile_id, name, value FROM profiles JOIN profile_values USING (profile_id)
           WHERE kind = 'resisted_load_velocity' AND unit IN ('N', 'm/s', '(m/s)/N')""",
    ).pivot("name", index="profile_id", values="value")
    lines = values.drop_nulls("slope")
    assert lines.height > 50
    assert lines["slope"].mean() == pytest.approx(-SLOWER_M_S_N, rel=0.03)
    true = 0.25 * lines["v0"] / SLOWER_M_S_N
    assert (lines["load_25"] / true - 1).abs().max() < 0.12  # type: ignore[operator]
    assert abs((lines["load_25"] / true - 1).mean()) < 0.045  # type: ignore[arg-type]
    assert (lines["load_25_low"] < lines["load_25"]).all() and (
        lines["load_25"] < lines["load_25_high"]
    ).all()


def test_a_mass_is_never_a_force(made_demo: Made) -> None:
    """Of sleds without a force in the line there are kilograms, of motors newtons only."""
    found = published(
        made_demo.facility,
        """SELECT DISTINCT s.method, m.metric, m.unit
           FROM measurements AS m JOIN series AS s USING (series_id)
           WHERE m.metric LIKE 'velocity_decrement%' ORDER BY ALL""",
    )
    assert found.rows() == [
        ("pull-1", "velocity_decrement_load", "N"),
        ("sled-1", "velocity_decrement_load", "N"),
        ("sled-1", "velocity_decrement_sled_mass", "kg"),
    ]


def test_accepted_fits_are_of_a_published_series(made_demo: Made) -> None:
    lost = published(
        made_demo.facility,
        "SELECT kind, count(*) FROM profiles ANTI JOIN series USING (series_id) WHERE accepted GROUP BY ALL",
    )
    assert lost.is_empty()
