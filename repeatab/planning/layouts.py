"""Layouts: the ways in which runs can be laid out, as rows that say which set runs where and in which place.

In: the levels that are compared (rigs, lots), numbers of sets and runs.  Out: PlannedRuns.
Sources: crossed, nested: Montgomery (2017), Design and Analysis of Experiments, ch. 14; staggered nested: Bainbridge
(1965), Ind. Qual. Control 22, 12-20; orders balanced for what ran before: Williams (1949), Aust. J. Sci. Res. A 2,
149-168; incomplete blocks: Cochran & Cox (1957), Experimental Designs, ch. 11.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from functools import cache

from repeatab.planning.exchange import blocks_of_treatments


class LayoutKind(Enum):
    """A way to lay out runs; the value is the word on the page."""

    SPLIT_LOT = "lot split over the rigs, each set on one rig"
    CROSSOVER = "the same sets on every rig, in changing order"
    CROSSED = "every set on every rig, repeated"
    NESTED = "each rig its own sets, every set repeated"
    STAGGERED = "each rig its own sets, only half of them repeated"
    INCOMPLETE = "each set on some of the rigs, balanced over sets"
    SEARCHED = "sets and rigs combined freely, as the search found it"


_OF_LOTS = {
    LayoutKind.SPLIT_LOT: "fresh sets of every lot, each run once",
    LayoutKind.NESTED: "fresh sets of every lot, every set repeated",
    LayoutKind.STAGGERED: "fresh sets of every lot, only half of them repeated",
    LayoutKind.SEARCHED: "fresh sets of every lot, spread over rigs and repeats as the search found it",
}


def layout_words(kind: LayoutKind, factor: str) -> str:
    """The layout in words, where the levels of `factor` are compared."""
    return _OF_LOTS.get(kind, kind.value) if factor == "pad_lot" else kind.value


NAMED = tuple(kind for kind in LayoutKind if kind is not LayoutKind.SEARCHED)
"""Layouts of a known shape; the others come from a search (free_search)."""
REPEATING = (
    LayoutKind.CROSSOVER, LayoutKind.CROSSED, LayoutKind.INCOMPLETE, LayoutKind.NESTED, LayoutKind.STAGGERED,
)  # fmt: skip
"""Layouts in which a set runs more than once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """One run: which set, on which level, and its place in the life of the set (from 1).

    rig : on which rig, where the compared levels are not the rigs themselves. operator : who runs, where that is part
    of the layout and not left to the run sheet.
    """

    level: str
    pad_set: str
    place: int
    rig: str | None = None
    operator: str | None = None

    @property
    def where(self) -> str:
        """The rig it runs on."""
        return self.rig or self.level


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRuns:
    """A layout of given size. sets : pad sets in all."""

    kind: LayoutKind
    runs: tuple[PlannedRun, ...]

    @property
    def sets(self) -> int:
        return len({run.pad_set for run in self.runs})

    @property
    def sets_by_level(self) -> dict[str, int]:
        """Sets at each level."""
        found: dict[str, set[str]] = {}
        for run in self.runs:
            found.setdefault(run.level, set()).add(run.pad_set)
        return {level: len(sets) for level, sets in found.items()}

    @property
    def per_level(self) -> int:
        """Sets at the level that has fewest."""
        return min(self.sets_by_level.values())

    @property
    def runs_by_set(self) -> dict[str, tuple[PlannedRun, ...]]:
        """The runs of each set, in the order of their places."""
        found: dict[str, list[PlannedRun]] = {}
        for run in sorted(self.runs, key=lambda run: (run.pad_set, run.place)):
            found.setdefault(run.pad_set, []).append(run)
        return {name: tuple(runs) for name, runs in found.items()}


def laid_out(
    kind: LayoutKind, levels: Sequence[str], sets: int | Mapping[str, int], runs: int = 2
) -> PlannedRuns:
    """The layout of a kind.

    Parameters
    ----------
    sets : per level where each level has its own (one number for all, or one for each), else in all. runs : of a
        repeated set at one level.
    """
    if isinstance(sets, Mapping):
        return _unequal(kind, levels, sets, runs)
    match kind:
        case LayoutKind.SPLIT_LOT:
            rows = _own_sets(levels, sets, [1] * sets)
        case LayoutKind.NESTED:
            rows = _own_sets(levels, sets, [runs] * sets)
        case LayoutKind.STAGGERED:
            rows = _own_sets(levels, sets, [runs if i % 2 == 0 else 1 for i in range(sets)])
        case LayoutKind.CROSSOVER:
            rows = _in_orders(levels, sets, repeats=1)
        case LayoutKind.CROSSED:
            rows = _in_orders(levels, sets, repeats=runs)
        case LayoutKind.INCOMPLETE:
            chosen = _in_pairs(len(levels), sets)
            rows = [
                PlannedRun(level=levels[t], pad_set=_label(s), place=place)
                for s, block in enumerate(chosen)
                for place, t in enumerate(block, start=1)
            ]
        case LayoutKind.SEARCHED:
            raise ValueError("a layout that is searched for has no size of its own")
    return PlannedRuns(kind=kind, runs=tuple(rows))


