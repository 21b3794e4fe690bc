"""The tables of fits: as declared, keyed, of a series where accepted, and the same in any order of rows."""

from __future__ import annotations

import polars as pl
from polars.testing import assert_frame_equal

from pipeline.analysis.profiles import fit_profiles
from pipeline.metrics.measurements import measure_all
from schemas.catalogue import CATALOGUE
from schemas.frames import empty
from schemas.models import table_model
from schemas.tables import TABLES
from tests.metrics.test_measurements import EVERYTHING
from tests.metrics.trial_rows import sessions_of

SESSIONS = sessions_of(*EVERYTHING.values(), kg=80.0)
DEVICES = {"device-1": "gates by beam"}


def tables(trials: dict[str, pl.DataFrame] = EVERYTHING) -> dict[str, pl.DataFrame]:
    return fit_profiles(trials, SESSIONS, CATALOGUE, DEVICES)


def test_the_tables_are_as_declared() -> None:
    for name, frame in tables().items():
        table_model(name).validate(frame, lazy=True)
        assert frame.select(TABLES[name].key).is_unique().all()
    assert {"sprint", "resisted_trace", "resisted_load_velocity", "resisted_force_velocity"} <= set(
        tables()["profiles"]["kind"]
    )


def test_no_rows_give_empty_tables() -> None:
    nothing = {name: empty(TABLES[name]) for name in EVERYTHING}
    for trials in (nothing, {}):
        for name, frame in fit_profiles(trials, empty(TABLES["sessions"]), CATALOGUE, {}).items():
            assert frame.is_empty()
            table_model(name).validate(frame, lazy=True)


def test_an_accepted_fit_is_of_a_series_that_is_there_and_a_refused_one_says_why() -> None:
    profiles = tables()["profiles"]
    series = measure_all(EVERYTHING, SESSIONS, CATALOGUE, DEVICES)["series"]
    accepted = profiles.filter(pl.col("accepted"))
    assert accepted.height > 3
    assert accepted.join(series, on=["metric", "series_id"], how="semi").height == accepted.height
    assert accepted["why_not"].null_count() == accepted.height
    refused = profiles.filter(~pl.col("accepted"))
    assert refused.height > 0
    assert refused["why_not"].str.ends_with(".").all()
    assert refused["series_id"].null_count() == refused.height


def test_values_are_of_accepted_fits_and_finite() -> None:
    made = tables()
    accepted = made["profiles"].filter(pl.col("accepted"))
    values = made["profile_values"]
    assert set(values["profile_id"]) == set(accepted["profile_id"])
    assert values["value"].is_finite().all()
    assert values["error"].drop_nulls().is_finite().all()


def test_the_order_of_rows_does_not_matter() -> None:
    turned = tables({name: frame.reverse() for name, frame in EVERYTHING.items()})
    for name, frame in tables().items():
        assert_frame_equal(frame, turned[name], check_exact=True)
