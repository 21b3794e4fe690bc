"""Every code a line, a row or a value can carry: its sentence, its threshold, what it does, what helps.

`effect` is one of
`holds_file` the whole file waits, `holds_line` the line waits, `note` it is shown and changes nothing,
`flags` the value is kept and used, `excludes` the value is kept and left out of results.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Effect = Literal["holds_file", "holds_line", "note", "flags", "excludes"]


@dataclass(frozen=True)
class Code:
    """A code with the sentence people read. `remedy` says what to do; `threshold` the number behind it."""

    code: str
    sentence: str
    effect: Effect
    remedy: str
    threshold: str | None = None


_RAW = "Export the file again from the device, or correct this cell in the sheet's answer column."
_LINE = "Export the file again from the device, or answer `drop` to leave the line out."
_LAYOUT = "Mend the layout in config/layouts, then run `yardmark retry`."

_ALL = (
    # The whole file
    Code(
        "no_layout",
        "No layout recognises this file.",
        "holds_file",
        "Check the folder and the header row, or write a layout in config/layouts; "
        "then run `yardmark retry`.",
    ),
    Code(
        "original_damaged",
        "What the archive has of this file is not what was dropped.",
        "holds_file",
        "Put the original back from a backup, or drop it into the inbox again; then run `yardmark retry`.",
    ),
    Code(
        "two_layouts",
        "More than one layout claims this file.",
        "holds_file",
        "Make the [match] part of one of the layouts narrower, then run `yardmark retry`.",
    ),
    Code(
        "faulty_layout",
        "The layout that would read this file has mistakes.",
        "holds_file",
        "Run `yardmark check`, mend the layout, then run `yardmark retry`.",
    ),
    Code("missing_column", "A column that the layout maps is not in the header row.", "holds_file", _LAYOUT),
    Code(
        "duplicate_header",
        "A mapped column name occurs twice in the header row.",
        "holds_file",
        "Rename one of the columns in the device's export settings, and export again.",
    ),
    Code(
        "missing_preamble",
        "A value that the layout takes from above the header row is not there.",
        "holds_file",
        _LAYOUT,
    ),
    Code(
        "name_pattern",
        "The file's name does not fit the pattern that the layout takes a value from.",
        "holds_file",
        "Rename the file as the layout expects and drop it again, or mend the layout.",
    ),
    Code(
        "undecodable", "The file can't be read in the encoding that the layout names.", "holds_file", _LAYOUT
    ),
    Code("empty_file", "The file is empty.", "holds_file", "Export it again from the device."),
    Code(
        "unreadable",
        "The file is of a kind that can't be read.",
        "holds_file",
        "Export as CSV or as a workbook (.xlsx) and drop that.",
    ),
    Code(
        "too_large",
        "The file is over the size limit.",
        "holds_file",
        "Export a shorter period, or raise `max_file_mb` in facility.toml; then drop it again.",
        "max_file_mb in facility.toml, default 2000",
    ),
    Code(
        "own_output",
        "The file is one that yardmark wrote for people to read.",
        "holds_file",
        "Nothing to do. Answers go into the sheets of held/, corrections into config/corrections.csv.",
    ),
    # The line as text
    Code("bad_bytes", "The line has bytes that the layout's encoding does not know.", "holds_line", _LINE),
    Code(
        "line_too_long",
        "The line is longer than any row of a table.",
        "holds_line",
        _LINE,
        "1,000,000 signs",
    ),
    Code("open_quote", "A quoted field is not closed on this line.", "holds_line", _LINE),
    Code("bad_quotes", "Text follows a closing quote.", "holds_line", _LINE),
    Code("too_few_fields", "The line has fewer fields than the header row.", "holds_line", _LINE),
    Code("too_many_fields", "The line has more fields than the header row.", "holds_line", _LINE),
    # The cell
    Code("missing_value", "A value that every row of this family needs is empty.", "holds_line", _RAW),
    Code("not_a_number", "This is not a number as the layout says numbers are written.", "holds_line", _RAW),
    Code("bad_date", "This is not a date or time as the layout says they are written.", "holds_line", _RAW),
    Code(
        "not_in_map",
        "The layout's map does not know this word.",
        "holds_line",
        "Add the word to the map in the layout, then run `yardmark retry`; or answer with the right word.",
    ),
    Code(
        "not_allowed",
        "This word is not one of those that the field knows.",
        "holds_line",
        "Map it in the layout, then run `yardmark retry`; or answer with one of the known words.",
    ),
    Code(
        "unknown_unit",
        "This unit is not known, or is of another kind than the field needs.",
        "holds_line",
        "Mend the unit in the layout or in the export.",
    ),
    Code(
        "undeclared_test",
        "The facility has not declared this test.",
        "holds_line",
        "Declare it in config/metrics.toml as [other_tests.NAME], or map the word in the layout; "
        "then run `yardmark retry`.",
    ),
    Code(
        "spreadsheet_damage",
        "A spreadsheet cut this number to a few digits with an exponent.",
        "holds_line",
        "Export the file again from the device and drop it as it is, without opening it in a spreadsheet; "
        "or answer with the right value.",
        "a number like 1.83E+00: at most three digits, a capital E and two digits of exponent",
    ),
    Code(
        "out_of_range",
        "The value is outside what is physically possible.",
        "holds_line",
        "Answer with the right value, as the export would write it, or `drop` to leave the line out. Where "
        "most lines of a file say this, look at the unit in its layout; then run `yardmark retry`.",
        "hard limits of the field",
    ),
    Code(
        "in_future",
        "The time lies after the file was received.",
        "holds_line",
        "Where one line is wrong, answer with the right time, as the export would write it, or `drop`. Where "
        "the device's clock is, set it, and record its offset as [[devices.X.clock]] in facility.toml; then "
        "run `yardmark retry`.",
        "36 hours after the file was received",
    ),
    Code(
        "before_device",
        "The time lies before the device came into use.",
        "holds_line",
        "Record the clock's offset as [[devices.X.clock]], or mend `since` of the device, in facility.toml; "
        "then run `yardmark retry`.",
        "`since` of the device",
    ),
    # The person
    Code(
        "unknown_name",
        "Nobody on the roster is written like this.",
        "holds_line",
        "Answer with an athlete_id, or `new` for a new person, or `drop`.",
    ),
    Code(
        "ambiguous_name",
        "More than one athlete is written like this.",
        "holds_line",
        "Answer with the athlete_id that is meant. To be asked no more, write them apart on the device, and "
        "put both spellings into the aliases of athletes.csv.",
    ),
    Code(
        "guest",
        "This name is on the facility's list of guests.",
        "holds_line",
        "Nothing to do. To keep the rows, put the person on the roster.",
    ),
    Code(
        "forgotten",
        "This is somebody who was forgotten.",
        "holds_line",
        "Nothing to do: the line is left out. `yardmark forget FACILITY --again` empties it in the archive.",
    ),
    # Against other rows
    Code(
        "key_conflict",
        "Two lines of this file say different things about the same trial.",
        "holds_line",
        "Answer `ok` on the line to keep and `drop` on the other.",
    ),
    Code(
        "changed_at_source",
        "A later export changes this value by more than is usual for a correction.",
        "holds_line",
        "Answer `ok` to take the new value, or `drop` to keep the old.",
        "10 %; of a trace the number of samples",
    ),
    Code(
        "possible_reexport",
        "This may be a second session, or a corrected export of the first.",
        "holds_line",
        "Answer `second_session` or `correction`.",
    ),
    # On rows and values
    Code(
        "gap",
        "Samples of the trace are missing.",
        "flags",
        "Answer the lines that are held; else look at the trace, and repeat the run if it matters.",
        "a step longer than 1.5 median steps, or a held line within the run's lines or next to them",
    ),
    Code(
        "witness_disagrees",
        "What the device computed itself is far from what its raw quantities give; only the latter is used.",
        "flags",
        "Look at the column and its unit in the layout, and at how the device is set.",
        "jump height 0.5 cm + 2 %; reactive strength 0.05 m/s + 5 %; speed between gates 0.05 m/s + 2 %; "
        "mean velocity of a trace 0.05 m/s + 5 %; highest velocity of a run or of a bar's set 0.05 m/s "
        "+ 10 %; repetitions of a set 0; sum of folds 0.5 mm + 2 %; highest force of the neck 0.5 N + 1 %",
    ),
    Code(
        "trace_short",
        "The trace ends too early for a plateau velocity.",
        "flags",
        "Let the device record to the end of the run.",
        "5 m of running",
    ),
    Code(
        "trace_not_rising",
        "Within the trace time stands still or the position goes back.",
        "excludes",
        "Look at the trace, and whether two runs have one time; strike it in config/corrections.csv.",
        "no time between two samples, or 5 cm back",
    ),
    Code(
        "plateau_not_reached",
        "The run was still getting faster: the fastest 5 m are no plateau, and no point of a load line.",
        "flags",
        "Let the athlete run further: 30 m or more.",
        "95 % of the run's modelled maximum",
    ),
    Code(
        "unloaded_differs",
        "The run without load was not as fast as the line says: trust neither the line nor its loads.",
        "flags",
        "Look at the loads, and run lighter ones too.",
        "5 % between the plateau without load and the line's height there",
    ),
    Code(
        "start_not_recorded",
        "The run had begun before the first sample.",
        "flags",
        "Start the recording before the athlete moves.",
        "faster than 1 m/s in the first 0.15 s",
    ),
    Code(
        "resistance_off",
        "The force in the line on the plateau is not the resistance that was set: a wrong setting, or slack.",
        "flags",
        "Look at the setting and the line; the measured force counts.",
        "10 % of the resistance",
    ),
    Code(
        "removed_at_source",
        "A later export gives this trial to another athlete.",
        "flags",
        "Look which is right; strike the wrong one in config/corrections.csv.",
    ),
    Code(
        "gone_at_source",
        "A later export covers the time of this trial and leaves it out.",
        "flags",
        "Was it deleted on the device on purpose? Answer in held/suspects.csv: `drop` to strike it, `ok` "
        "to keep it.",
        "an export of the same layout with at least half of what was known of that day",
    ),
    Code(
        "time_ambiguous",
        "The clock was changed at this hour, so the time is one of two.",
        "flags",
        "Nothing to do; the date is right.",
        "a folded or skipped hour",
    ),
    Code(
        "order_unknown",
        "Several trials have one time and no number, so nothing says which was done first.",
        "flags",
        "Map the trial's number or the time with seconds in the layout; warm-ups and odd landings are not "
        "looked for here.",
        "equal times, or a date only, and no number",
    ),
    Code(
        "warm_up",
        "A warm-up: marked so, or a first trial far below the later ones.",
        "excludes",
        "Nothing to do. Where every trial counts, set `all_trials_count = true` for the device.",
        "unmarked: below 90 % of the best and 3 trial errors below the median of two or more later trials",
    ),
    Code("failed", "Marked as a failed trial.", "excludes", "Nothing to do."),
    Code(
        "split_not_rising",
        "The run's times do not rise from gate to gate, and this gate may be the wrong one.",
        "excludes",
        "Look at the gates, and at the names of the columns where many runs say this; strike or correct the "
        "run in config/corrections.csv.",
    ),
    Code(
        "interval_too_fast",
        "Faster between two gates than anybody can run.",
        "excludes",
        "Look at the gate's place and trigger.",
        "12.6 m/s between two gates",
    ),
    Code(
        "wind_strong",
        "A strong wind blew along the run, which no formula takes out of a short sprint.",
        "flags",
        "Compare with runs in a like wind, or test again.",
        "over 2 m/s, with or against the run: the limit of records (World Athletics, from memory)",
    ),
    Code(
        "range_hard",
        "Outside what is possible for this quantity, so no value is used.",
        "excludes",
        "Look at the trial; correct it in config/corrections.csv.",
        "hard limits in the catalogue",
    ),
    Code(
        "range_soft",
        "Unusual for this quantity.",
        "flags",
        "Look at the trial.",
        "soft limits in the catalogue",
    ),
    Code(
        "few_hops",
        "Too few hops of the series count, so there is no value.",
        "excludes",
        "Repeat the series.",
        "5 hops, the first set aside",
    ),
    Code(
        "hops_not_ten",
        "Not ten hops were tried: a mean of the best five grows with the number tried, so there is no value.",
        "excludes",
        "Repeat the series with ten hops.",
        "10 hops",
    ),
    Code(
        "side_difference_in_noise",
        "No larger than what measuring equal sides gives: no side can be called the stronger.",
        "flags",
        "Nothing to do: look at several sessions.",
        "1.96 times the typical error between days",
    ),
    Code(
        "equation_outside",
        "Outside the ages or the folds that the equation was made for, so there is no estimate.",
        "excludes",
        "Nothing to do: look at the sum of folds.",
        "the ages of the equation; the sum at which its parabola turns",
    ),
    Code(
        "contact_long",
        "From every box the contact was too long for reactive strength, so no height is chosen.",
        "excludes",
        "Try lower boxes, or wait until contacts are shorter.",
        "mean contact up to 0.25 s",
    ),
    Code(
        "push_off_unknown",
        "Body mass or push-off distance is not known, so loaded jumps give no force and velocity.",
        "excludes",
        "Measure the push-off distance (leg length stretched to the toes, less the height of the hip at the "
        "lowest point) and weigh the athlete.",
    ),
    Code(
        "few_loads",
        "Too few loads, or too near each other, for a line.",
        "excludes",
        "Test four loads or more, from light to heavy.",
        "4 loads; jumps: over 60 % of body mass, or down to a jump of 15 cm; lifts: over 0.4 m/s",
    ),
    Code(
        "line_not_falling",
        "The line rises where it must fall, so the points say nothing.",
        "excludes",
        "Look at the loads and whether each trial was done with full intent; repeat the test.",
    ),
    Code(
        "points_off_line",
        "The points lie too far from one line.",
        "excludes",
        "Look for a wrong load or a slack trial; repeat the test.",
        "jumps: 8 % of the height; lifts: 8 % of the heaviest load",
    ),
    Code(
        "velocity_at_maximum_unknown",
        "No velocity at the maximum is known for this lift, or none is valid (deadlifts): no estimate.",
        "excludes",
        "Nothing to do; or name the lift as the catalogue does, or measure a lifted maximum with the device.",
    ),
    Code(
        "far_from_maximum",
        "The heaviest load was too light to tell the maximum from.",
        "excludes",
        "Test a heavier load, with spotters and a coach's yes.",
        "mean velocity up to 0.35 m/s above that at the maximum",
    ),
    Code(
        "maximum_performed",
        "A maximum of this lift was performed within 12 weeks: it holds, not the estimate.",
        "excludes",
        "Nothing to do.",
        "84 days",
    ),
    Code(
        "stature_unknown",
        "Stature is not known, so 1.75 m stands in its place in the drag of the air.",
        "flags",
        "Measure the stature; 10 cm more or less move the values by less than 0.2 %.",
        "1.75 m",
    ),
    Code(
        "length_provisional",
        "A body length is from a later reading, or one over a year old.",
        "flags",
        "Measure it again.",
        "365 days",
    ),
    Code("not_max_intent", "Not lifted as fast as possible.", "excludes", "Nothing to do."),
    Code(
        "beyond_third_rep",
        "After the third repetition of its set, where fatigue counts: not in the session's value.",
        "excludes",
        "Nothing to do.",
        "3 repetitions",
    ),
    Code(
        "mean_above_peak",
        "A mean velocity is above the peak velocity, so one of them is wrong.",
        "excludes",
        "Look at the columns of the export; correct or strike the repetition in config/corrections.csv.",
    ),
    Code(
        "box_height_unknown",
        "The height of the box is not known, so this compares with nothing else.",
        "flags",
        "Supply drop_height_m in config/corrections.csv or in the layout.",
    ),
    Code(
        "start_offset_unknown",
        "How far behind the first gate the run began is not known.",
        "flags",
        "Supply start_offset_m in the layout or in config/corrections.csv.",
    ),
    Code(
        "side_unknown",
        "The side is not known, so it is left out of comparisons of the two sides.",
        "flags",
        "Map the side in the layout, or supply it in config/corrections.csv.",
    ),
    Code(
        "single_reading",
        "Only one reading at this site, so nothing tells a slip from a fold.",
        "flags",
        "Take two readings at each site.",
        "fewer than 2 readings of a measurer in the session",
    ),
    Code(
        "third_reading_due",
        "The two readings at this site are far apart, and there is no third.",
        "flags",
        "Take a third reading: the median of three holds, whichever of the two was wrong.",
        "more than 5 % and more than 0.5 mm apart",
    ),
    Code(
        "set_up_unknown",
        "The posture or the lever arm is not known, so this compares only with others of which it is not.",
        "flags",
        "Map posture and lever_arm_m in the layout, or supply them in config/corrections.csv.",
    ),
    Code(
        "mass_provisional",
        "Body mass is from a later reading, or one more than 14 days away: left out of norms.",
        "flags",
        "Weigh the athlete at the next session.",
        "14 days",
    ),
    Code(
        "familiarisation",
        "First session of a new kind of test: left out of norms, because people learn.",
        "flags",
        "Nothing to do.",
        "the first session of a series, where the metric is learned",
    ),
    Code(
        "not_fully_available",
        "The athlete was not fully available that day: left out of norms.",
        "flags",
        "Nothing to do.",
    ),
    # Against the athlete's own level and the others of that day
    Code(
        "identity_suspect",
        "These may be somebody else's trials, so they wait for an answer.",
        "excludes",
        "Answer in held/suspects.csv: `ok` where it is him, the athlete_id of whose they are, or `drop`.",
        "a whole run of trials more than 4 within-athlete SDs off the own level and within 2 of the level of "
        "who was tested before or after, or was expected; or somebody who was away that day",
    ),
    Code(
        "unit_suspect",
        "A unit's ratio away from the athlete's own level, so it waits for an answer.",
        "excludes",
        "Answer in held/suspects.csv: `convert` as proposed, `ok` where the value is right, or `drop`.",
        "within 4 % (or 2 SDs, at most 10 %) of a ratio of units, and more than 4 SDs off the own level",
    ),
    Code(
        "session_shift",
        "Most moved the same way that day, which is the set-up rather than the people.",
        "flags",
        "Look at the set-up of that day (surface, gates, settings) before reading a change into it.",
        "4 athletes or more, 3 in 4 of them the same way, their median 0.75 SDs and 4 standard errors off",
    ),
    Code(
        "test_suspect",
        "This looks like another test: squat above countermovement jump, or two sides or directions swapped.",
        "flags",
        "Answer in held/suspects.csv: `swap` where the two are mixed up, `ok` where they are right, or "
        "`drop`; single trials are relabelled in config/corrections.csv.",
        "2 trial errors; sides and directions: 4 SDs from the own difference and within 2 of its mirror",
    ),
    Code(
        "landing_suspect",
        "Far above the own level and not met again: perhaps landed with bent knees. Not taken as a best.",
        "flags",
        "Look at the landing; repeat the jump. Answer in held/suspects.csv: `ok` where it was sound, or "
        "`drop`.",
        "3 SDs above the own level, the next two jumps 2 trial errors lower",
    ),
    Code(
        "protocol_suspect",
        "All of a session's jumps are higher at once by as much as an arm swing gives.",
        "flags",
        "Ask whether the hands stayed on the hips. Answer in held/suspects.csv: `ok` where they did, "
        "`free` where not, or `drop`.",
        "+10 to +38 % and 3 SDs above the own level",
    ),
    Code(
        "partial_repetition",
        "The bar moved less far than this athlete moves it: no whole repetition.",
        "excludes",
        "Nothing to do; strike it in config/corrections.csv to be rid of it.",
        "70 % of the athlete's own median range of motion, 6 repetitions or more",
    ),
    Code(
        "range_changed",
        "The whole set moved over another range than is this athlete's: the line hung askew, or it was "
        "another lift. It is in no load-velocity line.",
        "flags",
        "Look how the sensor was fixed, and whether the lift is the one written down; strike or correct it "
        "in config/corrections.csv.",
        "10 % off the median range of the other days, of 6 repetitions or more",
    ),
    Code(
        "trial_missing",
        "The trial before this one is not there: it was deleted on the device, struck, or its line waits.",
        "flags",
        "Keep failed trials, marked as such: how many fail is information, and the best of a few is no "
        "level.",
        "1 to 3 numbers left out of an athlete's in a session, that begin at 1",
    ),
    Code(
        "mass_jump",
        "Far from the last mass: a wrong number, another scale, or clothes and a meal.",
        "flags",
        "Weigh the athlete again, at the same time of day; a wrong reading is corrected in "
        "config/corrections.csv.",
        "3 % within 7 days, 7 % within 30 (methods; in a growing athlete 7 % a month is no growth)",
    ),
    Code(
        "few_trials",
        "Fewer trials than the summary asks for.",
        "flags",
        "Plan one more trial.",
        "min_trials in the catalogue",
    ),
)

CODES: dict[str, Code] = {code.code: code for code in _ALL}
EXCLUDING: frozenset[str] = frozenset(c.code for c in _ALL if c.effect == "excludes")
