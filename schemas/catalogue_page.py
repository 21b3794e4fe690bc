"""The catalogue as a page: `python -m schemas.catalogue_page` writes it, with `--check` it only compares."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from schemas.catalogue import CATALOGUE, Metric, TypicalError
from schemas.families import FAMILIES

PAGE = Path(__file__).with_name("catalogue.md")
_HEAD = """<!-- Generated from schemas/metrics.toml by python -m schemas.catalogue_page: edit that. -->
# The metrics

What each number is, where its formula comes from and how that was verified, which values of it compare, and
what not to read into it. A value outside the hard limits is not used; one outside the soft limits is used and
flagged. Typical errors are *borrowed*: published for other people's athletes, until your own data replace
them. "From memory" means that whoever wrote it down had not the paper at hand.
"""


def page(catalogue: dict[str, Metric] | None = None) -> str:
    """The page as Markdown: a part a device family, in the order of the families' names."""
    metrics = (CATALOGUE if catalogue is None else catalogue).values()
    parts = [_HEAD]
    labels = {name: family.label for name, family in FAMILIES.items()} | {"all": "all families together"}
    for name, label in labels.items():
        own = [metric for metric in metrics if metric.family == name]
        if own:
            parts.append(f"## {label[0].upper()}{label[1:]}\n")
            parts += [_entry(metric) for metric in own]
    return "\n".join(parts)


def _entry(metric: Metric) -> str:
    """One metric."""
    keys = ", ".join(f"`{key}`" for key in metric.series_keys)
    lines = [
        f"### `{metric.metric}`: {metric.label}\n",
        f"- Unit: {metric.unit}, shown with {metric.decimals} decimals. {_direction(metric)}.",
        f"- Formula: {metric.formula}.",
        f"- A session's value: the {metric.summary} of its trials, {metric.min_trials} or more.",
        f"- Limits: hard {_span(metric.hard)}, soft {_span(metric.soft)}{_youth(metric)}.{_special(metric)}",
        f"- Values compare where these are equal: {keys}."
        if keys
        else "- Values of an athlete always compare.",
        f"- Source: {metric.source}. Verified: {metric.verified}.",
        f"- Typical error: {_error(metric.typical_error, metric)}",
        f"- Caution: {metric.caution}",
        *_notes(metric),
    ]
    return "\n".join(lines) + "\n"


def _direction(metric: Metric) -> str:
    words = {
        "higher": "Higher is better",
        "lower": "Lower is better",
        "context": "Neither direction is better",
    }
    return words[metric.better]


def _span(limits: tuple[float, float]) -> str:
    return f"{limits[0]:g} to {limits[1]:g}"


def _youth(metric: Metric) -> str:
    return f" (under 18: {_span(metric.soft_youth)})" if metric.soft_youth else ""


def _special(metric: Metric) -> str:
    """Limits of some of its series."""
    said = [
        f"{', '.join(map(' '.join, one.when.items()))}: {_span(one.hard)}, {_span(one.soft)}"
        for one in metric.limits
    ]
    return f" For {'; for '.join(said)}." if said else ""


def _error(error: TypicalError | None, metric: Metric) -> str:
    """The borrowed figures, in per cent on the log scale."""
    if error is None:
        return "none known; cannot tell yet."
    unit = "%" if metric.scale == "log" else metric.unit
    kinds = (("of a trial", error.trial), ("of a session's value between days", error.session))
    figures = ", ".join(f"{value:g} {unit} {of}" for of, value in kinds if value is not None)
    return f"{figures}; borrowed from: {error.source} ({error.verified})."


def _notes(metric: Metric) -> list[str]:
    said = {
        "Off by default: `on = true` in the facility's metrics.toml makes it.": not metric.on,
        "Nobody is compared with others by it.": not metric.ranked,
        "Minors' values are in the restricted file only.": metric.restricted_minors,
        "The first session of somebody is set aside, because people learn.": metric.learned,
    }
    return [f"- {text}" for text, holds in said.items() if holds]


def main(arguments: list[str] | None = None) -> int:
    """Write the page, or with `--check` say whether it is as it should be: 0 it is, 1 it is not."""
    parser = argparse.ArgumentParser(description="Write schemas/catalogue.md from schemas/metrics.toml.")
    parser.add_argument(
        "--check", action="store_true", help="write nothing; exit 1 where the page is not right"
    )
    if not parser.parse_args(arguments).check:
        PAGE.write_text(page(), encoding="utf-8", newline="\n")
        return 0
    right = PAGE.is_file() and PAGE.read_text(encoding="utf-8") == page()
    if not right:
        print(f"{PAGE.name} is not up to date: run `python -m schemas.catalogue_page`", file=sys.stderr)
    return 0 if right else 1


if __name__ == "__main__":
    sys.exit(main())
