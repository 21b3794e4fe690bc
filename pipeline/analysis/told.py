"""What groups are told of: numbers that are renewed only when five athletes' values changed, and together.

Whoever compares the tables of two weeks must not be able to work out one athlete's value. So a group's
numbers are not made from what is known in a week, but from what was let in: an athlete's new value (or
coming, or leaving) waits until at least `TOGETHER` wait in the same *home*, the narrowest group that is shown
and has the athlete, and is let in with theirs. Then of any sums of any groups of two weeks, each difference
that can be made has the changes of no athlete in it or of five: groups are unions of homes. Somebody who
moves from one home to another goes and comes with the others' changes and does not count among the five, for
the two moves could be added up. Homes have at least the minimum of athletes, because cells that would leave a
smaller rest are not shown; of two the one that was told before stays, a change that would leave a small rest
beside it waits, and a cell that was left out comes back only when five or none have changed in it, and in
what is left of the wider one, since.

The walk begins at the first week, and depends on nothing but the weeks' values: never on when or how often
it is made. What it can't protect from, the coarse numbers must (see `publish.coarsen`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.analysis.norm_tables import MINIMUM, norm_tables
from pipeline.analysis.norms import GroupedWeek, describe
from pipeline.analysis.one_value import Usable, Values
from pipeline.analysis.populations import RUNGS, population_table, season_label
from pipeline.numerics.blocks import Flags, homes, shown_above, sizes, without_small_rests
from pipeline.numerics.grouped import group_values
from pipeline.numerics.percentiles import Floats, Ints
from schemas.catalogue import Metric
from schemas.frames import empty
from schemas.tables import TABLES

TOGETHER = 5  # athletes (methods, C7: no differencing between groups that differ by fewer than five)
_NOWHERE = -1
_KEYS = ("sex", "age_band", *RUNGS[0])


@dataclass(frozen=True)
class _Moves:
    """Pairs that wait: their home as told and as it is (-1: none), whether they are told and are there."""

    old_home: Ints
    new_home: Ints
    there: Flags
    here: Flags

    @property
    def stays(self) -> Flags:
        """Who does not move from one home to another."""
        found: Flags = self.there & self.here & (self.old_home == self.new_home)
        return found

    def ready(self, home: Ints, ready: Flags) -> Flags:
        """Whether a home is one and is ready."""
        found = home >= 0
        found[found] = ready[home[found]]
        return found

    def through(self, ready: Flags) -> tuple[Flags, Flags]:
        """Who enters a home and who only leaves one, where some homes are ready."""
        old_ready, new_ready = self.ready(self.old_home, ready), self.ready(self.new_home, ready)
        moves = self.there & self.here & ~self.stays
        enters = self.here & new_ready & (~self.there | (moves & (old_ready | (self.old_home < 0))))
        leaves = self.there & old_ready & (~self.here | (moves & ~new_ready))
        return enters, leaves


class Telling:
    """The walk over the weeks: `see` each in its order, then `tables` has what the last is told.

    A pair is athlete * series + series; a path is a row of groups, from the narrowest rung to the widest.
    Groups keep their numbers over the weeks. Populations of the facility's own are not told: they may overlap
    in any way.
    """

    def __init__(self, minimum: int = MINIMUM) -> None:
        self.minimum = minimum
        self._groups: list[dict[str, object]] = []
        self._number: dict[str, int] = {}
        self._wider: list[int] = []
        self._paths = np.full((1, len(RUNGS)), _NOWHERE, dtype=np.int64)
        self._number_of_path = {(_NOWHERE,) * len(RUNGS): 0}
        self._weeks: list[tuple[date, str]] = []
        self._sessions: Usable | None = None

    def see(self, week: date, version: str, sessions: Usable, values: Values, grouped: GroupedWeek) -> None:
        """Let in what may be let in of a week; `sessions` are the same object in every week."""
        if self._sessions is None:
            self._begin(sessions)
        self._weeks.append((week, version))
        now_path, now_value = self._as_is(sessions, values, grouped)
        parent = self._parents()
        stays, count = self._alike(np.where(self._path == now_path, now_path, 0))
        moving = np.flatnonzero(self._path != now_path)
        was, now = (self._cells(moving, path[moving]) for path in (self._path, now_path))
        either = np.concatenate([stays, was]), np.concatenate([stays, now])
        count = np.append(count, np.ones(moving.size, dtype=np.int64))
        may = without_small_rests(np.ones(parent.size, np.bool_), parent, self.minimum, count, *either)
        told = sizes(parent.size, count, homes(either[0], may)[:, None])
        waiting = np.flatnonzero((self._path != now_path) | ((self._path > 0) & (self._value != now_value)))
        was, now = (self._cells(waiting, path[waiting]) for path in (self._path, now_path))
        moves = _Moves(homes(was, may), homes(now, may), self._path[waiting] > 0, now_path[waiting] > 0)
        let, counted = self._let_in(waiting, now_path, now_value, moves, told, may, parent)
        self._remember(was[let], now[let], counted[let], parent)
        self._show(may, parent)

    def tables(
        self, catalogue: Mapping[str, Metric], season_start: str, gone: Collection[str] = ()
    ) -> dict[str, pl.DataFrame]:
        """`populations`, `norms` and `norm_percentiles` of the last week as they are told.

        As the declared tables, and in `norms` beside them `numbers_of` (the Monday of the week that the
        numbers are of) and `is_told`: whether they may be shown. A cell that has somebody of `gone` in it
        may not.
        """
        if self._sessions is None:
            names = ("populations", "norms", "norm_percentiles")
            found = {name: empty(TABLES[name]) for name in names}
            nothing = {"numbers_of": pl.lit(None, pl.Date), "is_told": pl.lit(None, pl.Boolean)}
            return {**found, "norms": found["norms"].with_columns(**nothing)}
        week, version = self._weeks[-1]
        season = season_label(week + timedelta(days=6), season_start)
        label = {"week": pl.lit(week), "season": pl.lit(season)}
        grouped = self._grouped()
        counted = grouped.rungs.group_by(pl.exclude("athlete_id", "group", "wider")).agg(n_members=pl.len())
        populations = population_table(counted.with_columns(**label))
        described = describe(self._sessions, grouped, catalogue)
        described = described.with_columns(**label, norms_version=pl.lit(version))
        found = norm_tables([described], populations, catalogue)
        marks = populations.select("population_id", "label").join(self._marks(gone), on="label")
        marked = found["norms"].join(
            marks.drop("label"), on=["population_id", "series_id"], how="left", maintain_order="left"
        )
        return {**found, "norms": marked}

    def _begin(self, sessions: Usable) -> None:
        pairs = sessions.athletes.len() * sessions.series.height
        self._sessions = sessions
        self._path = np.zeros(pairs, dtype=np.int64)
        self._value: Floats = np.full(pairs, np.nan)
        self._between_homes = np.zeros(pairs, dtype=np.bool_)
        of_cells = (0, sessions.series.height)
        self._since = np.zeros(of_cells, dtype=np.int64)
        self._shown, self._known = np.zeros(of_cells, np.bool_), np.zeros(of_cells, np.bool_)
        # Since a known cell is left out: how many changed at once at most, and whether anything did, in it
        # and in what is left of the wider one.
        self._most, self._most_rest = np.zeros(of_cells, np.int64), np.zeros(of_cells, np.int64)
        self._any, self._any_rest = np.zeros(of_cells, np.bool_), np.zeros(of_cells, np.bool_)

    def _as_is(self, sessions: Usable, values: Values, grouped: GroupedWeek) -> tuple[Ints, Floats]:
        """The number of the path (0: none) and the value of each pair in a week."""
        of_athlete = self._paths_of(grouped, sessions.athletes.len())
        pair = values.athlete * sessions.series.height + values.series
        path, value = np.zeros_like(self._path), np.full_like(self._value, np.nan)
        path[pair], value[pair] = of_athlete[values.athlete], values.value
        value[path == 0] = np.nan
        return path, value

    def _paths_of(self, grouped: GroupedWeek, n_athletes: int) -> Ints:
        """The number of each athlete's path in a week; groups and paths that are new get numbers."""
        ladder = grouped.rungs.filter(pl.col("rung") > 0)
        rows = ladder.select("group", "rung", "label", "parent_label", *_KEYS).unique().sort("group")
        # The wider first, so that they have a number when a narrower asks for it.
        new = rows.filter(~pl.col("label").is_in(list(self._number))).sort(-pl.col("rung"), "label")
        for row in new.iter_rows(named=True):
            self._groups.append({name: row[name] for name in ("rung", "label", "parent_label", *_KEYS)})
            self._wider.append(self._number.get(row["parent_label"], _NOWHERE))
            self._number[row["label"]] = len(self._number)
        highest = rows["group"].max()
        number = np.full(highest + 1 if isinstance(highest, int) else 0, _NOWHERE, dtype=np.int64)
        number[rows["group"].to_numpy()] = [self._number[label] for label in rows["label"]]
        columns = np.full((n_athletes, len(RUNGS)), _NOWHERE, dtype=np.int64)
        for rung in range(1, len(RUNGS) + 1):
            of_athlete = grouped.of_athlete.get(str(rung))
            if of_athlete is not None:
                some = of_athlete >= 0
                columns[some, rung - 1] = number[of_athlete[some]]
        distinct, where = np.unique(columns, axis=0, return_inverse=True)
        numbers = [self._number_of_path.setdefault(tuple(p), len(self._number_of_path)) for p in distinct]
        known = sorted(self._number_of_path.items(), key=lambda item: item[1])
        self._paths = np.array([path for path, _ in known], dtype=np.int64)
        self._grow()
        found: Ints = np.array(numbers, dtype=np.int64)[where.reshape(-1)]
        return found

    def _grow(self) -> None:
        more = len(self._groups) - len(self._since)
        if more > 0:
            for name in ("_since", "_shown", "_known", "_most", "_most_rest", "_any", "_any_rest"):
                setattr(self, name, np.pad(getattr(self, name), ((0, more), (0, 0))))

    @property
    def _n_series(self) -> int:
        return int(self._since.shape[1])

    def _cells(self, pairs: Ints, path: Ints) -> Ints:
        """The cells of pairs that are on paths: group * series + series, (pairs, rungs)."""
        groups = self._paths[path]
        return np.where(groups >= 0, groups * self._n_series + (pairs % self._n_series)[:, None], _NOWHERE)

    def _alike(self, path: Ints) -> tuple[Ints, Ints]:
        """The cells of all pairs that are on a path, and how many have the same: (rows, rungs), (rows,)."""
        some = np.flatnonzero(path)
        count = np.bincount(path[some] * self._n_series + some % self._n_series)
        lot = np.flatnonzero(count)
        return self._cells(lot % self._n_series, lot // self._n_series), count[lot]

    def _parents(self) -> Ints:
        wider = np.array(self._wider, dtype=np.int64)[:, None]
        cells: Ints = np.where(wider >= 0, wider * self._n_series + np.arange(self._n_series), _NOWHERE)
        return cells.reshape(-1)

    def _let_in(
        self,
        pairs: Ints,
        now_path: Ints,
        now_value: Floats,
        moves: _Moves,
        told: Ints,
        may: Flags,
        parent: Ints,
    ) -> tuple[Flags, Flags]:
        """Let in what may be; which pairs it was of, and which of all pairs have a change that counts."""
        was, now = self._path[pairs], now_path[pairs]
        there, here, stays = moves.there, moves.here, moves.stays
        differs = self._value[pairs] != now_value[pairs]
        comes = ~there & here & ~self._between_homes[pairs]
        home = np.where(comes, moves.new_home, moves.old_home)
        counts = (home >= 0) & ((stays & differs) | (there & ~here) | comes)
        ready = np.bincount(home[counts], minlength=parent.size) >= TOGETHER
        ready = self._without_those_that_leave_few(ready, moves, told, may, parent)
        enters, leaves = moves.through(ready)
        renewed = stays & (moves.ready(moves.old_home, ready) | ~differs) & (differs | (was != now))
        take, drop = pairs[enters | renewed], pairs[leaves]
        self._path[take], self._value[take] = now_path[take], now_value[take]
        self._path[drop], self._value[drop] = 0, np.nan
        self._between_homes[pairs[~here]] = False
        self._between_homes[take] = False
        self._between_homes[pairs[leaves & here]] = True
        return enters | renewed | leaves, counts

    def _without_those_that_leave_few(
        self, ready: Flags, moves: _Moves, told: Ints, may: Flags, parent: Ints
    ) -> Flags:
        """`ready` without the homes that would become a small rest beside a group whose numbers are known and
        stay as they are: to leave that group out would come too late. `told`: athletes in each home."""
        known = self._fresh()
        while True:
            enters, leaves = moves.through(ready)
            gone = (leaves | (enters & moves.there)) & (moves.old_home >= 0)
            after = told - np.bincount(moves.old_home[gone], minlength=parent.size)
            after += np.bincount(moves.new_home[enters], minlength=parent.size)
            above = shown_above(np.flatnonzero(known & ~ready), may, parent)
            beside = np.zeros(parent.size, dtype=np.bool_)
            beside[above[above >= 0]] = True
            few = ready & beside & (after > 0) & (after < self.minimum)
            if not few.any():
                return ready
            ready = ready & ~few

    def _fresh(self) -> Flags:
        """Cells whose numbers are known from some table, and have not changed by enough since."""
        found: Flags = (self._known & (self._most < TOGETHER)).reshape(-1)
        return found

    def _remember(self, was: Ints, now: Ints, counted: Flags, parent: Ints) -> None:
        """Note in which cells something was let in, and of how many, for cells that are left out."""
        shape = self._since.shape
        once = np.ones(len(was), dtype=np.int64)
        touched = sizes(parent.size, once, was, now)
        direct = sizes(parent.size, once[counted], was[counted], now[counted])
        moved = sizes(parent.size, once[~counted], was[~counted], now[~counted])
        self._since[touched.reshape(shape) > 0] = len(self._weeks) - 1
        above = np.where(parent >= 0, parent, 0)
        self._most = np.maximum(self._most, direct.reshape(shape))
        self._any |= touched.reshape(shape) > 0
        rest = np.where(parent >= 0, direct[above] - direct, 0)
        self._most_rest = np.maximum(self._most_rest, rest.reshape(shape))
        changed = (parent >= 0) & ((touched[above] > touched) | (moved > 0))
        self._any_rest |= changed.reshape(shape)

    def _show(self, may: Flags, parent: Ints) -> None:
        """Which cells are shown, among those that may."""
        back = ~self._any | (self._most >= TOGETHER)
        back &= ~self._any_rest | (self._most_rest >= TOGETHER)
        may = may & (self._shown | ~self._known | back).reshape(-1)
        cells, count = self._alike(self._path)
        fresh = self._fresh()
        shown = without_small_rests(may | fresh, parent, self.minimum, count, cells, known=fresh) & may
        shown &= sizes(parent.size, count, cells) >= self.minimum
        self._shown = shown.reshape(self._since.shape)
        self._known |= self._shown
        for since in (self._most, self._most_rest, self._any, self._any_rest):
            since[self._shown] = 0

    def _grouped(self) -> GroupedWeek:
        """What was let in, as a week in its groups; these are numbered anew, for some have nobody."""
        assert self._sessions is not None
        cell, pair = self._entered()
        everywhere, serial = np.divmod(cell, self._n_series)
        used = np.flatnonzero(np.bincount(everywhere))
        anew = np.zeros(len(self._groups), dtype=np.int64)
        anew[used] = np.arange(used.size)
        group = anew[everywhere]
        values = group_values(group * self._n_series + serial, pair, self._value)
        keys = dict.fromkeys(("label", "parent_label", *_KEYS), pl.String)
        wider = np.array(self._wider, dtype=np.int64)[used]
        said = pl.DataFrame([self._groups[number] for number in used], schema={"rung": pl.Int32, **keys})
        said = said.with_columns(
            group=pl.int_range(pl.len(), dtype=pl.Int64),
            # Whoever is in a group is in the wider one.
            wider=pl.when(pl.Series(wider >= 0)).then(pl.Series(np.searchsorted(used, wider))),
        )
        athletes = self._sessions.athletes
        members, athlete = np.divmod(
            np.unique(group * athletes.len() + pair // self._n_series), max(athletes.len(), 1)
        )
        named = pl.DataFrame({"group": members}).with_columns(athlete_id=athletes.gather(athlete))
        rungs = named.join(said, on="group", how="left", maintain_order="left")
        return GroupedWeek(rungs, {}, values)

    def _entered(self) -> tuple[Ints, Ints]:
        """Cell and pair of all that was let in, a cell after the other of each pair: (memberships,) twice."""
        pairs = np.flatnonzero(self._path > 0)
        cells = self._cells(pairs, self._path[pairs])
        row, _ = np.nonzero(cells >= 0)
        return cells[cells >= 0], pairs[row]

    def _marks(self, gone: Collection[str]) -> pl.DataFrame:
        """`numbers_of` and `is_told` of every cell that has somebody, by label and series_id; not told where
        somebody of `gone` is in it."""
        assert self._sessions is not None
        alike, count = self._alike(self._path)
        cells = np.flatnonzero(sizes(self._since.size, count, alike))
        is_told = self._shown.reshape(-1).copy()
        for one in np.flatnonzero(self._sessions.athletes.is_in(list(gone)).to_numpy()):
            pairs = one * self._n_series + np.arange(self._n_series)
            with_one = self._cells(pairs, self._path[pairs])
            is_told[with_one[with_one >= 0]] = False
        return self._named(cells).with_columns(is_told=pl.Series(is_told[cells]))

    def _named(self, cells: Ints) -> pl.DataFrame:
        """`label`, `series_id` and `numbers_of` of some cells."""
        assert self._sessions is not None
        weeks = pl.Series([week for week, _ in self._weeks], dtype=pl.Date)
        return pl.DataFrame(
            {
                "label": pl.Series(list(self._number), dtype=pl.String).gather(cells // self._n_series),
                "series_id": self._sessions.series["series_id"].gather(cells % self._n_series),
                "numbers_of": weeks.gather(self._since.reshape(-1)[cells]),
            }
        )

    def made_of(self) -> pl.DataFrame:
        """What the last week's numbers are made of: group and series (label, series_id), athlete_id, value,
        `numbers_of` and `is_told`; a row an athlete in a group."""
        assert self._sessions is not None
        cell, pair = self._entered()
        return self._named(cell).with_columns(
            athlete_id=self._sessions.athletes.gather(pair // self._n_series),
            value=pl.Series(self._value[pair]),
            is_told=pl.Series(self._shown.reshape(-1)[cell]),
        )
