"""Traces through intake: a run is its lines, told, asked, answered, corrected and superseded as one."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest

from pipeline.facility.folder import check_facility, load_facility
from pipeline.intake import law
from pipeline.intake.answers import Answer, append_answers
from pipeline.intake.archive import utc_now
from pipeline.intake.intake import IntakeReport, answer, retry, say_who, take_in, update
from pipeline.intake.traces import answers_for_runs
from pipeline.intake.waiting import held_with_context
from pipeline.warehouse.store import Warehouse, open_warehouse
from schemas.models import table_model

SETTINGS = """
name = "Test hall"
timezone = "Europe/Lisbon"
settle_seconds = 0
[devices.line-1]
family = "resisted_sprint"
since = 2025-01-01
[devices.line-2]
family = "resisted_sprint"
"""
ROSTER = """athlete_id,name,birth_date,sex,aliases
a01,Ana Prado,2004-02-29,female,
a02,João Sá,2003-05-01,male,
"""

# A file a run; the number of the trial stands in the name, all else above the header.
ONE_RUN = """
layout = "one-run"
family = "resisted_sprint"
device = "line-1"
[match]
folder = "line-1"
header = ["t", "x"]
[file]
delimiter = ";"
decimal = ","
null = ["", "-"]
[columns.athlete]
preamble = "Who"
[columns.performed_at]
preamble = ["Day", "Clock"]
format = "%Y-%m-%d %H:%M:%S"
[columns.trial]
filename = "_(?P<trial>\\\\d+)\\\\."
[columns.resistance_n]
preamble = "Set"
unit = "kgf"
[columns.sled_mass_kg]
preamble = "Sled"
unit = "kg"
[columns.time_s]
from = "t"
unit = "s"
[columns.position_m]
from = "x"
unit = "m"
[columns.force_n]
from = "f"
unit = "N"
"""

# A file a day; no number of the trial.
ONE_DAY = """
layout = "one-day"
family = "resisted_sprint"
device = "line-2"
[match]
folder = "line-2"
header = ["who", "x_cm"]
[columns.athlete]
from = "who"
[columns.performed_at]
from = "at"
format = "%Y-%m-%dT%H:%M:%S"
[columns.surface]
from = "ground"
map = { T = "track", H = "hall" }
[columns.time_s]
from = "t_ms"
unit = "ms"
[columns.position_m]
from = "x_cm"
unit = "cm"
[columns.velocity_m_s]
from = "v"
unit = "km/h"
"""
HEADER = "who,at,ground,t_ms,x_cm,v\n"
CORRECTIONS = "made_on,made_by,why,device,file_id,line,athlete_id,date,test,trial,action,field,value\n"


def file_a_run(
    who: str = "Ana Prado",
    day: str = "2025-03-01",
    clock: str = "10:00:00",
    samples: int = 60,
    sled: str = "-",
    changed: Mapping[int, str] | None = None,
    extra: str = "",
) -> str:
    """6 m/s and 50 N at 50 Hz; the header row is line 7, so sample n is line 8 + n."""
    lines = [f"{n / 50:.2f};{6 * n / 50:.3f};50,0".replace(".", ",") for n in range(samples)]
    for number, text in (changed or {}).items():
        lines[number] = text
    head = ["A run", f"Who: {who}", f"Day: {day}", f"Clock: {clock}", "Set: 6,5", f"Sled: {sled}", "t;x;f"]
    return "\n".join([*head, *lines]) + "\n" + extra


def day_run(
    who: str = "Ana Prado", at: str = "2025-03-01T10:00:00", ground: str = "T", samples: int = 50
) -> list[str]:
    """Lines of one run of a day's file."""
    return [f"{who},{at},{ground},{20 * n},{12 * n},{21.6}" for n in range(samples)]


def day_file(*runs: list[str]) -> str:
    return HEADER + "".join(line + "\n" for run in runs for line in run)


def quiet(text: str) -> None:
    """What is said of progress is not looked at."""


