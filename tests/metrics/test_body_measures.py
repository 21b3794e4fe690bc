"""Body measures: units of the catalogue."""

import pytest

from pipeline.metrics.body_measures import flag, measure
from tests.metrics.trial_rows import mass, sessions_of, trial_rows


def test_mass_in_kilograms_and_stature_in_centimetres() -> None:
    stature = {"quantity": "stature", "reading": 2, "value": 1.803, "unit": "m"}
    sitting = {"quantity": "sitting_height", "reading": 1, "value": 0.93, "unit": "m"}
    trials = trial_rows("body_readings", mass(75.4), stature, sitting)
    frame = measure(flag(trials), sessions_of(trials))
    assert frame["metric"].to_list() == ["body_mass", "stature"]
    assert frame["value"].to_list() == pytest.approx([75.4, 180.3])
    assert frame["trial"].to_list() == [1, 2]
