"""The series of one rig and section: a point per visit on one level, and its regimes.

In: nothing; `forming_series` fills them.  Out: Regime, with its own base period, and Series.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.jobs.charts.data import VisitCells, Visits
from repeatab.jobs.charts.past_corrections import RecordedStep
from repeatab.jobs.charts.question import BaseOfLimits, StatedLimits
from repeatab.jobs.charts.wear import Wear


@dataclass(frozen=True, slots=True, kw_only=True)
class Regime:
    """Points between two restarts: half-open range of places in the series, and which of them are the base.

    cause: what restarted the limits, "" for the beginning.  forming: whether the base is not complete yet.
    wanted: visits of a complete base, 0 where days bound it.  stated: limits that were set before.  wear: what is taken
    out of its points, as recorded with its limits if they were; base_age: mean age over its base.  steps: those between
    references that its points run over, and those recorded with its limits.
    """

    number: int
    start: int
    stop: int
    cause: str
    base: IntArray
    new: IntArray
    forming: bool
    wanted: int
    stated: StatedLimits | None = None
    wear: Wear | None = None
    base_age: float = 0.0
    steps: tuple[RecordedStep, ...] = ()

    @property
    def rests_on(self) -> BaseOfLimits | None:
        """The base of recorded limits, None where they are not recorded ones."""
        return None if self.stated is None else self.stated.rests_on

    @property
    def complete(self) -> bool:
        """Whether no further visit can join the base: it has its number, or later visits are there."""
        return self.new.size > 0 or (self.wanted > 0 and self.base.size >= self.wanted)

    @property
    def points(self) -> IntArray:
        """Places of base and new points together, in order."""
        return np.sort(np.concatenate([self.base, self.new]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """The charted points of one rig and section, one per visit: (points,) arrays.

    cells: those of the reference in use (the older one while two overlap).  level: means on the level of the first
    reference of their regime, wear taken out.  offset: what was taken out.  extra: variance of the offset against
    the regime's base.  sources: ranks of the references in use in order.
    """

    rig: str
    section: str
    visits: Visits
    cells: VisitCells
    level: FloatArray
    offset: FloatArray
    extra: FloatArray
    regimes: tuple[Regime, ...]

    @property
    def wear(self) -> Wear | None:
        """What is taken out of the latest points."""
        return self.regimes[-1].wear

    @property
    def visit(self) -> IntArray:
        """Index of each point's visit among the visits of the rig."""
        return self.cells.visit
