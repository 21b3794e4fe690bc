"""On which line of a TOML text each key and array entry stands, which the standard reader does not tell."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r"""[ \t]*("(?:\\.|[^"\\\n])*"|'[^'\n]*'|[A-Za-z0-9_-]+)[ \t]*""")
_SCALAR = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|[^,\]}#\n]+",
    re.DOTALL,
)


def key_lines(text: str) -> dict[Path, int]:
    """Path of every table, key and array entry -> its line, from 1. `text` must be valid TOML."""
    return _Scanner(text).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.starts = [0, *(found.end() for found in re.finditer("\n", text))]
        self.lines: dict[Path, int] = {}
        self.last_index: dict[Path, int] = {}

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        while self._skip_blank():
            if self._take("[["):
                table = self._header(is_array=True)
            elif self._take("["):
                table = self._header(is_array=False)
            else:
                self._entry(table)
        return self.lines

    def _skip_blank(self) -> bool:
        """Go to the next thing that is no blank and no comment; False at the end."""
        found = _BLANK.match(self.text, self.at)
        self.at = found.end() if found else self.at
        return self.at < len(self.text)

    def _take(self, mark: str) -> bool:
        if self.text.startswith(mark, self.at):
            self.at += len(mark)
            return True
        return False

    def _record(self, path: Path, line: int) -> None:
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _line(self) -> int:
        return bisect_right(self.starts, self.at)

    def _dotted_key(self) -> Path:
        parts: list[str] = []
        while found := _KEY.match(self.text, self.at):
            self.at = found.end()
            word = found[1]
            parts.append(tomllib.loads(f"k = {word}")["k"] if word[0] in "\"'" else word)
            if not self._take("."):
                break
        return tuple(parts)

    def _header(self, is_array: bool) -> Path:
        """The path of a table header, with the index of the last entry of each array of tables in it."""
        line = self._line()
        keys = self._dotted_key()
        self._take("]]" if is_array else "]")
        path: Path = ()
        for i, key in enumerate(keys):
            path = (*path, key)
            if is_array and i == len(keys) - 1:
                self.last_index[path] = self.last_index.get(path, -1) + 1
            if path in self.last_index:
                path = (*path, self.last_index[path])
        self._record(path, line)
        return path

    def _entry(self, table: Path) -> None:
        line = self._line()
        path = (*table, *self._dotted_key())
        self._record(path, line)
        self._take("=")
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip_blank()
        if self._take("["):
            self._array(path)
        elif self._take("{"):
            while self._skip_blank() and not self._take("}"):
                if not self._take(","):
                    self._entry(path)
        elif found := _SCALAR.match(self.text, self.at):
            self.at = found.end()

    def _array(self, path: Path) -> None:
        index = 0
        while self._skip_blank() and not self._take("]"):
            if not self._take(","):
                self._record((*path, index), self._line())
                self._value((*path, index))
                index += 1
