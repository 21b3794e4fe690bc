"""Fates of all rows of a family: whole groups at once where they agree, one by one where they don't.

Pure. Rows come with `group` (the natural key, without its number where the export has none), `counted`
(whether the number is the order of appearance), `place` (the part of the key that tells apart the rows of a
trial), `line_hash` and `again` (together equal for byte-equal lines), `blocked`, `dropped` and the family's
columns; they leave with `fate`, `code` (why the group logic holds them),
`number` (of the trial; where the export numbers it, of the session that used the key again; NULL: 1) and
`cause`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from typing import Any

import polars as pl

from pipeline.intake.versions import Claim, settle_counted, settle_known
from schemas.core import Family

Answers = Mapping[tuple[str, int], Mapping[str, str]]
"""(file, line) -> code -> the word that a person answered."""

PLACED = {"fate": pl.String, "code": pl.String, "number": pl.Int32, "cause": pl.String}


def fact_columns(family: Family) -> list[str]:
    """Columns that describe a row beside its key and its measured values.

    A witness is none: what a device computes anew from the same quantities says nothing new of the row.
    """
    key = {*family.natural_key, *family.values}
    return [f.name for f in family.columns if f.name not in key and not f.is_witness] + ["mark"]


def _quanta(family: Family) -> list[str]:
    """Columns with the last decimal place of measured values; samples have none."""
    return [] if family.trace else [f"quantum_{name}" for name in family.values]


def place(family: Family, rows: pl.DataFrame, answers: Answers, keys: Keys | None = None) -> pl.DataFrame:
    """Fate, code, number and cause for each row (column `index`), in the order of `index`.

    `keys`: the keys of whole files, where `rows` are not all of their rows.

    Rows with the same `claim` stand or fall together: usually one row, but the whole line where a line of
    an unnumbered export is one trial of several rows, and all samples of a trace.
    """
    # A row that is alone with its key, as most are, needs no comparison.
    alone = ~shared(rows["group"])
    if not rows["claim"].equals(rows["index"]):
        alone &= ~duplicated(rows["claim"])
    single = rows.filter(alone)
    placed = [_place_single(single)]
    if single.height < rows.height:
        placed.append(_place_groups(family, rows.filter(~alone), answers, keys, rows))
    return pl.concat(placed).sort("index")


def shared(keys: pl.Series) -> pl.Series:
    """True of every key that occurs more than once; of one that does not hardly ever, so it must make no
    difference: hashes are compared, sooner than keys."""
    return duplicated(keys.hash(0))


def duplicated(keys: pl.Series) -> pl.Series:
    """True of every key that occurs more than once; mostly none does, which is seen sooner than which."""
    if keys.n_unique() == len(keys):
        return pl.repeat(False, len(keys), eager=True)
    return keys.is_duplicated()


def _place_single(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows of which each is the only one of its key."""
    return rows.select(
        "index",
        fate=pl.when("blocked").then(pl.lit("held")).otherwise(pl.lit("loaded")),
        code=pl.lit(None, dtype=pl.String),
        number=pl.when("counted").then(pl.lit(1, dtype=pl.Int32)),
        cause=pl.lit(None, dtype=pl.String),
    )


def _place_groups(
    family: Family, rows: pl.DataFrame, answers: Answers, keys: Keys | None, everything: pl.DataFrame
) -> pl.DataFrame:
    """Rows that share their key or their claim with others. `everything`: those that do not, too."""
    claims = _claims(family, rows)
    facts = claims.group_by("group").agg(
        pl.col("drop_no").n_unique().alias("drops"),
        pl.len().alias("size"),
        pl.col("counted").first(),
        pl.col("payload").n_unique().alias("sayings"),
        pl.col("blocked").any().alias("any_blocked"),
        pl.col("blocked").all().alias("all_blocked"),
        pl.col("dropped").any().alias("any_dropped"),
    )
    facts = facts.with_columns(simple=_is_simple())
    marked = claims.join(facts.select("group", "simple"), on="group", maintain_order="left")
    quick = _place_simple(marked.filter("simple"))
    keys = keys or Keys(everything.select("claim", "drop_no", "group").unique("claim"))
    slow = _place_one_by_one(family, rows, marked.filter(~pl.col("simple")), keys, answers)
    placed = pl.concat([quick, slow])
    return (
        rows.select("index", "claim")
        .join(placed, on="claim", how="left", maintain_order="left")
        .drop("claim")
        .sort("index")
    )


def _is_simple() -> pl.Expr:
    """Whether a group says one thing only, or is an unnumbered one of a single file."""
    one_voice = (pl.col("any_blocked") == pl.col("all_blocked")) & ~pl.col("any_dropped")
    known = ~pl.col("counted") & (pl.col("sayings") == 1)
    counted = pl.col("counted") & (pl.col("drops") == 1)
    return one_voice & (known | counted)


