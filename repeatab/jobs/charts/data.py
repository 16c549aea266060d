"""What the charts work on: the visits of each rig, and one cell per visit, section and reference.

In: nothing; `arranging` fills them.  Out: Visits, VisitCells, ReferenceData. No later part of the job holds rows,
except the base rows of range charts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.jobs.charts.past_visits import Days

Key = tuple[str, str]
"""A series: rig and section."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visits:
    """The visits of one rig in order; days are ISO dates ("" where none is recorded), `dated` if all are.

    stamps: (visits,) the days as dates, not-a-time where none is recorded.
    """

    labels: tuple[str, ...]
    days: tuple[str, ...]
    dated: bool
    stamps: Days = field(compare=False, repr=False)

    def __len__(self) -> int:
        return len(self.labels)

    def named(self, index: int) -> str:
        """The visit as a sentence names it."""
        label, day = self.labels[index], self.days[index]
        return label if not day or label == day else f"{label} ({day})"

    def when(self, index: int) -> str:
        """Its date, else its label."""
        return self.days[index] or self.labels[index]


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitCells:
    """Cells of one rig and section in order of the visits: (cells,) arrays.

    visit: index into the rig's visits.  source: rank of the lot or set.  count, mean, ss: runs (or fresh sets) and
    their mean and centred sum of squares.  low, high: extremes.  age: mean number of runs of the set before.
    """

    visit: IntArray
    source: IntArray
    count: IntArray
    mean: FloatArray
    ss: FloatArray
    low: FloatArray
    high: FloatArray
    age: FloatArray

    def at(self, chosen: Any) -> VisitCells:
        """The cells at these places."""
        return VisitCells(**{name: getattr(self, name)[chosen] for name in self.__slots__})


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceData:
    """What the charts work on.

    sources: lots or sets in the order of their first run.  cells: (rig, section) -> its cells.
    visits_per_month: median over rigs, None without dates.  values: for range and standard-deviation charts
    the results of (rig, section, visit, source).  repeats: whether sets of a lot came back at later visits.
     set_aside: sentences on rows that take no part.
    """

    rigs: tuple[str, ...]
    sections: tuple[str, ...]
    sources: tuple[str, ...]
    visits: Mapping[str, Visits]
    cells: Mapping[Key, VisitCells]
    values: Mapping[tuple[str, str, int, int], FloatArray]
    rows: int
    visits_per_month: float | None
    repeats: bool
    lots_told: bool
    set_aside: tuple[str, ...]
