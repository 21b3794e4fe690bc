"""An athlete as people name one on the command line: by id, name or alias."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.intake.identity import Names


@dataclass(frozen=True)
class Found:
    """The athlete, or why it can't be said who is meant."""

    athlete_id: str | None
    why: str = ""


def find_athlete(names: Names, written: str) -> Found:
    """Who is meant; an alias that holds on one device or in some dates only is none here."""
    who = names.who(written, "", None)
    if who.athlete_id is not None and names.knows(who.athlete_id):
        return Found(who.athlete_id)
    if who.candidates:
        shown = ", ".join(names.shown(one) for one in who.candidates)
        return Found(None, f"'{written}' may be {shown}; give the athlete_id")
    near = ", ".join(names.shown(one) for one in names.nearest(written))
    told = f"nearest: {near}" if near else "nobody is called nearly so"
    return Found(None, f"nobody on the roster is '{written}'; {told}")