@dataclass
class Hall:
    """A facility of two devices; each call opens the warehouse anew, as each command does."""

    folder: Path

    def __post_init__(self) -> None:
        config = self.folder / "config"
        (config / "layouts").mkdir(parents=True)
        (config / "facility.toml").write_text(SETTINGS, encoding="utf-8")
        (config / "athletes.csv").write_text(ROSTER, encoding="utf-8")
        (config / "layouts" / "one-run.toml").write_text(ONE_RUN, encoding="utf-8")
        (config / "layouts" / "one-day.toml").write_text(ONE_DAY, encoding="utf-8")
        (self.folder / "inbox").mkdir()

    def open(self) -> Warehouse:
        return open_warehouse(load_facility(self.folder).warehouse_file)

    def take(self, *files: tuple[str, str]) -> IntakeReport:
        for place, text in files:
            path = self.folder / "inbox" / place
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(text.encode())
        with self.open() as warehouse:
            return take_in(load_facility(self.folder), warehouse, quiet)

    def again(self) -> IntakeReport:
        """What every run does with config that was changed."""
        with self.open() as warehouse:
            return update(load_facility(self.folder), warehouse, quiet)

    def alias(self, name: str, athlete_id: str) -> IntakeReport:
        with self.open() as warehouse:
            return say_who(load_facility(self.folder), warehouse, quiet, name, athlete_id)

    def answer(self, said: Iterable[str]) -> IntakeReport:
        """Fill in the rows of the one sheet of held lines, in order, and hand it in."""
        [sheet] = self.sheets()
        with sheet.open(encoding="utf-8-sig", newline="") as stream:
            header, *rows = csv.reader(stream)
        for row, word in zip(rows, said, strict=True):
            row[header.index("answer")] = word
        with sheet.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows([header, *rows])
        with self.open() as warehouse:
            return answer(load_facility(self.folder), warehouse, quiet, [sheet])

    def retry(self) -> IntakeReport:
        with self.open() as warehouse:
            return retry(load_facility(self.folder), warehouse, quiet)

    def correct(self, *rows: str) -> None:
        text = CORRECTIONS + "".join(row + "\n" for row in rows)
        (self.folder / "config" / "corrections.csv").write_text(text, encoding="utf-8")
        assert check_facility(self.folder) == []

    def table(self, name: str) -> pl.DataFrame:
        with self.open() as warehouse:
            frame = warehouse.read(name)
        table_model(name).validate(frame, lazy=True)
        return frame

    @property
    def runs(self) -> pl.DataFrame:
        return self.table("resisted_runs").sort("performed_at_utc", "trial")

    def samples(self) -> dict[str, int]:
        """Samples of each run of `runs`, by athlete and trial."""
        joined = self.runs.join(self.table("resisted_samples"), on="sample_set_id", how="left", suffix="_s")
        counted = joined.group_by("athlete_id", "performed_at_utc", "trial").agg(pl.col("time_s").count())
        return {f"{a} {at:%H:%M} {n}": count for a, at, n, count in counted.sort(pl.all()).iter_rows()}

    def counts(self) -> list[dict[str, int]]:
        """What became of the lines of each file, in the order taken in; without what is 0."""
        with self.open() as warehouse:
            order = warehouse.read("_drops").select("drop_id", "drop_no")
            files = warehouse.read("files").join(order, on="drop_id").sort("drop_no")
        names = ("loaded", "held", "repeated", "superseding", "skipped")
        return [{k: v for k, v in row.items() if v} for row in files.select(names).to_dicts()]

    def sheets(self) -> list[Path]:
        """The sheets of held lines, without that of the names."""
        return sorted(p for p in (self.folder / "held").glob("*.csv") if p.name != "questions.csv")

    def asked(self) -> list[tuple[str, str, str]]:
        """line, code and value of each row of all sheets."""
        rows = []
        for sheet in self.sheets():
            with sheet.open(encoding="utf-8-sig", newline="") as stream:
                rows += [(row["line"], row["code"], row["value"]) for row in csv.DictReader(stream)]
        return rows

    def flags(self) -> list[str | None]:
        return self.runs["flags"].to_list()


@pytest.fixture
def hall(tmp_path: Path) -> Hall:
    return Hall(tmp_path / "hall")


ROW_FILE = ("line-1/run_1.csv", file_a_run())


# What a run is


def test_the_layouts_are_sound(hall: Hall) -> None:
    assert check_facility(hall.folder) == []


