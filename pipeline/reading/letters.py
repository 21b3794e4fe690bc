"""Names in plain letters, so that one name written in two ways is one text."""

from __future__ import annotations

import unicodedata

# Letters that are no letter with a mark to Unicode, as keyboards and devices without them write them.
_AS_WRITTEN = str.maketrans(
    {"ø": "o", "ł": "l", "đ": "d", "ð": "d", "ħ": "h", "ı": "i", "ŧ": "t", "æ": "ae", "œ": "oe", "þ": "th"}
)


def plain_letters(text: str) -> str:
    """A text in lower case without accents, strokes and joined letters."""
    folded = unicodedata.normalize("NFKD", text).casefold()
    bare = "".join(letter for letter in folded if not unicodedata.combining(letter))
    return bare.translate(_AS_WRITTEN)
