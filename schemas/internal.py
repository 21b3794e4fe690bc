"""Tables that stay inside the warehouse: what was read, append-only, before anybody asked whose it is."""

from __future__ import annotations

from schemas.core import Family, Field, Table
from schemas.families import FAMILIES

_DROPS = (
    Field("drop_no", "integer", "Place of the drop in archive/index.csv, the first being 1.", unit="count"),
    Field("drop_id", "text", "Id of the drop."),
    Field("file_id", "text", "SHA-256 of the content."),
    Field("path", "text", "Path below the inbox."),
    Field("received_at", "timestamp", "When it was taken in.", unit="UTC"),
    Field("written_at", "timestamp", "When the dropped file was last written.", unit="UTC"),
    Field("layout", "text", "Layout that read it; NULL: none."),
    Field("family", "text", "Device family; NULL: not known."),
    Field("device", "text", "Device of the layout."),
    Field("method_version", "text", "Method version of the layout."),
    Field("timezone", "text", "Time zone that the layout's times are written in."),
    Field("state", "text", "What reading gave.", values=("read", "held", "rejected", "repeated")),
    Field(
        "n_lines", "integer", "Lines after the header row; all lines where it is held whole.", unit="count"
    ),
    Field("first_line", "integer", "First line after the header row.", unit="count"),
    Field("unmapped", "text", "Columns neither mapped nor ignored."),
    Field("by_line", "boolean", "Whether a line is one trial that unpivots to several rows."),
)
_PROBLEMS = (
    Field("drop_no", "integer", "Drop.", unit="count"),
    Field("line", "integer", "Line; NULL: the whole file.", unit="count"),
    Field("code", "text", "Code."),
    Field("field", "text", "Field, with the export's column in brackets where several feed it."),
    Field("seen", "text", "What was seen."),
    Field("reason", "text", "Why, in plain words."),
)
_SKIPPED = (
    Field("drop_no", "integer", "Drop.", unit="count"),
    Field("line", "integer", "Line.", unit="count"),
    Field("why", "text", "Why it is skipped."),
)
_SLOTS = (
    Field("session_id", "text", "Session."),
    Field("session_date", "date", "Date of the session."),
    Field("slot", "text", "Slot of the session."),
)
_SUSPECTS = (
    Field("code", "text", "What is suspected."),
    Field("athlete_id", "text", "Whose trials they are as filed; NULL: of several athletes."),
    Field("device", "text", "Device."),
    Field("local_date", "date", "Day; of several the first."),
    Field("first_at", "timestamp", "When the first of them was done.", unit="UTC"),
    Field("last_at", "timestamp", "When the last of them was done.", unit="UTC"),
    Field("n_trials", "integer", "Trials, or values, that are asked about.", unit="count"),
    Field("like_athlete_id", "text", "Whose level they are like."),
    Field("away", "real", "Within-athlete SDs that they are away from the own level.", unit="1"),
    Field("test", "text", "Test, or quantity, of the values."),
    Field("field", "text", "Column of the values."),
    Field("ratio", "real", "Ratio to the own level that another unit would make.", unit="1"),
    Field("value", "real", "First value asked about.", unit="any"),
    Field("proposed", "real", "That value, converted.", unit="any"),
    Field("unit", "text", "Unit of both."),
    Field("complete", "boolean", "Whether all values of these lines are asked about, so can be converted."),
    Field("places", "text", "Lines of files that they were read from."),
)
_READ_HEAD = (
    Field("drop_no", "integer", "Drop.", unit="count"),
    Field("line", "integer", "Line.", unit="count"),
    Field("seq", "integer", "Order of the row in its file.", unit="count"),
    Field("written_name", "text", "The athlete as written."),
    Field("local", "timestamp", "Time as written.", unit="local"),
    Field("utc", "timestamp", "Instant, where the text itself gives it.", unit="UTC"),
    Field("seconds_known", "boolean", "Whether the time has seconds."),
    Field("time_known", "boolean", "Whether there is a time of day."),
    Field("slot_text", "text", "The layout's session."),
    Field("line_hash", "bigint", "Hash of the line's text.", unit="1"),
    Field("mark", "text", "The operator's mark.", values=("ok", "warm_up", "failed")),
)

DROPS = Table("_drops", "a drop, as read", tuple(f.name for f in _DROPS), ("drop_no",), published=False)
PROBLEMS = Table(
    "_problems",
    "a reason found on reading that a line or file waits",
    tuple(f.name for f in _PROBLEMS),
    (),
    published=False,
)
SLOTS = Table(
    "_session_slots",
    "a session's date and slot",
    tuple(f.name for f in _SLOTS),
    ("session_id",),
    published=False,
)
SUSPECTS = Table(
    "_suspects",
    "a question about trials that screening asks",
    tuple(f.name for f in _SUSPECTS),
    ("code", "places", "field", "test", "ratio"),
    published=False,
)
SKIPPED = Table(
    "_skipped", "a line of a drop that carries nothing", tuple(f.name for f in _SKIPPED), (), published=False
)


def read_table(family: Family) -> Table:
    """The table of a family's rows as read."""
    names = tuple(f.name for f in read_fields(family))
    return Table(f"_read_{family.table}", "a row as read", names, (), published=False, words_checked=True)


def read_fields(family: Family) -> tuple[Field, ...]:
    """Fields of a family's rows as read: who and when as written, its own columns, and `quantum_` of each
    measured value: the size of the last decimal place of its text, in SI (not of samples)."""
    measured = () if family.trace else family.values
    quanta = tuple(
        Field(f"quantum_{name}", "real", f"Last decimal place of {name}.", unit=family.field(name).unit)
        for name in measured
    )
    return (*_READ_HEAD, *family.columns, *quanta)


INTERNAL: dict[str, tuple[Table, tuple[Field, ...]]] = {
    "_drops": (DROPS, _DROPS),
    "_problems": (PROBLEMS, _PROBLEMS),
    "_skipped": (SKIPPED, _SKIPPED),
    "_session_slots": (SLOTS, _SLOTS),
    "_suspects": (SUSPECTS, _SUSPECTS),
    **{read_table(f).name: (read_table(f), read_fields(f)) for f in FAMILIES.values()},
}