def test_a_file_is_a_run(hall: Hall) -> None:
    report = hall.take(("line-1/run_3.csv", file_a_run()))
    assert report.open_codes == {}
    assert hall.counts() == [{"loaded": 60}]
    [run] = hall.runs.to_dicts()
    wanted = {
        "athlete_id": "a01", "trial": 3, "pull": None, "sled_mass_kg": None, "start_offset_m": None,
        "n_samples": 60, "line": 8, "version": 1, "device": "line-1", "flags": None, "mark": "ok",
    }  # fmt: skip
    assert {name: run[name] for name in wanted} == wanted
    assert str(run["performed_at_utc"]) == "2025-03-01 10:00:00"
    # 6.5 kgf, standard gravity 9.80665 m/s2 (3rd CGPM 1901).
    assert run["resistance_n"] == pytest.approx(6.5 * 9.80665, rel=1e-15)
    assert run["sample_rate_hz"] == pytest.approx(50.0)


def test_the_columns_of_the_contract(hall: Hall) -> None:
    hall.take(ROW_FILE)
    runs, samples = hall.runs, hall.table("resisted_samples")
    assert {
        "trial", "pull", "resistance_n", "resistance_setting", "sled_mass_kg", "surface", "start_offset_m",
        "n_samples", "sample_rate_hz", "row_id", "trial_id", "sample_set_id", "session_id", "file_id",
    } <= set(runs.columns)  # fmt: skip
    assert not {"time_s", "position_m", "velocity_m_s", "force_n"} & set(runs.columns)
    assert {"time_s", "position_m", "velocity_m_s", "force_n", "sample_set_id"} <= set(samples.columns)


def test_the_samples_are_those_of_the_file(hall: Hall) -> None:
    hall.take(ROW_FILE)
    samples = hall.table("resisted_samples").sort("line")
    assert samples["line"].to_list() == list(range(8, 68))
    assert samples["time_s"].to_list() == [n / 50 for n in range(60)]
    assert samples["position_m"].to_list() == [float(f"{6 * n / 50:.3f}") for n in range(60)]
    assert samples["velocity_m_s"].null_count() == 60
    assert set(samples["sample_set_id"]) == set(hall.runs["sample_set_id"])


def test_a_day_is_many_runs(hall: Hall) -> None:
    first, second = day_run(), day_run("João Sá", "2025-03-01T10:03:00", "H", 40)
    third = day_run(at="2025-03-01T10:06:00", samples=30)
    hall.take(("line-2/day.csv", day_file(first, second, third)))
    assert hall.counts() == [{"loaded": 120}]
    shown = hall.runs.select("athlete_id", "surface", "trial", "n_samples", "line").rows()
    assert shown == [("a01", "track", 1, 50, 2), ("a02", "hall", 1, 40, 52), ("a01", "track", 1, 30, 92)]
    assert hall.samples() == {"a01 10:00 1": 50, "a01 10:06 1": 30, "a02 10:03 1": 40}
    # 21.6 km/h are 6 m/s.
    assert hall.table("resisted_samples")["velocity_m_s"].unique().to_list() == pytest.approx([6.0])


def test_the_lines_of_two_runs_may_alternate(hall: Hall) -> None:
    one, other = day_run(), day_run("João Sá")
    mixed = [line for pair in zip(one, other, strict=True) for line in pair]
    hall.take(("line-2/day.csv", day_file(mixed)))
    assert hall.runs.select("athlete_id", "n_samples", "flags").rows() == [
        ("a01", 50, None),
        ("a02", 50, None),
    ]


def test_an_empty_line_above_the_header_is_nothing_and_a_missing_one_holds_the_file(hall: Hall) -> None:
    hall.take(("line-1/a_1.csv", file_a_run(sled="20")), ("line-1/b_2.csv", file_a_run(sled="")))
    assert hall.runs["sled_mass_kg"].to_list() == [20.0, None]
    hall.take(("line-1/c_3.csv", file_a_run().replace("Clock: 10:00:00\n", "")))
    assert [code for _, code, _ in hall.asked()] == ["missing_preamble"]


WIDE = """
layout = "one-day"
family = "resisted_sprint"
device = "line-2"
[match]
folder = "line-2"
header = ["who", "x0"]
[columns.athlete]
from = "who"
[columns.performed_at]
from = "at"
format = "%Y-%m-%dT%H:%M:%S"
[columns.position_m]
unit = "m"
unpivot = [
    { from = "x0", time_s = 0.0 }, { from = "x1", time_s = 0.5 },
    { from = "x2", time_s = 1.0 }, { from = "x3", time_s = 1.5 },
]
[columns.force_n]
unit = "N"
unpivot = [ { from = "f0", time_s = 0.0 }, { from = "f1", time_s = 0.5 }, { from = "f2", time_s = 1.0 } ]
"""


