"""One line's text to fields: quotes, and the rules that say whether the line is a row."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.reading.table import WHITESPACE, Dialect, Fault, Skip, shorten

_QUOTED = re.compile(r'"((?:[^"]++|"")*+)"')


def split_fields(text: str, delimiter: str) -> list[str] | Fault:
    """Fields of a line by RFC 4180: a quote counts at a field's start only, elsewhere it is text."""
    if '"' not in text:
        return text.split(delimiter)
    fields: list[str] = []
    position = 0
    while True:
        if text.startswith('"', position):
            quoted = _QUOTED.match(text, position)
            if quoted is None:
                return Fault("open_quote", shorten(text), 'a closing quote (") before the line ends')
            fields.append(quoted[1].replace('""', '"'))
            end = quoted.end()
            if end < len(text) and text[end] != delimiter:
                return Fault("bad_quotes", shorten(text), f"{delimiter!r} or the line's end after a quote")
        else:
            end = text.find(delimiter, position)
            end = len(text) if end < 0 else end
            fields.append(text[position:end])
        if end == len(text):
            return fields
        position = end + 1


def trimmed_names(header: Sequence[str]) -> list[str]:
    """Header names trimmed, without the empty ones at its end."""
    names = [name.strip(WHITESPACE) for name in header]
    while names and not names[-1]:
        names.pop()
    return names


@dataclass(frozen=True)
class Rules:
    """What makes a line a row of the table under `names`, the trimmed header; `columns` counts all cells."""

    delimiter: str
    comment: str
    trailers: tuple[str, ...]
    names: list[str]
    columns: int

    @classmethod
    def of(cls, dialect: Dialect, header: Sequence[str]) -> Rules:
        """Rules for a dialect and a header; ValueError where the header names nothing."""
        names = trimmed_names(header)
        if not names:
            raise ValueError("the header row has no names")
        comment = (dialect.comment or "").strip(WHITESPACE)
        trailers = (trailer.strip(WHITESPACE) for trailer in dialect.trailer)
        return cls(dialect.delimiter, comment, tuple(filter(None, trailers)), names, len(header))

    def judge(self, text: str) -> list[str] | Fault | Skip:
        """What a line of text is: the fields of a row, a fault, or a line to skip."""
        start = text.lstrip(WHITESPACE.replace(self.delimiter, ""))
        if not start:
            return Skip("blank")
        if self.comment and start.startswith(self.comment):
            return Skip("comment")
        fields = split_fields(text, self.delimiter)
        return fields if isinstance(fields, Fault) else self.judge_fields(fields, text)

    def judge_fields(self, fields: list[str], text: str) -> list[str] | Fault | Skip:
        """What a line already split is; `text` is shown in messages."""
        first = fields[0].strip(WHITESPACE)
        if self.trailers and first.startswith(self.trailers):
            return Skip("trailer")
        if first == self.names[0] and trimmed_names(fields) == self.names:
            return Skip("header")
        return self.fit(fields, text)

    def fit(self, fields: list[str], text: str) -> list[str] | Fault:
        """Fields brought to the header's width; a fault where a value has no column or a column no field."""
        width = len(self.names)
        if len(fields) < width:
            return Fault("too_few_fields", f"{len(fields)} fields: {shorten(text)}", self._expected())
        if len(fields) > width:
            if any(surplus.strip(WHITESPACE) for surplus in fields[width:]):
                return Fault("too_many_fields", f"{len(fields)} fields: {shorten(text)}", self._expected())
            fields = fields[:width]
        return fields + [""] * (self.columns - width) if width < self.columns else fields

    def _expected(self) -> str:
        return f"{len(self.names)} fields, as in the header"
