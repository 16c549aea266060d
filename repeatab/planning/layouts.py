"""Layouts: the ways in which runs can be laid out, as rows that say which set runs where and in which place.

In: the levels that are compared (rigs, lots), numbers of sets and runs.  Out: PlannedRuns.
Sources: crossed, nested: Montgomery (2017), Design and Analysis of Experiments, ch. 14; staggered nested: Bainbridge
(1965), Ind. Qual. Control 22, 12-20; orders balanced for what ran before: Williams (1949), Aust. J. Sci. Res. A 2,
149-168; incomplete blocks: Cochran & Cox (1957), Experimental Designs, ch. 11.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import combinations

from repeatab.planning.exchange import blocks_of_treatments


class LayoutKind(Enum):
    """A way to lay out runs; the value is the word on the page."""

    SPLIT_LOT = "lot split over the rigs, each set on one rig"
    CROSSOVER = "the same sets on every rig, in changing order"
    CROSSED = "every set on every rig, repeated"
    NESTED = "each rig its own sets, every set repeated"
    STAGGERED = "each rig its own sets, only half of them repeated"
    INCOMPLETE = "each set on some of the rigs, balanced over sets"


_OF_LOTS = {
    LayoutKind.SPLIT_LOT: "fresh sets of every lot, each run once",
    LayoutKind.NESTED: "fresh sets of every lot, every set repeated",
    LayoutKind.STAGGERED: "fresh sets of every lot, only half of them repeated",
}


def layout_words(kind: LayoutKind, factor: str) -> str:
    """The layout in words, where the levels of `factor` are compared."""
    return _OF_LOTS.get(kind, kind.value) if factor == "pad_lot" else kind.value


CROSSING = (LayoutKind.CROSSOVER, LayoutKind.CROSSED, LayoutKind.INCOMPLETE)
"""Layouts in which a set runs on several rigs: not possible where a set is used up by one run."""
REPEATING = (*CROSSING, LayoutKind.NESTED, LayoutKind.STAGGERED)
"""Layouts in which a set runs more than once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """One run: which set, on which level, and its place in the life of the set (from 1)."""

    level: str
    pad_set: str
    place: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRuns:
    """A layout of given size. sets : pad sets in all."""

    kind: LayoutKind
    runs: tuple[PlannedRun, ...]

    @property
    def sets(self) -> int:
        return len({run.pad_set for run in self.runs})

    @property
    def per_level(self) -> int:
        """Sets at the level that has fewest."""
        levels = {run.level for run in self.runs}
        return min(len({run.pad_set for run in self.runs if run.level == level}) for level in levels)


def laid_out(kind: LayoutKind, levels: Sequence[str], sets: int, runs: int = 2) -> PlannedRuns:
    """The layout of a kind.

    Parameters
    ----------
    sets : per level where each level has its own, else in all. runs : of a repeated set at one level.
    """
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
            chosen = blocks_of_treatments(len(levels), sets, min(2, len(levels)), seed=1)
            rows = [
                PlannedRun(level=levels[t], pad_set=_label(s), place=place)
                for s, block in enumerate(chosen)
                for place, t in enumerate(block, start=1)
            ]
    return PlannedRuns(kind=kind, runs=tuple(rows))


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


def pair_counts(runs: PlannedRuns) -> dict[tuple[str, str], int]:
    """How many sets every two levels share."""
    by_set: dict[str, set[str]] = {}
    for run in runs.runs:
        by_set.setdefault(run.pad_set, set()).add(run.level)
    counts: dict[tuple[str, str], int] = {}
    for levels in by_set.values():
        for pair in combinations(sorted(levels), 2):
            counts[pair] = counts.get(pair, 0) + 1
    return counts