def test_a_line_may_be_a_whole_run(hall: Hall) -> None:
    """A column a sample; a run that ends sooner has empty cells."""
    (hall.folder / "config" / "layouts" / "one-day.toml").write_text(WIDE, encoding="utf-8")
    lines = [
        "who,at,x0,x1,x2,x3,f0,f1,f2",
        "Ana Prado,2025-03-01T10:00:00,0,3,6,9,50,51,52",
        "João Sá,2025-03-01T10:02:00,0,3,6,,50,51,52",
        "Ana Prado,2025-03-01T10:04:00,0,3,S,9,50,51,52",
    ]
    hall.take(("line-2/day.csv", "\n".join(lines) + "\n"))
    assert hall.counts() == [{"loaded": 2, "held": 1}]
    assert hall.runs.select("athlete_id", "n_samples", "line").rows() == [("a01", 4, 2), ("a02", 3, 3)]
    samples = hall.table("resisted_samples").filter(pl.col("line") == 2)
    assert samples.select("time_s", "position_m", "force_n").rows() == [
        (0.0, 0.0, 50.0), (0.5, 3.0, 51.0), (1.0, 6.0, 52.0), (1.5, 9.0, None),
    ]  # fmt: skip
    hall.take(("line-2/again.csv", "\n".join([*lines[:2], lines[2].replace("0,3,6,,", "0,3,7,,")]) + "\n"))
    assert hall.counts()[1] == {"repeated": 1, "superseding": 1}
    assert hall.samples() == {"a01 10:00 1": 4, "a02 10:02 1": 3}


# Bad samples


def test_a_bad_sample_is_held_alone_and_its_run_flagged(hall: Hall) -> None:
    bad = file_a_run(changed={30: "0,60;3,6S0;50,0"})
    hall.take(("line-1/a_1.csv", bad), ("line-1/b_2.csv", file_a_run(clock="10:04:00")))
    assert hall.counts() == [{"loaded": 59, "held": 1}, {"loaded": 60}]
    assert hall.asked() == [("38", "not_a_number", "3,6S0")]
    assert hall.runs.select("n_samples", "flags").rows() == [(59, "gap"), (60, None)]


@pytest.mark.parametrize("number", [0, 59])
def test_a_bad_sample_at_an_end_is_a_gap_too(hall: Hall, number: int) -> None:
    hall.take(("line-1/a_1.csv", file_a_run(changed={number: "x;y;z"})))
    assert hall.flags() == ["gap"]


@pytest.mark.mode(18)
def test_a_file_cut_off_within_its_last_line(hall: Hall) -> None:
    hall.take(("line-1/a_1.csv", file_a_run(extra="1,20")))
    assert hall.counts() == [{"loaded": 60, "held": 1}]
    assert [(line, code) for line, code, _ in hall.asked()] == [("68", "too_few_fields")]
    assert hall.flags() == ["gap"]


def test_a_sample_out_of_range_is_held_alone(hall: Hall) -> None:
    hall.take(("line-1/a_1.csv", file_a_run(changed={30: "0,60;999,0;50,0"})))
    assert [code for _, code, _ in hall.asked()] == ["out_of_range"]
    assert hall.flags() == ["gap"]


@pytest.mark.mode(41)
def test_lines_that_are_missing_in_the_export_are_a_gap(hall: Hall) -> None:
    lines = day_run()
    hall.take(("line-2/day.csv", day_file(lines[:20] + lines[21:], day_run("João Sá"))))
    assert hall.flags() == ["gap", None]


@pytest.mark.mode(41)
def test_a_gap_closes_when_its_line_is_answered(hall: Hall) -> None:
    hall.take(("line-1/a_1.csv", file_a_run(changed={30: "0,60;3,6S0;50,0"})))
    hall.answer(["3,600"])
    assert hall.counts() == [{"loaded": 60}]
    assert hall.runs.select("n_samples", "flags", "version").rows() == [(60, None, 1)]
    assert 3.6 in hall.table("resisted_samples")["position_m"].to_list()


