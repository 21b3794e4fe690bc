"""Who was forgotten, as salted hashes: enough to know such a name when an old export is dropped again.

Of a name that somebody guesses they still tell whether it is one; so the hash is a slow one.
"""

from __future__ import annotations

import csv
import hashlib
import secrets
from collections.abc import Collection
from datetime import datetime
from pathlib import Path

from pipeline.intake.appended import append_rows

FORGOTTEN_FILE = "forgotten_names.csv"
_HEADER = ("at", "salt", "hash")


class Forgotten:
    """The names (normalised) and ids of all who were forgotten; asked with `in`."""

    def __init__(self, salt: str = "", hashes: Collection[str] = ()) -> None:
        """All hashes of a facility have one salt."""
        self.salt = salt
        self.hashes = frozenset(hashes)
        self._asked: dict[str, bool] = {}

    def __contains__(self, name: object) -> bool:
        if not self.hashes or not isinstance(name, str):
            return False
        if name not in self._asked:
            self._asked[name] = _hash(name, self.salt) in self.hashes
        return self._asked[name]


def read_forgotten(archive: Path) -> Forgotten:
    """Who was forgotten, from the archive's own file; nobody where there is none."""
    path = archive / FORGOTTEN_FILE
    if not path.is_file():
        return Forgotten()
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return Forgotten(rows[0]["salt"] if rows else "", [row["hash"] for row in rows])


def remember_forgotten(archive: Path, names: Collection[str], at: datetime) -> None:
    """Add the hashes of names (normalised) that are not among them yet."""
    known = read_forgotten(archive)
    salt = known.salt or secrets.token_hex(16)
    new = sorted({_hash(name, salt) for name in names} - known.hashes)
    append_rows(archive / FORGOTTEN_FILE, _HEADER, [(at.isoformat(), salt, one) for one in new])


def _hash(name: str, salt: str) -> str:
    """scrypt (RFC 7914), some hundredths of a second a name."""
    return hashlib.scrypt(name.encode(), salt=bytes.fromhex(salt), n=2**13, r=8, p=1, dklen=16).hex()
