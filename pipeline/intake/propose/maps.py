"""A layout's maps: what the export's words mean, and which of them a person must say."""

from __future__ import annotations

from rapidfuzz import process

from pipeline.facility.problems import nearest
from pipeline.intake.columns import MARKS
from pipeline.intake.propose.assign import FamilyMap
from pipeline.intake.propose.choices import Choice
from pipeline.intake.propose.columns import Column
from pipeline.intake.propose.draft import DOUBTFUL, Draft, toml, toml_key
from pipeline.intake.propose.place import Place
from pipeline.intake.propose.words import has_words, plain, word_of
from schemas.core import Field

_MOST_WORDS = 60  # more than this in a column are names, and no words for a map


def write_map(
    draft: Draft, at: str, target: str, column: Column, spec: Field | None, best: FamilyMap, place: Place
) -> None:
    """A map of the export's words, where they are not the family's own."""
    if best.family.name == "other_tests" and target == "test":
        _own_tests(draft, at, column, place)
        return
    values = MARKS if target == "mark" else (spec.values if spec is not None else ())
    words = column.words
    if not has_words(target) or len(words) > _MOST_WORDS or (values and set(words) <= set(values)):
        return
    found = {word: word_of(target, word, values) for word in words}
    if target == "accommodating":
        found |= {
            word: _what_is_there(column) for word in words if word_of("mark", word, ("ok",)) is not None
        }
    if not values and not any(found.values()):
        return
    if not words:
        return
    draft.table(f"{at}.map")
    if values:
        draft.comment(f"{target} is one of: {', '.join(values)}. A word that is not here holds its line.")
    for word, hit in found.items():
        _word(draft, f"{at}.map", word, hit, values)


def _word(draft: Draft, at: str, word: str, hit: tuple[str, bool] | None, values: tuple[str, ...]) -> None:
    key = toml_key(word)
    if hit is not None and hit[1]:
        draft.choose(at, f"{key} = {toml(hit[0])}", "a word of the trade for it")
    elif hit is not None:
        draft.choose(at, f"{key} = {toml(hit[0])}", f"{word!r} resembles a word for it", "doubtful")
    elif values:
        draft.ask(at, [f'{key} = "..."'], f"what does {word!r} mean?")
    else:
        draft.choose(at, f"{key} = {toml(word)}", f"{word!r} is kept as it is: no list has it", "doubtful")


def _what_is_there(column: Column) -> tuple[str, bool] | None:
    """What a yes means in a column that is named by what makes the load grow."""
    hit = word_of("accommodating", column.name.written)
    return (hit[0], True) if hit is not None else None


def _own_tests(draft: Draft, at: str, column: Column, place: Place) -> None:
    """Tests of the facility's own: its names as they are, or a map to the likest declared ones."""
    undeclared = [word for word in column.words if word not in place.tests]
    if not undeclared or len(column.words) > _MOST_WORDS:
        return
    if not place.tests:
        said = f"each must be declared in config/metrics.toml: {', '.join(column.words[:8])}"
        draft.choices.append(Choice(at, "", said, "doubtful"))
        draft.comment(said, DOUBTFUL)
        return
    draft.table(f"{at}.map")
    for word in column.words:
        if word in place.tests:
            draft.choose(f"{at}.map", f"{toml_key(word)} = {toml(word)}", "declared in config/metrics.toml")
            continue
        likest = process.extractOne(plain(word), {test: plain(test) for test in place.tests})
        if likest is not None and likest[1] >= 90:
            said = f"{word!r} resembles the declared test {likest[2]}"
            draft.choose(f"{at}.map", f"{toml_key(word)} = {toml(likest[2])}", said, "doubtful")
        else:
            near = nearest(word, place.tests)
            said = (
                f"{word!r} is no test of config/metrics.toml (the likest: {near}); which is it, or declare it"
            )
            draft.ask(f"{at}.map", [f"{toml_key(word)} = {toml(near or word)}"], said)