def test_a_sample_left_out_stays_a_gap(hall: Hall) -> None:
    hall.take(("line-1/a_1.csv", file_a_run(changed={30: "0,60;3,6S0;50,0"})))
    report = hall.answer(["drop"])
    assert report.open_codes == {}
    assert hall.counts() == [{"loaded": 59, "held": 1}]
    assert hall.flags() == ["gap"]
    # Also where a layout that was mended could read it now.
    layout = hall.folder / "config" / "layouts" / "one-run.toml"
    layout.write_text(ONE_RUN.replace('null = ["", "-"]', 'null = ["", "-", "3,6S0"]'), encoding="utf-8")
    hall.retry()
    assert hall.counts() == [{"loaded": 59, "held": 1}]
    assert hall.flags() == ["gap"]


def test_a_line_written_twice_is_one_sample(hall: Hall) -> None:
    lines = day_run()
    hall.take(("line-2/day.csv", day_file([*lines[:10], lines[9], *lines[10:]])))
    assert hall.counts() == [{"loaded": 50, "repeated": 1}]
    assert hall.runs.select("n_samples", "flags").rows() == [(50, None)]


# The same run again


def test_a_run_in_two_files_is_stored_once(hall: Hall) -> None:
    runs = [day_run(at=f"2025-03-01T10:0{n}:00", samples=20 + n) for n in range(3)]
    hall.take(("line-2/day.csv", day_file(*runs)))
    hall.take(("line-2/history.csv", day_file(runs[0], runs[1], runs[2], day_run("João Sá"))))
    assert hall.counts() == [{"loaded": 63}, {"loaded": 50, "repeated": 63}]
    assert hall.runs.height == 4
    assert hall.table("superseded_rows").is_empty()


def test_the_order_of_lines_does_not_make_another_run(hall: Hall) -> None:
    first, other = day_run(), [line.replace("21.6", "18.0") for line in day_run()]
    for name, lines in (("a", first), ("b", other), ("c", first[::-1]), ("d", other[::-1])):
        hall.take((f"line-2/{name}.csv", day_file(lines)))
    assert hall.counts() == [{"loaded": 50}, {"superseding": 50}, {"repeated": 50}, {"repeated": 50}]


def test_a_later_export_of_a_run_takes_its_place_whole(hall: Hall) -> None:
    hall.take(("line-1/run_1.csv", file_a_run()))
    longer = [f"{n / 50:.2f};{6.1 * n / 50:.3f};52,0".replace(".", ",") for n in range(60)]
    hall.take(("line-1/new_1.csv", file_a_run(changed=dict(enumerate(longer)), extra="1,20;7,320;52,0\n")))
    assert hall.counts() == [{"loaded": 60}, {"superseding": 61}]
    [run] = hall.runs.to_dicts()
    assert (run["n_samples"], run["version"]) == (61, 2)
    [old] = hall.table("superseded_rows").to_dicts()
    assert (old["row_id"], old["version"], old["cause"]) == (run["row_id"], 1, "export")
    assert '"n_samples":60' in old["row"]
    # The samples of both versions are kept; those of the run are the new ones.
    samples = hall.table("resisted_samples")
    assert samples.height == 121
    new = samples.filter(pl.col("sample_set_id") == run["sample_set_id"])
    assert (new.height, set(new["force_n"])) == (61, {52.0})


def test_a_repaired_export_closes_the_gap(hall: Hall) -> None:
    hall.take(("line-1/run_1.csv", file_a_run(changed={30: "0,60;;50,0"})))
    assert hall.flags() == ["gap"]
    hall.take(("line-1/new_1.csv", file_a_run()))
    assert hall.counts() == [{"loaded": 59, "held": 1}, {"superseding": 60}]
    assert hall.runs.select("n_samples", "version", "flags").rows() == [(60, 2, None)]


def test_an_older_export_does_not_undo_a_newer(hall: Hall) -> None:
    old, new = file_a_run(), file_a_run(changed={10: "0,20;1,210;50,0"})
    for number, text in enumerate((old, new, old.replace("A run", "The run"))):
        hall.take((f"line-1/{number}_1.csv", text))
    assert hall.counts() == [{"loaded": 60}, {"superseding": 60}, {"repeated": 60}]
    assert hall.runs["version"].to_list() == [2]


def test_an_unnumbered_run_that_a_part_export_changes_is_asked_about_once(hall: Hall) -> None:
    both = day_file(day_run(), day_run("João Sá"))
    changed = [line.replace("21.6", "18.0") for line in day_run()]
    hall.take(("line-2/day.csv", both))
    report = hall.take(("line-2/part.csv", day_file(changed)))
    assert report.open_codes == {"possible_reexport": 1}
    assert hall.counts() == [{"loaded": 100}, {"held": 50}]
    assert [(line, code) for line, code, _ in hall.asked()] == [("2", "possible_reexport")]
    hall.answer(["correction"])
    assert hall.counts() == [{"loaded": 100}, {"superseding": 50}]
    assert hall.samples() == {"a01 10:00 1": 50, "a02 10:00 1": 50}
    assert hall.asked() == []


