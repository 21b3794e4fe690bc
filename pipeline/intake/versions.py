"""Which of several lines about the same trial is current, which repeats, which must be asked about.

Pure. The rules are the fine print's "Keys and versions". A *claim* is one row that some file made about
a trial; the claims of one natural key, in the order of the files, are settled together by `settle_known`
(the trial's number is in the export) or `settle_counted` (it is the order of appearance).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

# Two texts of one number can differ in the last bit after a unit is converted.
_TINY = 1e-9
# A trace whose number of samples changes by more than this share is asked about.
_LENGTH_SHARE = 0.10
_UNTOLD = "possible_reexport"


@dataclass
class Claim:
    """One row of one file about a trial, and what becomes of it.

    `values` are the measured quantities in SI with `quanta`, the size of the last decimal place of their
    text (None: not known), and `places`, what each is the value of (a line of several gates is one claim);
    `facts` are the other columns. `copy_key` is equal for byte-equal lines. `sure`:
    time and number are known from the export; `timed`: the time is. `blocked` claims belong to a line that
    waits: they are remembered but never current; `dropped` ones belong to a line that a person left out.
    `answers` is what a person said of the line, by code.
    """

    index: int
    drop_no: int
    places: tuple[object, ...]
    values: tuple[float | None, ...]
    quanta: tuple[float | None, ...]
    facts: tuple[object, ...]
    copy_key: str
    to_the_second: bool
    sure: bool
    timed: bool = True
    blocked: bool = False
    dropped: bool = False
    answers: Mapping[str, str] = field(default_factory=dict)
    fate: str = ""
    code: str | None = None
    number: int | None = None
    cause: str | None = None


HoldsAll = Callable[[int, int, int], bool]
"""(later drop, earlier drop, fewest) -> whether the later file holds all keys of the earlier, and so many."""
# A date alone is the key of all that is tested that day: one such line is no export of another anew.
_FEWEST_OF_DATES = 2


def identical(a: Claim, b: Claim) -> bool:
    """Whether two claims state equal values and equal facts."""
    return (
        a.places == b.places
        and a.facts == b.facts
        and all(_same_value(x, y, None, None) for x, y in zip(a.values, b.values, strict=True))
    )


def same(a: Claim, b: Claim) -> bool:
    """Whether two claims say the same: equal values, a coarser text being the rounding of a finer one,
    and no fact that both state differently."""
    if a.places != b.places:
        return False
    pairs = zip(a.values, b.values, a.quanta, b.quanta, strict=True)
    return all(_same_value(*pair) for pair in pairs) and all(
        x is None or y is None or x == y for x, y in zip(a.facts, b.facts, strict=True)
    )


def _same_value(a: float | None, b: float | None, qa: float | None, qb: float | None) -> bool:
    if a is None or b is None:
        return a is b
    slack = _TINY * max(abs(a), abs(b))
    if qa is not None and qb is not None and not _close(qa, qb):
        slack += max(qa, qb) / 2
    return abs(a - b) <= slack


def _close(a: float, b: float) -> bool:
    return abs(a - b) <= _TINY * max(abs(a), abs(b))


def says_more(new: Claim, old: Claim) -> bool:
    """Whether a claim that says the same says it more finely, or states a fact that was not stated."""
    finer = any(
        qn is not None and qo is not None and qn < qo and not _close(qn, qo)
        for qn, qo in zip(new.quanta, old.quanta, strict=True)
    )
    coarser = any(
        qn is not None and qo is not None and qo < qn and not _close(qn, qo)
        for qn, qo in zip(new.quanta, old.quanta, strict=True)
    )
    fuller = any(n is not None and o is None for n, o in zip(new.facts, old.facts, strict=True))
    emptier = any(n is None and o is not None for n, o in zip(new.facts, old.facts, strict=True))
    return (finer or fuller) and not coarser and not emptier


def far_apart(new: Claim, old: Claim, share: float) -> bool:
    """Whether a value differs from the one it would replace by more than `share` of it.

    Samples near zero differ by any share, so traces have an infinite one: of them the number must hardly
    change, or a cut file would take the place of a whole run.
    """
    if share == math.inf:
        return abs(len(new.values) - len(old.values)) > _LENGTH_SHARE * len(old.values)
    before = dict(zip(old.places, old.values, strict=True))
    pairs = ((value, before.get(place)) for place, value in zip(new.places, new.values, strict=True))
    return any(
        n is not None and o is not None and abs(n - o) > share * abs(o) * (1 + _TINY) for n, o in pairs
    )


class _Trial:
    """What is known of one trial so far: the values it had, the current one last, and what waits."""

    def __init__(self) -> None:
        self.had: list[Claim] = []
        self.waiting: list[Claim] = []

    @property
    def current(self) -> Claim:
        return self.had[-1]

    def states(self, claim: Claim) -> bool:
        """Whether the claim is the current value to the letter."""
        return bool(self.had) and identical(claim, self.current)

    def says(self, claim: Claim) -> bool:
        """Whether the claim is the current value, said more or less finely."""
        return bool(self.had) and same(claim, self.current)

    def knows(self, claim: Claim) -> bool:
        """Whether the claim only says again what is current, was once, or is being asked about.

        A claim that waits for its line's sake alone does not count against a whole line: a later export in
        which the line is in order must load. Nor does one that waits because its file did not hold enough
        to tell (see `asks`): a later one may hold all.
        """
        telling = (None, _UNTOLD)
        asked = (w for w in self.waiting if claim.blocked or w.dropped or w.code not in telling)
        return any(same(claim, old) for old in (*self.had, *asked))

    def asks(self, claim: Claim) -> bool:
        """Whether it is asked already if what the claim says is a correction or another trial."""
        return any(w.code == _UNTOLD and same(claim, w) for w in self.waiting)

    def wait(self, claim: Claim, code: str | None) -> None:
        claim.fate, claim.code = "held", code
        self.waiting.append(claim)

    def betters(self, claim: Claim) -> bool:
        """Whether the claim is the current value, said better."""
        return not claim.blocked and self.says(claim) and says_more(claim, self.current)

    def repeat(self, claim: Claim) -> None:
        """A claim that says what was said before: repeated, unless it says the current value better."""
        if self.betters(claim):
            claim.fate, claim.cause = "superseding", "finer_value"
            # One value, not two: what is near the coarser text only was never said of this trial.
            self.had[-1] = claim
        else:
            claim.fate = "repeated"

    def take(self, claim: Claim, share: float) -> None:
        """A claim that says something new."""
        if not self.had:
            claim.fate = "loaded"
        elif far_apart(claim, self.current, share) and claim.answers.get("changed_at_source") != "ok":
            self.wait(claim, "changed_at_source")
            return
        else:
            claim.fate, claim.cause = "superseding", "export"
        self.had.append(claim)
        for told in [w for w in self.waiting if w.code == _UNTOLD and same(claim, w)]:
            self.waiting.remove(told)
            told.fate, told.code = "repeated", None

    def ask(self, claim: Claim) -> None:
        """A claim that may be a correction or another trial: asked once."""
        if self.asks(claim):
            claim.fate = "repeated"
        else:
            self.wait(claim, _UNTOLD)


# Which of several trials a claim is about: the likest first.
_LIKENESSES = (_Trial.states, _Trial.says, _Trial.knows)


def _likest(claim: Claim, trials: Sequence[_Trial]) -> _Trial | None:
    """The trial that a claim is about; None where it is about none of them."""
    return next((t for likeness in _LIKENESSES for t in trials if likeness(t, claim)), None)


def settle_known(claims: Sequence[Claim], share: float, holds_all: HoldsAll) -> None:
    """Settle the claims of one natural key whose number is in the export, in file order.

    Sets fates, and `number`: 1, or more where a person said that the key was used again in a second session.
    """
    trials = [_Trial()]
    for _, batch in _by_drop(claims):
        contradicts = _contradicts(batch)
        fresh: list[Claim] = []
        # The finest first: of equal values in one file it is the one to keep.
        for claim in sorted(batch, key=lambda claim: sum(q or 0.0 for q in claim.quanta)):
            known = _likest(claim, trials)
            if known is not None and not (contradicts and known.betters(claim)):
                claim.number = trials.index(known) + 1
                known.repeat(claim)
            elif claim.blocked:
                trials[-1].wait(claim, None)
            else:
                fresh.append(claim)
        if contradicts:
            fresh = _answered_conflict(fresh, trials[-1])
        for claim in fresh[:1]:
            _take_known(claim, trials, share, holds_all)
        for claim in fresh[1:]:
            claim.fate = "repeated"


def _take_known(claim: Claim, trials: list[_Trial], share: float, holds_all: HoldsAll) -> None:
    """A claim that says something new about a numbered key."""
    answer = claim.answers.get(_UNTOLD)
    if answer == "second_session" and trials[-1].had:
        trials.append(_Trial())
    trial = trials[-1]
    claim.number = len(trials)
    certain = not trial.had or claim.sure or holds_all(claim.drop_no, trial.current.drop_no, _fewest(claim))
    if certain or answer == "correction":
        trial.take(claim, share)
    else:
        trial.ask(claim)


def _fewest(claim: Claim) -> int:
    return 1 if claim.timed else _FEWEST_OF_DATES


def _contradicts(batch: Sequence[Claim]) -> bool:
    """Whether one file says different things about one trial."""
    said = [claim for claim in batch if not claim.blocked]
    return any(not identical(claim, said[0]) for claim in said[1:])


def _answered_conflict(fresh: Sequence[Claim], trial: _Trial) -> list[Claim]:
    """Hold all lines of a key that one file states differently, but for the one answered `ok`."""
    chosen = [claim for claim in fresh if claim.answers.get("key_conflict") == "ok"]
    keep = chosen if len(chosen) == 1 else []
    for claim in fresh:
        if claim not in keep:
            trial.wait(claim, "key_conflict")
    return keep


def settle_counted(claims: Sequence[Claim], share: float, holds_all: HoldsAll) -> None:
    """Settle the claims of one key without its number: between files the multiset of values is compared.

    Sets fates, and `number`, the order of appearance (1, 2, ...), of every claim that is not repeated.
    Within a file byte-equal lines are repeated where the time has seconds.
    """
    trials: list[_Trial] = []
    for drop_no, batch in _by_drop(claims):
        left, unmatched = _match(_without_copies(batch), trials)
        fewest = max(map(_fewest, left), default=1)
        whole = all(holds_all(drop_no, trial.current.drop_no, fewest) for trial in unmatched if trial.had)
        for claim in left:
            answer = claim.answers.get(_UNTOLD)
            asking = (trial for trial in unmatched if trial.asks(claim))
            known = None if answer == "second_session" else next(asking, next(iter(unmatched), None))
            trial = known or _Trial()
            if known is None:
                trials.append(trial)
            else:
                unmatched.remove(known)
            claim.number = trials.index(trial) + 1
            if claim.blocked:
                trial.wait(claim, None)
            elif known is None or whole or answer == "correction":
                trial.take(claim, share)
            else:
                trial.ask(claim)


def _without_copies(batch: Sequence[Claim]) -> list[Claim]:
    kept: dict[object, Claim] = {}
    for claim in batch:
        copy_of = claim.copy_key if claim.to_the_second else claim.index
        if copy_of in kept:
            claim.fate = "repeated"
        else:
            kept[copy_of] = claim
    return list(kept.values())


def _match(batch: Sequence[Claim], trials: Sequence[_Trial]) -> tuple[list[Claim], list[_Trial]]:
    """Pair the rows of a file with trials that have their value; what is left over on either side."""
    free, left = list(trials), list(batch)
    for likeness in _LIKENESSES:
        unknown = []
        for claim in left:
            known = next((trial for trial in free if likeness(trial, claim)), None)
            if known is None:
                unknown.append(claim)
            else:
                free.remove(known)
                claim.number = trials.index(known) + 1
                known.repeat(claim)
        left = unknown
    return left, free


def _by_drop(claims: Sequence[Claim]) -> list[tuple[int, list[Claim]]]:
    batches: dict[int, list[Claim]] = {}
    for claim in claims:
        batches.setdefault(claim.drop_no, []).append(claim)
    return sorted(batches.items())
