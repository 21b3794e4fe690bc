"""The trade's words, as data: what exports call a column, what they write for it, how they spell a unit."""

from __future__ import annotations

import math
import re
import tomllib
import unicodedata
from collections import Counter
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from rapidfuzz.distance import OSA

Tokens = tuple[str, ...]

COLUMNS, PEOPLE = "columns.toml", "people.toml"

_CLEAR = 0.05  # how much likelier than the next a word must be: `left flexion` is neither
_UNKNOWN_WEIGHT = 0.6  # what a token that no list has weighs, beside the rarest known ones' 1


def plain(text: str) -> str:
    """A text in lower case without accents, words parted by one blank: `Flight-Time` is `flight time`."""
    text = re.sub("[ºª°]", " ", text.replace("ß", "ss"))
    parted = re.sub(r"(?<=[a-zà-öø-ÿ])(?=[A-ZÀ-ÖØ-Þ])", " ", text)
    letters = unicodedata.normalize("NFKD", parted).casefold()
    bare = "".join(letter for letter in letters if not unicodedata.combining(letter))
    return " ".join(re.findall(r"[a-z]+|[0-9]+", bare))


def tokens_of(text: str) -> Tokens:
    """The words of a name that tell something; all of them where none does."""
    words = tuple(plain(text).split())
    telling = tuple(word for word in words if word not in common("stop") and not word.isdigit())
    return telling or words


@cache
def _data(name: str) -> dict[str, Any]:
    return tomllib.loads(files(__package__).joinpath(name).read_text(encoding="utf-8"))


@cache
def common(kind: str) -> frozenset[str]:
    """Small words of a kind, as they are written in `common.toml`."""
    return frozenset(_data("common.toml")[kind].split())


@cache
def column_phrases(book: str = COLUMNS) -> dict[str, tuple[Tokens, ...]]:
    """Target or role -> what it is called, in every language; `book` is one of the lists of this package."""
    return {
        target: tuple(
            dict.fromkeys(
                tokens_of(phrase) for key, said in lists.items() if key != "typical" for phrase in said
            )
        )
        for target, lists in _data(book).items()
    }


@cache
def typical_range(target: str) -> tuple[float, float] | None:
    """What a hall sees most of a field, in its own unit; None where nothing is said."""
    found = _data(COLUMNS).get(target, {}).get("typical")
    return (float(found[0]), float(found[1])) if found else None


@cache
def _weights(book: str) -> dict[str, float]:
    """How much each known token tells: less, the more targets have it in their names."""
    counts = Counter(
        token
        for phrases in column_phrases(book).values()
        for token in {token for phrase in phrases for token in phrase}
    )
    weights = {token: 1 / (1 + math.log(count)) for token, count in counts.items()}
    faint = common("number") | common("date") if book == PEOPLE else common("number")
    return weights | dict.fromkeys(faint, 0.15)


@cache
def alike(one: str, other: str) -> float:
    """How much an export's word is a word of the list (`other`), 0 to 1: same, shortened, or compounded."""
    if one == other:
        return 1.0
    if len(one) >= 3 and other.startswith(one):
        return 0.8 + 0.2 * len(one) / len(other) if len(one) > 3 else 0.75
    if len(other) >= 4 and one.startswith(other):
        return 0.75 + 0.2 * len(other) / len(one)
    if len(other) >= 4 and other in one:
        return 0.5 + 0.4 * len(other) / len(one)
    if min(len(one), len(other)) >= 5:
        same = OSA.normalized_similarity(one, other)
        return same * 0.95 if same >= 0.75 else 0.0
    return 0.0


def _overlap(said: Tokens, phrase: Tokens, weight: dict[str, float] | None) -> float:
    """Shared weight of two phrases over their weight, 0 to 1; without `weight` all tokens weigh alike."""

    def weigh(token: str) -> float:
        return 1.0 if weight is None else weight.get(token, _UNKNOWN_WEIGHT)

    matched = 0.0
    left = list(said)
    closeness: dict[str, float] = {}
    for token in phrase:
        best = max(left, key=lambda one: alike(one, token), default="")
        close = alike(best, token) if best else 0.0
        if close == 0 and weight is None and best == "":
            continue
        if close == 0 and weight is None:
            initials = [one for one in left if len(one) <= 2 and token.startswith(one)]
            best, close = (initials[0], 0.6) if initials else ("", 0.0)
        if close > 0:
            left.remove(best)
            closeness[best] = weigh(token)
            matched += close * weigh(token)
    total = sum(weigh(token) for token in phrase)
    total += sum(closeness.get(token, weigh(token)) for token in said)
    return 2 * matched / total if total else 0.0


@cache
def name_score(name: str, target: str, book: str = COLUMNS) -> float:
    """How much a column's name (its unit taken off) says that it is a target, 0 to 1."""
    said = tokens_of(name)
    if not said:
        return 0.0
    weights = _weights(book)
    phrases = column_phrases(book).get(target, ())
    return max((_overlap(said, phrase, weights) for phrase in phrases), default=0.0)


@cache
def _word_phrases(field: str) -> tuple[tuple[str, Tokens], ...]:
    said = _data("values.toml").get(field, {})
    return tuple(
        (word, tokens)
        for word, phrases in said.items()
        for phrase in (word.replace("_", " "), *phrases)
        if (tokens := tuple(plain(phrase).split()))
    )


def has_words(field: str) -> bool:
    """Whether there is a list of what exports write for a field's words."""
    return bool(_word_phrases(field))


@cache
def word_of(field: str, text: str, among: Sequence[str] = ()) -> tuple[str, bool] | None:
    """The word of a field that a text means, and whether the list has it so; None where it is like none.

    `among` narrows it to words that a family knows.
    """
    said = tuple(plain(text).split())
    if not said:
        return None
    scores: dict[str, float] = {}
    for word, phrase in _word_phrases(field):
        if among and word not in among:
            continue
        if phrase == said:
            return word, True
        scores[word] = max(scores.get(word, 0.0), _word_score(said, phrase))
    first, second = sorted([*scores.values(), 0.0, 0.0], reverse=True)[:2]
    if first < 0.75 or first - second < _CLEAR:
        return None
    return max(scores, key=lambda word: scores[word]), False


def _word_score(said: Tokens, phrase: Tokens) -> float:
    """Likeness of a cell and a listed phrase; a phrase within a longer cell counts by what it covers."""
    if max(map(len, said)) <= 2 and len(said) == 1:
        return 0.0
    score = _overlap(said, phrase, None)
    if score < 0.75 and sum(map(len, phrase)) >= 4 and set(phrase) <= set(said):
        return 0.75 + 0.01 * sum(map(len, phrase))
    return score


@cache
def _spellings() -> dict[str, str]:
    return {
        squeezed(spelling): unit
        for unit, spellings in _data("units.toml").items()
        for spelling in (*spellings, unit)
        if spelling != "none"
    }


def squeezed(text: str) -> str:
    """A unit's spelling as it is compared: without blanks, case, accents and a final full stop."""
    letters = unicodedata.normalize("NFKD", text.replace("º", "°").replace("ß", "ss")).casefold()
    bare = "".join(letter for letter in letters if not unicodedata.combining(letter))
    return re.sub(r"[\s_]+", "", bare).rstrip(".")


def unit_of(text: str) -> str | None:
    """The unit that a text spells, `none` for one that yardmark has no field for, None for no unit at all."""
    return _spellings().get(squeezed(text))