def test_a_second_session_at_the_same_time_is_a_run_of_its_own(hall: Hall) -> None:
    changed = [line.replace("21.6", "18.0") for line in day_run()]
    hall.take(("line-2/day.csv", day_file(day_run(), day_run("João Sá"))))
    hall.take(("line-2/part.csv", day_file(changed)))
    hall.answer(["second_session"])
    assert hall.counts() == [{"loaded": 100}, {"loaded": 50}]
    assert hall.samples() == {"a01 10:00 1": 50, "a01 10:00 2": 50, "a02 10:00 1": 50}


def test_a_run_left_out_is_left_out_whole(hall: Hall) -> None:
    changed = [line.replace("21.6", "18.0") for line in day_run()]
    hall.take(("line-2/day.csv", day_file(day_run(), day_run("João Sá"))))
    hall.take(("line-2/part.csv", day_file(changed)))
    report = hall.answer(["drop"])
    assert report.open_codes == {}
    assert hall.counts() == [{"loaded": 100}, {"held": 50}]
    assert hall.asked() == []


# Whose run


def test_an_unknown_name_holds_the_run_and_asks_once(hall: Hall) -> None:
    report = hall.take(("line-1/run_1.csv", file_a_run("Nobody Known")))
    assert hall.counts() == [{"held": 60}]
    assert hall.runs.is_empty()
    assert hall.table("resisted_samples").is_empty()
    assert hall.asked() == [("8", "unknown_name", "Nobody Known")]
    assert report.open_codes == {"unknown_name": 1}
    with hall.open() as warehouse:
        held = held_with_context(warehouse)
    assert (held.height, held["question"].n_unique()) == (60, 1)


def test_an_alias_releases_the_whole_run(hall: Hall) -> None:
    hall.take(("line-1/run_1.csv", file_a_run("Nobody Known")))
    report = hall.alias("Nobody Known", "a02")
    assert report.released == 60
    assert hall.counts() == [{"loaded": 60}]
    assert hall.samples() == {"a02 10:00 1": 60}
    assert hall.sheets() == []


def test_an_answer_on_the_one_line_releases_the_whole_run(hall: Hall) -> None:
    hall.take(("line-1/run_1.csv", file_a_run("Nobody Known")))
    hall.answer(["a02"])
    assert hall.counts() == [{"loaded": 60}]


def test_a_name_answered_drop_leaves_the_run_out(hall: Hall) -> None:
    hall.take(("line-1/run_1.csv", file_a_run("Nobody Known")))
    report = hall.answer(["drop"])
    assert report.open_codes == {}
    assert hall.counts() == [{"held": 60}]
    assert set(hall.table("held_rows")["state"]) == {"answered"}
    assert hall.sheets() == []


def test_each_run_of_an_unknown_name_is_asked_about(hall: Hall) -> None:
    runs = [day_run("Nobody", f"2025-03-01T10:0{n}:00") for n in range(3)]
    hall.take(("line-2/day.csv", day_file(runs[0], day_run(), *runs[1:])))
    assert hall.asked() == [(line, "unknown_name", "Nobody") for line in ("2", "102", "152")]
    hall.answer(["drop", "", ""])
    assert hall.asked() == [(line, "unknown_name", "Nobody") for line in ("102", "152")]
    hall.alias("Nobody", "a02")
    assert hall.samples() == {"a01 10:00 1": 50, "a02 10:01 1": 50, "a02 10:02 1": 50}
    assert hall.counts() == [{"loaded": 150, "held": 50}]


def test_a_run_of_which_a_sample_is_bad_and_the_name_unknown(hall: Hall) -> None:
    hall.take(("line-1/run_1.csv", file_a_run("Nobody", changed={30: "0,60;3,6S0;50,0"})))
    assert sorted(hall.asked()) == [("38", "not_a_number", "3,6S0"), ("8", "unknown_name", "Nobody")]
    hall.alias("Nobody", "a02")
    assert hall.counts() == [{"loaded": 59, "held": 1}]
    assert hall.flags() == ["gap"]


# What is said once of a whole run is answered once


