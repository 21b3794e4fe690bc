"""Which line about a trial counts: every rule of the fine print's "Keys and versions"."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.versions import Claim, same, says_more, settle_counted, settle_known
from tests.intake.facility_maker import JUMPS_HEADER, WEIGHTS_HEADER, WIDE_HEADER, Bench, Hall, run, runs

bench = Bench()


def jumps(*lines: str) -> str:
    return JUMPS_HEADER + "".join(f"Ana Prado,{line}\n" for line in lines)


def weights(*lines: str) -> str:
    return WEIGHTS_HEADER + "".join(f"{line}\n" for line in lines)


def weight(kg: str, name: str = "Ana Prado", day: str = "2025-03-01") -> str:
    return f"{name};{day};weight;{kg};kg"


# --- where time and trial are in the export -------------------------------------------------------------


@pytest.mark.mode(15)
def test_the_same_again_is_repeated() -> None:
    told = bench.runs(run(), run())
    assert (told.fates(1), told.fates(2)) == ({2: "loaded"}, {2: "repeated"})
    assert told.rows()["version"].to_list() == [1]


@pytest.mark.mode(16)
def test_another_value_supersedes_and_the_old_one_is_kept() -> None:
    told = bench.runs(run(split="1.83"), run(split="1.85"))
    assert told.fates(2) == {2: "superseding"}
    assert told.rows().select("split_time_s", "version").row(0) == (1.85, 2)
    old = told.earlier.row(0, named=True)
    assert (old["version"], old["superseded_by"], old["cause"]) == (1, "2", "export")
    assert old["known_until"] > old["known_from"]
    assert '"split_time_s":1.83' in old["row"]


@pytest.mark.mode(16)
def test_an_old_export_never_undoes_a_correction() -> None:
    told = bench.runs(run(split="1.83"), run(split="1.85"), run(split="1.83"), run(split="1.83", battery=80))
    assert told.fates(3) == told.fates(4) == {2: "repeated"}
    assert told.splits() == [1.85]


@pytest.mark.mode(19)
def test_coarser_then_finer_then_coarser() -> None:
    told = bench.runs(run(split="1.8"), run(split="1.83"), run(split="1.8", battery=1), run(split="1.83"))
    assert [told.fates(n)[2] for n in (1, 2, 3, 4)] == ["loaded", "superseding", "repeated", "repeated"]
    assert told.splits() == [1.83]
    assert told.earlier["cause"].to_list() == ["finer_value"]


def test_finer_then_coarser_keeps_the_finer() -> None:
    told = bench.runs(run(split="1.83"), run(split="1.8"))
    assert told.fates(2) == {2: "repeated"}
    assert told.splits() == [1.83]


def test_what_is_no_rounding_supersedes() -> None:
    told = bench.runs(run(split="1.83"), run(split="1.9"))
    assert told.fates(2) == {2: "superseding"}


def test_a_correction_near_the_coarser_text_of_a_finer_value_is_new() -> None:
    """1.8 was the rounding of 1.83; 1.76 rounds to 1.8 too, and yet was never said of this trial."""
    told = bench.runs(run(split="1.8"), run(split="1.83"), run(split="1.76"))
    assert told.fates(3) == {2: "superseding"}
    assert told.splits() == [1.76]


def test_a_fact_stated_first_later_makes_the_row_fuller() -> None:
    told = bench.runs(run(), run(shoes="spikes"), run(battery=1), run(shoes="flats"))
    assert [told.fates(n)[2] for n in (2, 3, 4)] == ["superseding", "repeated", "superseding"]
    assert told.rows()["shoes"].to_list() == ["flats"]


@pytest.mark.mode(16)
def test_far_off_is_held_until_answered() -> None:
    before, after = runs(run(split="1.83")), runs(run(split="2.83"))
    files = [("gates-1/1.csv", before), ("gates-1/2.csv", after)]
    asked = bench.resolve(*files)
    assert asked.codes() == [(2, "changed_at_source")]
    assert (asked.fates(2), asked.splits()) == ({2: "held"}, [1.83])
    assert asked.resolved.tables["held_rows"].select("field", "value").rows() == [("split_time_s", "2.83")]
    subject = (after, 2, "changed_at_source", "split_time_s")
    taken = bench.resolve(*files, line_answers=[(*subject, "ok")])
    assert (taken.fates(2), taken.splits()) == ({2: "superseding"}, [2.83])
    left = bench.resolve(*files, line_answers=[(*subject, "drop")])
    assert (left.fates(2), left.splits(), left.codes()) == ({2: "held"}, [1.83], [])
    states = left.resolved.tables["held_rows"].select("line", "code", "state").rows()
    assert states == [(2, "changed_at_source", "answered")]
    # Asked once: a third export that says the same asks no more, whatever was answered.
    for answers in ([], [(*subject, "ok")], [(*subject, "drop")]):
        again = bench.resolve(
            *files, ("gates-1/3.csv", runs(run(split="2.83", battery=5))), line_answers=answers
        )
        assert again.fates(3) == {2: "repeated"}


def test_just_within_the_share_supersedes() -> None:
    told = bench.runs(run(split="2.00"), run(split="2.20"))
    assert told.fates(2) == {2: "superseding"}
    assert bench.runs(run(split="2.00"), run(split="2.21")).fates(2) == {2: "held"}


def test_one_file_that_contradicts_itself_holds_all_lines_of_the_key() -> None:
    data = runs(run(split="1.83"), run(split="1.85"), run(trial=2, split="1.90"))
    told = bench.resolve(("gates-1/1.csv", data))
    assert told.codes() == [(2, "key_conflict"), (3, "key_conflict")]
    assert told.splits() == [1.90]
    answers = [
        (data, 2, "key_conflict", "split_time_s", "drop"),
        (data, 3, "key_conflict", "split_time_s", "ok"),
    ]
    told = bench.resolve(("gates-1/1.csv", data), line_answers=answers)
    assert told.splits() == [1.85, 1.90]
    assert told.codes() == []
    assert told.fates() == {2: "held", 3: "loaded", 4: "loaded"}
    states = told.resolved.tables["held_rows"].select("line", "state").sort("line").rows()
    assert states == [(2, "answered"), (3, "released")]


def test_ok_on_both_sides_of_a_conflict_settles_nothing() -> None:
    data = runs(run(split="1.83"), run(split="1.85"))
    answers = [(data, line, "key_conflict", "split_time_s", "ok") for line in (2, 3)]
    told = bench.resolve(("gates-1/1.csv", data), line_answers=answers)
    assert told.codes() == [(2, "key_conflict"), (3, "key_conflict")]


@pytest.mark.parametrize(
    "lines",
    [
        ("1.83", "1.85"),
        ("1.8", "1.83"),
        ("1.83", "1.83", "1.9"),
        ("1.8", "1.83", "1.78"),
        ("1.83", "1.830"),
    ],
)
@pytest.mark.parametrize("before", [None, "1.83", "1.8"])
def test_row_order_in_a_file_does_not_matter(lines: tuple[str, ...], before: str | None) -> None:
    seen = set()
    for order in permutations(lines):
        texts = [run(split=before)] if before else []
        told = bench.runs(*texts, "".join(run(split=split, battery=split) for split in order))
        fates = told.fates(len(texts) + 1)
        outcome = sorted((split, fates[at]) for at, split in enumerate(order, start=2))
        # Among lines that say one thing it does not matter which is kept and which repeats it.
        kinds = tuple(sorted({(float(split), fate) for split, fate in outcome}))
        seen.add((tuple(told.splits()), kinds))
    assert len(seen) == 1


def test_facts_that_one_file_states_and_leaves_out_are_a_conflict_in_any_order() -> None:
    for order in permutations(("", "spikes", "flats")):
        told = bench.runs("".join(run(shoes=shoes) for shoes in order))
        assert {code for _, code in told.codes()} == {"key_conflict"}
        assert told.splits() == []


def test_byte_equal_lines_with_seconds_are_repeated() -> None:
    told = bench.runs(run() + run())
    assert told.fates() == {2: "loaded", 3: "repeated"}


# --- a date only, the trial's number in the export ------------------------------------------------------

READINGS = """
layout = "weights"
family = "body_measures"
device = "scales-1"
[match]
folder = "scales-1"
header = ["Person"]
[columns.athlete]
from = "Person"
[columns.performed_at]
from = "Day"
format = "%Y-%m-%d"
[columns.reading]
from = "No"
[columns.quantity]
value = "mass"
[columns.value]
from = "kg"
unit = "kg"
"""


@pytest.fixture(scope="module")
def dated(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(Hall(tmp_path_factory.mktemp("hall"), layouts={"weights": READINGS}).facility)


def readings(*lines: str) -> str:
    return "Person,Day,No,kg\n" + "".join(f"Ana Prado,2025-03-01,{line}\n" for line in lines)


def test_without_time_a_file_that_holds_all_keys_supersedes(dated: Bench) -> None:
    told = dated.resolve(
        ("scales-1/1.csv", readings("1,60.0")), ("scales-1/2.csv", readings("1,60.4", "2,61"))
    )
    assert told.fates(2) == {2: "superseding", 3: "loaded"}
    assert told.rows("body_readings")["value"].sort().to_list() == [60.4, 61.0]


@pytest.mark.mode(16)
def test_a_file_of_one_line_with_a_date_alone_is_no_export_of_another_anew(dated: Bench) -> None:
    first, second = readings("1,60.0"), readings("1,61.0")
    files = [("scales-1/1.csv", first), ("scales-1/2.csv", second)]
    assert dated.resolve(*files).codes() == [(2, "possible_reexport")]
    asked = (second, 2, "possible_reexport", "value")
    corrected = dated.resolve(*files, line_answers=[(*asked, "correction")])
    assert corrected.rows("body_readings")["value"].to_list() == [61.0]
    # Nor where the order of appearance is the number.
    uncounted = [
        (f"scales-1/{at}.csv", f"{WEIGHTS_HEADER}Ana Prado;2025-03-01;weight;6{at},1;kg\n") for at in (0, 1)
    ]
    assert bench.resolve(*uncounted).codes() == [(2, "possible_reexport")]


def test_without_time_a_part_is_asked_about(dated: Bench) -> None:
    first, second = readings("1,60.0", "2,61.0"), readings("1,60.4")
    files = [("scales-1/1.csv", first), ("scales-1/2.csv", second)]
    assert dated.resolve(*files).codes() == [(2, "possible_reexport")]
    asked = (second, 2, "possible_reexport", "value")
    corrected = dated.resolve(*files, line_answers=[(*asked, "correction")])
    assert sorted(corrected.rows("body_readings")["value"]) == [60.4, 61.0]
    session = dated.resolve(*files, line_answers=[(*asked, "second_session")])
    assert sorted(session.rows("body_readings")["value"]) == [60.0, 60.4, 61.0]
    assert session.rows("body_readings")["row_id"].n_unique() == 3
    assert session.codes() == []
    # Both sessions are known from then on.
    third = ("scales-1/3.csv", readings("1,60.4", "1,60.0"))
    again = dated.resolve(*files, third, line_answers=[(*asked, "second_session")])
    assert again.fates(3) == {2: "repeated", 3: "repeated"}


# --- no number in the export ----------------------------------------------------------------------------


def test_unnumbered_rows_are_a_multiset_between_files() -> None:
    first = jumps("2025-03-01 10:00:00,500", "2025-03-01 10:00:00,510", "2025-03-01 10:00:00,500 ")
    second = jumps("2025-03-01 10:00:00,510", "2025-03-01 10:00:00,500", "2025-03-01 10:00:00,500  ")
    told = bench.resolve(("mat-1/1.csv", first), ("mat-1/2.csv", second))
    assert set(told.fates(2).values()) == {"repeated"}
    rows = told.rows("jump_trials").sort("trial")
    assert rows.select("trial", "flight_time_s").rows() == [(1, 0.5), (2, 0.51), (3, 0.5)]


def test_one_more_of_an_unnumbered_key_is_one_more_trial() -> None:
    first = jumps("2025-03-01 10:00:00,500", "2025-03-01 10:00:00,510")
    second = jumps("2025-03-01 10:00:00,505", "2025-03-01 10:00:00,510", "2025-03-01 10:00:00,500")
    told = bench.resolve(("mat-1/1.csv", first), ("mat-1/2.csv", second))
    assert told.fates(2) == {2: "loaded", 3: "repeated", 4: "repeated"}
    assert told.rows("jump_trials")["trial"].sort().to_list() == [1, 2, 3]


def test_equal_unnumbered_values_are_matched_exactly_before_their_roundings() -> None:
    first = weights(weight("60,83"), weight("60,80"))
    second = weights(weight("60,8"), weight("60,83"))
    told = bench.resolve(("scales-1/1.csv", first), ("scales-1/2.csv", second))
    assert told.fates(2) == {2: "repeated", 3: "repeated"}
    assert sorted(told.rows("body_readings")["value"]) == [60.80, 60.83]


def test_byte_equal_lines_without_seconds_are_numbered() -> None:
    told = bench.resolve(("scales-1/1.csv", weights(weight("60"), weight("60"))))
    assert told.fates() == {2: "loaded", 3: "loaded"}
    assert told.rows("body_readings")["reading"].sort().to_list() == [1, 2]


def test_byte_equal_unnumbered_lines_with_seconds_are_repeated() -> None:
    line = "2025-03-01 10:00:00,500"
    told = bench.resolve(("mat-1/1.csv", jumps(line, line)))
    assert told.fates() == {2: "loaded", 3: "repeated"}
    # Not so where a byte differs: then they are two jumps of one second.
    told = bench.resolve(("mat-1/1.csv", jumps(line, line + ".0")))
    assert told.fates() == {2: "loaded", 3: "loaded"}


def test_a_reexport_that_holds_all_unnumbered_keys_supersedes() -> None:
    first = weights(weight("60,0"), weight("70", "João Sá"))
    second = weights(weight("60,4"), weight("70", "João Sá"), weight("80", "Mia Lund"))
    told = bench.resolve(("scales-1/1.csv", first), ("scales-1/2.csv", second))
    assert told.fates(2) == {2: "superseding", 3: "repeated", 4: "loaded"}


def test_a_file_that_holds_all_answers_what_a_lesser_one_asked(dated: Bench) -> None:
    # With and without a number: the part asks, and asks once; the whole supersedes, and nothing is asked.
    whole, part = weights(weight("60,0"), weight("70", "João Sá")), weights(weight("60,4"))
    new = weights(weight("60,4"), weight("70", "João Sá"))
    numbered = [
        readings("1,60.0", "2,70"),
        readings("1,60.4"),
        readings("1,60.4"),
        readings("1,60.4", "2,70"),
    ]
    for house, files in ((bench, [whole, part, part, new]), (dated, numbered)):
        named = [(f"scales-1/{at}.csv", data) for at, data in enumerate(files)]
        asked = house.resolve(*named[:3])
        assert (asked.codes(), asked.fates(3)) == ([(2, "possible_reexport")], {2: "repeated"})
        told = house.resolve(*named)
        assert (told.codes(), told.fates(2)) == ([], {2: "repeated"})
        assert told.fates(4) == {2: "superseding", 3: "repeated"}
        assert sorted(told.rows("body_readings")["value"]) == [60.4, 70.0]


def test_an_unnumbered_row_of_a_lesser_file_is_asked_about() -> None:
    first = weights(weight("60,0"), weight("70", "João Sá"))
    second = weights(weight("60,4"))
    files = [("scales-1/1.csv", first), ("scales-1/2.csv", second)]
    assert bench.resolve(*files).codes() == [(2, "possible_reexport")]
    asked = (second, 2, "possible_reexport", "value")
    told = bench.resolve(*files, line_answers=[(*asked, "second_session")])
    assert told.fates(2) == {2: "loaded"}
    assert sorted(told.rows("body_readings")["value"]) == [60.0, 60.4, 70.0]
    told = bench.resolve(*files, line_answers=[(*asked, "correction")])
    assert told.fates(2) == {2: "superseding"}
    assert sorted(told.rows("body_readings")["value"]) == [60.4, 70.0]


# --- a line a run, without a number ---------------------------------------------------------------------


def wide(*lines: str) -> str:
    return WIDE_HEADER + "".join(f"Ana Prado,01.03.2025 10:00,{line}\n" for line in lines)


def gates(told: object) -> list[tuple[int, float, float]]:
    rows = told.rows()  # type: ignore[attr-defined]
    return sorted(rows.select("trial", "distance_m", "split_time_s").rows())


def test_gates_of_a_wide_run_stay_together_when_a_gate_is_missing() -> None:
    data = wide("1.00,,3.00", "1.10,1.90,3.10", ",1.95,3.20")
    told = bench.resolve(("gates-2/1.csv", data))
    assert gates(told) == [
        *[(1, 5.0, 1.0), (1, 20.0, 3.0)],
        *[(2, 5.0, 1.1), (2, 10.0, 1.9), (2, 20.0, 3.1)],
        *[(3, 10.0, 1.95), (3, 20.0, 3.2)],
    ]
    trials = told.rows().group_by("trial").agg(pl.col("trial_id").n_unique())
    assert trials["trial_id"].to_list() == [1, 1, 1]
    assert told.rows()["trial_id"].n_unique() == 3


def test_a_wide_reexport_in_another_order_repeats() -> None:
    first, second = wide("1.00,,3.00", "1.10,1.90,3.10"), wide("1.10,1.90,3.10", "1.00,,3.00")
    told = bench.resolve(("gates-2/1.csv", first), ("gates-2/2.csv", second))
    assert told.fates(2) == {2: "repeated", 3: "repeated"}


def test_a_gate_that_a_reexport_adds_joins_its_run() -> None:
    told = bench.resolve(("gates-2/1.csv", wide("1.00,,3.00")), ("gates-2/2.csv", wide("1.00,1.90,3.00")))
    assert told.fates(2) == {2: "superseding"}
    assert gates(told) == [(1, 5.0, 1.0), (1, 10.0, 1.9), (1, 20.0, 3.0)]


def test_a_gate_that_a_reexport_leaves_out_is_no_longer_current() -> None:
    told = bench.resolve(("gates-2/1.csv", wide("1.00,1.90,3.00")), ("gates-2/2.csv", wide("1.00,,3.00")))
    assert told.fates(2) == {2: "superseding"}
    assert gates(told) == [(1, 5.0, 1.0), (1, 20.0, 3.0)]
    gone = told.earlier.filter(pl.col("superseded_by").is_null())
    assert gone["cause"].to_list() == ["export"]
    assert gone["known_until"].null_count() == 0


def test_a_line_is_held_whole_when_one_of_its_rows_is() -> None:
    told = bench.resolve(
        ("gates-2/1.csv", wide("1.00,1.90,3.00")),
        ("gates-2/2.csv", wide("1.00,9.90,3.00")),
    )
    assert told.codes() == [(2, "changed_at_source")]
    assert gates(told) == [(1, 5.0, 1.0), (1, 10.0, 1.9), (1, 20.0, 3.0)]


NUMBERED_WIDE = """
layout = "wide"
family = "timing_gates"
device = "gates-2"
[match]
folder = "gates-2"
header = ["Runner", "10 m"]
[columns.athlete]
from = "Runner"
[columns.performed_at]
from = "When"
format = "%d.%m.%Y %H:%M"
[columns.trial]
from = "Run"
[columns.test]
value = "linear_sprint"
[columns.split_time_s]
unit = "s"
unpivot = [{ from = "5 m", distance_m = 5 }, { from = "10 m", distance_m = 10 }]
"""

TWICE = """
layout = "weights"
family = "body_measures"
device = "scales-1"
[match]
folder = "scales-1"
header = ["Person"]
[columns.athlete]
from = "Person"
[columns.performed_at]
from = "Day"
format = "%Y-%m-%d %H:%M:%S"
[columns.value]
unpivot = [
    { from = "first", quantity = "mass", unit = "kg" }, { from = "second", quantity = "mass", unit = "kg" }
]
"""


def test_a_numbered_line_with_one_held_row_is_held_whole(tmp_path: Path) -> None:
    facility = Hall(tmp_path, layouts={"wide": NUMBERED_WIDE}).facility
    header = "Runner,When,Run,5 m,10 m\n"
    told = Bench(facility).resolve(
        ("gates-2/1.csv", header + "Ana Prado,01.03.2025 10:00,1,1.00,1.90\n"),
        ("gates-2/2.csv", header + "Ana Prado,01.03.2025 10:00,1,1.01,5.90\n"),
    )
    assert told.fates(2) == {2: "held"}
    assert told.splits() == [1.0, 1.9]


def test_two_columns_of_one_quantity_are_two_readings(tmp_path: Path) -> None:
    facility = Hall(tmp_path, layouts={"weights": TWICE}).facility
    data = "Person,Day,first,second\nAna Prado,2025-03-01 08:00:00,60.0,60.2\n"
    told = Bench(facility).resolve(("scales-1/1.csv", data), ("scales-1/2.csv", data + "\n"))
    rows = told.rows("body_readings").sort("reading")
    assert rows.select("reading", "value").rows() == [(1, 60.0), (2, 60.2)]
    assert told.earlier.is_empty()
    assert told.fates(2) == {2: "repeated", 3: "skipped"}


# --- people ---------------------------------------------------------------------------------------------


def test_unknown_names_are_counted_once() -> None:
    told = bench.runs(run("Nobody Known"), run("nobody  KNOWN", battery=3) + run("Nobody Known", trial=2))
    assert (told.fates(1), told.fates(2)) == ({2: "held"}, {2: "repeated", 3: "held"})
    assert told.codes() == [(2, "unknown_name"), (3, "unknown_name")]
    named = bench.runs(
        run("Nobody Known"),
        run("nobody  KNOWN", battery=3) + run("Nobody Known", trial=2),
        names=[("Nobody Known|||", "a03")],
    )
    assert (named.fates(1), named.fates(2)) == ({2: "loaded"}, {2: "repeated", 3: "loaded"})
    assert named.rows()["athlete_id"].unique().to_list() == ["a03"]


@pytest.mark.mode(17)
def test_a_line_whose_athlete_changed_is_new_and_the_old_one_flagged() -> None:
    told = bench.runs(run("Ana Prado"), run("João Sá"))
    assert told.fates(2) == {2: "loaded"}
    flags = dict(told.rows().select("athlete_id", "flags").iter_rows())
    assert flags == {"a01": "removed_at_source", "a02": None}


def test_an_old_export_does_not_turn_the_flag_round() -> None:
    told = bench.runs(run("Ana Prado"), run("João Sá"), run("Ana Prado", battery=1))
    assert told.fates(3) == {2: "repeated"}
    flags = dict(told.rows().select("athlete_id", "flags").iter_rows())
    assert flags == {"a01": "removed_at_source", "a02": None}


def test_two_athletes_of_one_second_in_one_file_are_both_right() -> None:
    told = bench.runs(run("Ana Prado"), run("Ana Prado") + run("João Sá"))
    assert told.rows()["flags"].to_list() == [None, None]


# --- the rules themselves -------------------------------------------------------------------------------


def claim(index: int, drop_no: int, value: float, quantum: float = 0.01, **more: object) -> Claim:
    told: dict[str, object] = {"copy_key": str(index), "to_the_second": True, "sure": True, **more}
    return Claim(index, drop_no, (0,), (value,), (quantum,), (None,), **told)  # type: ignore[arg-type]


hundredths = st.integers(100, 400).map(lambda n: n / 100)
claims_of_files = st.lists(st.tuples(st.integers(1, 4), hundredths, st.sampled_from([0.01, 0.1])), max_size=8)


@given(claims_of_files)
@settings(max_examples=150, deadline=None)
def test_every_claim_gets_one_fate_and_saying_it_all_again_changes_nothing(
    told: list[tuple[int, float, float]],
) -> None:
    """For numbered and unnumbered keys: a fifth file that says again what a person would see repeats."""
    for settle in (settle_known, settle_counted):
        made = [
            claim(at, drop, round(value, 1) if quantum == 0.1 else value, quantum)
            for at, (drop, value, quantum) in enumerate(sorted(told, key=lambda line: line[0]))
        ]
        settle(made, 0.10, lambda later, earlier, fewest: True)
        assert {c.fate for c in made} <= {"loaded", "held", "repeated", "superseding"}
        assert all((c.code is not None) == (c.fate == "held") for c in made)
        kept = [c for c in made if c.fate in ("loaded", "superseding")]
        last = {c.number: c for c in kept}
        again = [claim(100 + c.index, 9, c.values[0] or 0, c.quanta[0] or 0) for c in last.values()]
        whole = [claim(c.index, c.drop_no, c.values[0] or 0, c.quanta[0] or 0) for c in made] + again
        settle(whole, 0.10, lambda later, earlier, fewest: True)
        assert [c.fate for c in whole[: len(made)]] == [c.fate for c in made]
        assert all(c.fate == "repeated" for c in whole[len(made) :])


@given(hundredths, st.integers(-5, 5))
def test_a_coarser_text_is_the_same_exactly_where_it_is_the_rounding(value: float, tenths_off: int) -> None:
    coarse = round(value, 1) + tenths_off / 10
    a, b = claim(0, 1, value), claim(1, 2, coarse, 0.1)
    assert same(a, b) == same(b, a) == (abs(value - coarse) <= 0.05 + 1e-9)
    assert says_more(a, b) and not says_more(b, a)