def _claims(family: Family, rows: pl.DataFrame) -> pl.DataFrame:
    """One row a claim, with `payload` (a text equal for equal sayings)."""
    said = [*family.values, *_quanta(family), *fact_columns(family)]
    texts = [pl.col(c).cast(pl.String).fill_null("\x00") for c in ("place", *said)]
    saying = pl.concat_str(texts, separator="\x1f")
    copy_key = pl.concat_str(pl.col("line_hash").cast(pl.String), "again", separator="|").alias("copy_key")
    # A trace has thousands of sayings: their number and the sum of their hashes stand for them.
    summed = pl.format("{}|{}", pl.len(), saying.hash(0).sum())
    payload = summed if family.trace else saying.sort().str.join("\x1e")
    return rows.group_by("claim", maintain_order=True).agg(
        pl.col("group").first(),
        pl.col("counted").first(),
        pl.col("drop_no").first(),
        pl.col("line").first(),
        pl.col("file").first(),
        copy_key.first(),
        pl.col("seconds_known").first(),
        pl.col("time_known").first(),
        pl.col("blocked").any(),
        pl.col("dropped").any(),
        payload.alias("payload"),
    )


def _place_simple(claims: pl.DataFrame) -> pl.DataFrame:
    """Groups that say one thing, and unnumbered groups of a single file."""
    copy = (
        pl.when("counted")
        .then(pl.col("seconds_known") & ~pl.struct("group", "copy_key").is_first_distinct())
        .otherwise(~pl.col("group").is_first_distinct())
    )
    first = claims.with_columns(copy=copy)
    number = (~pl.col("copy")).cast(pl.Int32).cum_sum().over("group")
    return first.select(
        "claim",
        fate=pl.when("copy")
        .then(pl.lit("repeated"))
        .when("blocked")
        .then(pl.lit("held"))
        .otherwise(pl.lit("loaded")),
        code=pl.lit(None, dtype=pl.String),
        number=pl.when("counted").then(number).cast(pl.Int32),
        cause=pl.lit(None, dtype=pl.String),
    )


def _place_one_by_one(
    family: Family, rows: pl.DataFrame, claims: pl.DataFrame, keys: Keys, answers: Answers
) -> pl.DataFrame:
    """Groups in which files or lines differ."""
    said = {
        "values": list(family.values),
        "quanta": _quanta(family),
        "facts": fact_columns(family),
        "places": ["place"],
    }
    # A claim of several rows says all that its rows say, in the order of their places, and a trace in the
    # order of its samples.
    order = family.trace.columns if family.trace else ["place"]
    details = (
        rows.join(claims.select("claim"), on="claim", how="semi")
        .sort("claim", *order, "index")
        .group_by("claim", maintain_order=True)
        .agg(pl.struct(names).alias(part) for part, names in said.items() if names)
    )
    made: list[Claim] = []
    ordered = claims.join(details, on="claim", how="left").sort("drop_no", "line", "claim")
    for group in ordered.partition_by("group", maintain_order=True):
        batch = [_claim(row, answers) for row in group.iter_rows(named=True)]
        settle = settle_counted if group["counted"][0] else settle_known
        settle(batch, family.share, keys.holds_all)
        made += batch
    columns = {
        "claim": [c.index for c in made],
        "fate": [c.fate for c in made],
        "code": [c.code for c in made],
        "number": [c.number for c in made],
        "cause": [c.cause for c in made],
    }
    return pl.DataFrame(columns, schema={"claim": pl.UInt32, **PLACED})


def _claim(row: dict[str, Any], answers: Answers) -> Claim:
    def flat(part: str) -> tuple[Any, ...]:
        return tuple(value for item in row.get(part, ()) for value in item.values())

    names, values = row["values"][0], flat("values")
    return Claim(
        index=row["claim"],
        drop_no=row["drop_no"],
        places=tuple((place, name) for place in flat("places") for name in names),
        values=values,
        quanta=flat("quanta") or (None,) * len(values),
        facts=flat("facts"),
        copy_key=row["copy_key"],
        to_the_second=row["seconds_known"],
        sure=row["time_known"] and not row["counted"],
        timed=row["time_known"],
        blocked=row["blocked"],
        dropped=row["dropped"],
        answers=answers.get((row["file"], row["line"]), {}),
    )


class Keys:
    """Which keys each file has, and how often; counted when first asked.

    `claims`: claim, drop_no, group. `only`: the files of which `claims` are all there are (None: of all);
    those that are asked about beside them are remembered in `wanted`.
    """

    def __init__(self, claims: pl.DataFrame, only: Collection[int] | None = None) -> None:
        self.wanted: set[int] = set()
        self._claims = claims
        self._only = only
        self._known: dict[int, dict[str, int]] = {}

    def _of(self, drop_no: int) -> dict[str, int]:
        if drop_no not in self._known:
            counts: dict[str, int] = defaultdict(int)
            for key in self._claims.filter(pl.col("drop_no") == drop_no)["group"]:
                counts[key] += 1
            self._known[drop_no] = dict(counts)
        return self._known[drop_no]

    def holds_all(self, later: int, earlier: int, fewest: int = 1) -> bool:
        """Whether the later file has every key of the earlier one, as often, and so many keys in all."""
        if self._only is not None:
            self.wanted |= {later, earlier}.difference(self._only)
        new, old = self._of(later), self._of(earlier)
        return sum(new.values()) >= fewest and all(new.get(key, 0) >= n for key, n in old.items())