@pytest.mark.parametrize(
    ("wrong", "code", "said"),
    [
        ({"day": "2025-13-01"}, "bad_date", "2025-03-01 10:00:00"),
        ({"who": ""}, "missing_value", "a01"),
        ({"sled": "heavy"}, "not_a_number", "20"),
        ({"day": "2024-03-01"}, "before_device", "2025-03-01 10:00:00"),
    ],
)
def test_a_fault_above_the_header_is_one_question(
    hall: Hall, wrong: dict[str, str], code: str, said: str
) -> None:
    report = hall.take(("line-1/run_1.csv", file_a_run(**wrong)))  # type: ignore[arg-type]
    assert report.open_codes == {code: 1}
    assert hall.counts() == [{"held": 60}]
    assert [(line, asked) for line, asked, _ in hall.asked()] == [("8", code)]
    hall.answer([said])
    assert hall.counts() == [{"loaded": 60}]
    assert hall.samples() == {"a01 10:00 1": 60}
    assert hall.asked() == []


def test_such_a_run_can_be_left_out_by_one_word(hall: Hall) -> None:
    hall.take(("line-1/run_1.csv", file_a_run(day="2025-13-01")))
    report = hall.answer(["drop"])
    assert report.open_codes == {}
    assert hall.counts() == [{"held": 60}]
    assert hall.sheets() == []


def test_a_fault_on_each_line_of_a_run_is_one_question(hall: Hall) -> None:
    later = day_run("João Sá", "2025-03-01T10:05:00")
    hall.take(("line-2/day.csv", day_file(day_run(), day_run("João Sá", ground="Q"), later)))
    assert hall.asked() == [("52", "not_in_map", "Q")]
    hall.answer(["H"])
    assert hall.counts() == [{"loaded": 150}]
    assert hall.runs["surface"].to_list() == ["track", "hall", "track"]


def test_an_answer_is_for_the_run_it_was_given_to(hall: Hall) -> None:
    runs = [
        day_run(ground="Q"),
        day_run("João Sá", ground="Q"),
        day_run("João Sá", "2025-03-01T11:00:00", "T"),
    ]
    hall.take(("line-2/day.csv", day_file(*runs)))
    hall.answer(["H"])
    assert hall.runs.select("athlete_id", "surface").rows() == [("a01", "hall"), ("a02", "track")]
    assert hall.asked() == [("52", "not_in_map", "Q")]
    hall.answer(["T"])
    assert hall.runs["surface"].to_list() == ["hall", "track", "track"]


def test_answers_spread_over_the_run_as_written() -> None:
    texts = pl.DataFrame(
        {
            "line": [2, 3, 4, 5, 6],
            "athlete": ["A", "A", None, None, "A"],
            "surface": ["T", "T", "T", "T", "T"],
        },
        schema_overrides={"line": pl.Int32},
    )
    given = {(3, "athlete"): "a01", (4, "time_s"): "1.0", (5, "athlete"): "a02", (4, "athlete"): "a03"}
    assert answers_for_runs(texts, given) == {
        **given, (2, "athlete"): "a01",
    }  # fmt: skip
    assert answers_for_runs(texts, {(6, "surface"): "H"}) == {(6, "surface"): "H"}


# Corrections


def test_a_correction_moves_a_run_and_its_samples(hall: Hall) -> None:
    hall.take(ROW_FILE)
    before = hall.runs["sample_set_id"].item()
    hall.correct("2025-03-02,coach,wrong athlete,line-1,,,a01,2025-03-01,,1,move,,a02")
    hall.again()
    [run] = hall.runs.to_dicts()
    assert (run["athlete_id"], run["version"], run["sample_set_id"]) == ("a02", 2, before)
    assert hall.samples() == {"a02 10:00 1": 60}
    [old] = hall.table("superseded_rows").to_dicts()
    assert (old["version"], old["cause"]) == (1, "correction")


def test_a_correction_strikes_a_run(hall: Hall) -> None:
    hall.take(ROW_FILE, ("line-1/other_2.csv", file_a_run(clock="10:05:00")))
    hall.correct("2025-03-02,coach,slipped,line-1,,,a01,2025-03-01,,1,strike,,")
    hall.again()
    assert hall.samples() == {"a01 10:05 2": 60}
    assert hall.counts() == [{"loaded": 60}, {"loaded": 60}]
    assert hall.table("superseded_rows")["cause"].to_list() == ["strike"]