def _unequal(kind: LayoutKind, levels: Sequence[str], sets: Mapping[str, int], runs: int) -> PlannedRuns:
    """The layout for the level that has most sets, without those that the others have not; for layouts in which each
    level has sets of its own."""
    whole = laid_out(kind, levels, max(sets[level] for level in levels), runs)
    own: dict[str, list[str]] = {}
    for run in whole.runs:
        names = own.setdefault(run.level, [])
        if run.pad_set not in names:
            names.append(run.pad_set)
    kept = {name for level in levels for name in own[level][: sets[level]]}
    return PlannedRuns(kind=kind, runs=tuple(run for run in whole.runs if run.pad_set in kept))


def on_rigs(plan: PlannedRuns, rigs: Sequence[str]) -> PlannedRuns:
    """The same runs, the sets of each level dealt out to the rigs in turn."""
    turn: dict[str, dict[str, int]] = {}
    for run in plan.runs:
        turn.setdefault(run.level, {}).setdefault(run.pad_set, len(turn[run.level]))
    runs = tuple(replace(run, rig=rigs[turn[run.level][run.pad_set] % len(rigs)]) for run in plan.runs)
    return replace(plan, runs=runs)


@cache
def _in_pairs(levels: int, sets: int) -> list[list[int]]:
    """Two levels for each set, all pairs as equally often as can be.

    Cyclic where whole rounds of sets make it so: neighbours, then those two apart, and so on (John 1971, Statistical
    Design and Analysis of Experiments, ch. 12); else by search.
    """
    rounds = [
        [[i, (i + away) % levels] for i in range(levels if 2 * away != levels else away)]
        for away in range(1, levels // 2 + 1)
    ]
    found: list[list[int]] = []
    while len(found) < sets:
        found += rounds[0]
        # The next time the other way round: a pair that always ran in one order cannot be told from wear.
        rounds = [*rounds[1:], [pair[::-1] for pair in rounds[0]]]
    return found if len(found) == sets else blocks_of_treatments(levels, sets, min(2, levels), seed=1)


def by_operators(plan: PlannedRuns, operators: Sequence[str]) -> PlannedRuns:
    """The same runs, the operators going round: over the runs of a set at one level, each set beginning with the next
    operator, so that sets which run once are shared out as well."""
    turn: dict[str, dict[str, int]] = {}
    done: dict[tuple[str, str], int] = {}
    runs = []
    for run in plan.runs:
        start = turn.setdefault(run.level, {}).setdefault(run.pad_set, len(turn[run.level]))
        number = done[run.pad_set, run.level] = done.get((run.pad_set, run.level), -1) + 1
        runs.append(replace(run, operator=operators[(start + number) % len(operators)]))
    return replace(plan, runs=tuple(runs))


def _own_sets(levels: Sequence[str], sets: int, repeats: Sequence[int]) -> list[PlannedRun]:
    return [
        PlannedRun(level=level, pad_set=_label(i * len(levels) + k), place=place)
        for i in range(sets)
        for k, level in enumerate(levels)
        for place in range(1, repeats[i] + 1)
    ]


def _in_orders(levels: Sequence[str], sets: int, *, repeats: int) -> list[PlannedRun]:
    orders = balanced_orders(len(levels))
    rows = []
    for s in range(sets):
        visits = [k for _ in range(repeats) for k in orders[s % len(orders)]]
        rows += [
            PlannedRun(level=levels[k], pad_set=_label(s), place=place)
            for place, k in enumerate(visits, start=1)
        ]
    return rows


def _label(number: int) -> str:
    return f"S{number + 1:02d}"


def balanced_orders(levels: int) -> list[list[int]]:
    """Orders in which every level stands in every place equally often and follows every other equally often.

    Williams (1949): as many orders as levels if that is even, twice as many if odd.
    """
    first = [0]
    for step in range(1, levels):
        first.append((step + 1) // 2 if step % 2 else levels - step // 2)
    orders = [[(k + shift) % levels for k in first] for shift in range(levels)]
    if levels % 2:
        orders += [order[::-1] for order in orders]
    return orders
