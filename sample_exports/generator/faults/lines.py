"""Faults of lines and files: cut short, foreign bytes, open quotes, lines that tell nothing."""

from ..export import Export, Line, line_text, remade
from ..people import Roster
from .base import Act, Book, Fault, full_line, hold, place_in


def truncated() -> Act:
    """A line that breaks off."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = full_line(export)
        line.cells = line.cells[:4]
        written = line_text(export.spec, line)
        does = "holds the line"
        return [
            Fault(
                "a line cut short", export.path, hold(line, "too_few_fields"), "too_few_fields", does, written
            )
        ]

    return act


def bad_bytes() -> Act:
    """A name's accent in another encoding; only where the encoding has bytes that cannot be."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        if export.spec.encoding != "utf-8":
            return []
        for line in export.data()[8:]:
            accents = [letter for letter in line.cells[export.spec.at("athlete")] if ord(letter) > 127]
            if accents and not line.damaged:
                line.swap = (accents[0].encode("utf-8"), accents[0].encode("cp1252"))
                written = line.cells[export.spec.at("athlete")].split(accents[0])[0]
                does = "holds this line alone: its bytes are not UTF-8"
                return [
                    Fault("a foreign byte", export.path, hold(line, "bad_bytes"), "bad_bytes", does, written)
                ]
        return []

    return act


def open_quote() -> Act:
    """A quotation mark that never closes, on a line with a mass only."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = next(line for line in export.data()[5:] if len(line.numbers) == 1)
        line.text = '"' + line_text(export.spec, line)
        does = "holds this line alone: the next one starts afresh"
        return [
            Fault("a quote left open", export.path, hold(line, "open_quote"), "open_quote", does, line.text)
        ]

    return act


def _skipped(export: Export, place: int, line: Line, title: str, does: str, written: str) -> list[Fault]:
    """Puts a line in that is skipped and counted."""
    line.fate = "skipped"
    export.lines.insert(place_in(export, export.data()[place]), line)
    return [Fault(title, export.path, line, line.code, does, written)]


def repeated_header() -> Act:
    """Two exports were put together: the header comes again."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        header = [column.header for column in export.spec.columns]
        line = Line("repeated_header", header)
        return _skipped(export, 20, line, "the header again", "skips it and counts it", header[1])

    return act


def blank_lines() -> Act:
    """Two blank lines, one of them with spaces."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        does = "skips it and counts it"
        first = _skipped(export, 40, Line("blank", text=""), "a blank line", does, "")
        return first + _skipped(export, 40, Line("blank", text="  "), "a blank line with spaces", does, "  ")

    return act


def comment_line(text: str) -> Act:
    """A remark of the device."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        return _skipped(
            export, 30, Line("comment", text=text), "a remark", "skips it: the layout names the sign", text
        )

    return act


def empty_line() -> Act:
    """Somebody who was on the list but was not measured."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = export.data()[7]
        assert line.row is not None
        new = remade(export, line, roster, many={})
        new.fate, new.code = "skipped", "no_values"
        export.lines[place_in(export, line)] = new
        does = "skips it and counts it: nothing was measured"
        return [Fault("a line without values", export.path, new, "no_values", does, new.cells[1])]

    return act


def trailer() -> Act:
    """The device's own count at the end of its file."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = export.lines[-1]
        does = "skips it: the layout names it (every file of scales-1 ends so)"
        return [Fault("a total at the end", export.path, line, "", does, line.cells[0])]

    return act


def renamed_header(target: str, header: str) -> Act:
    """The software renamed a column: no layout knows the file any more."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        for line in export.lines:
            hold(line, "no_layout")
            if line.kind == "header":
                line.cells[export.spec.at(target)] = header
        does = "holds the whole file; `yardmark propose` shows a layout, `yardmark retry` takes it in"
        return [Fault("a renamed column", export.path, None, "no_layout", does, header)]

    return act