def test_a_file_that_is_withdrawn_gives_the_run_back_to_the_file_before(hall: Hall) -> None:
    hall.take(ROW_FILE)
    hall.take(("line-1/new_1.csv", file_a_run(changed={10: "0,20;1,210;50,0"})))
    assert 1.21 in _positions(hall)
    newer = hall.runs["file_id"].item()
    hall.correct(f"2025-03-02,coach,exported wrongly,,{newer},,,,,,strike,,")
    hall.again()
    assert hall.runs["n_samples"].to_list() == [60]
    assert 1.21 not in _positions(hall)
    assert 1.2 in _positions(hall)


def _positions(hall: Hall) -> list[float]:
    """Positions of the current runs."""
    current = hall.table("resisted_samples").join(hall.runs, on="sample_set_id", how="semi")
    return current["position_m"].to_list()


def test_a_correction_supplies_a_fact_of_the_run_but_no_sample(hall: Hall) -> None:
    hall.take(ROW_FILE)
    hall.correct(
        "2025-03-02,coach,not exported,line-1,,,a01,2025-03-01,,,supply,surface,grass",
        "2025-03-02,coach,a sample has no correction,line-1,,,a01,2025-03-01,,,supply,position_m,3",
    )
    hall.again()
    assert hall.runs.select("surface", "version").rows() == [("grass", 2)]


# The law of rows


def test_every_sample_line_is_accounted_for_by_its_set(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    """The law fails where a sample or a run is lost."""
    dropped = [("line-2/day.csv", day_file(day_run(), day_run("João Sá")))]
    append = Warehouse.append
    for table, condition in (("resisted_samples", "line = 7"), ("resisted_runs", "athlete_id = 'a02'")):

        def losing(
            self: Warehouse, name: str, frame: pl.DataFrame, table: str = table, condition: str = condition
        ) -> None:
            kept = frame.filter(~pl.sql_expr(condition)) if name == table else frame
            assert name != table or kept.height < frame.height
            append(self, name, kept)

        with monkeypatch.context() as patch:
            patch.setattr(Warehouse, "append", losing)
            with pytest.raises(law.LawOfRows, match=r"day\.csv, line"):
                hall.take(*dropped)
        dropped = []
    hall.take()
    assert hall.counts() == [{"loaded": 100}]


def test_rebuilding_makes_the_same(hall: Hall) -> None:
    hall.take(ROW_FILE, ("line-1/bad_2.csv", file_a_run(clock="10:05:00", changed={5: "x;y;z"})))
    hall.take(("line-1/new_1.csv", file_a_run(changed={10: "0,20;1,210;50,0"})))
    hall.take(("line-2/day.csv", day_file(day_run("Nobody"), day_run())))
    names = ("resisted_runs", "resisted_samples", "superseded_rows", "line_fates", "files", "held_rows")
    before = {name: hall.table(name) for name in names}
    load_facility(hall.folder).warehouse_file.unlink()
    hall.again()
    for name, frame in before.items():
        assert hall.table(name).equals(frame), name


def test_a_file_answered_by_hand_is_read_the_same_from_the_recorded_answers(hall: Hall) -> None:
    """What is answered once for a run lies in config/answers.csv as one answer."""
    hall.take(("line-1/run_1.csv", file_a_run(who="")))
    hall.answer(["a01"])
    answers = (hall.folder / "config" / "answers.csv").read_text(encoding="utf-8").splitlines()
    assert len(answers) == 2
    file_id = hall.runs["file_id"].item()
    # The line's own answer goes before that of its run.
    own = Answer(utc_now(), "me", "line", f"{file_id}:20:missing_value:athlete", "a02")
    append_answers(hall.folder / "config", [own])
    load_facility(hall.folder).warehouse_file.unlink()
    hall.again()
    assert hall.samples() == {"a01 10:00 1": 59, "a02 10:00 1": 1}


@pytest.mark.mode(40)
def test_a_cut_export_does_not_take_the_place_of_a_whole_run(hall: Hall) -> None:
    whole = file_a_run()
    hall.take(("line-1/run_1.csv", whole))
    cut = "".join(whole.splitlines(keepends=True)[:10])
    report = hall.take(("line-1/late_1.csv", cut))
    assert report.open_codes == {"changed_at_source": 1}
    assert hall.samples() == {"a01 10:00 1": 60}
    hall.answer(["ok"])
    assert set(hall.samples().values()) == {3}
