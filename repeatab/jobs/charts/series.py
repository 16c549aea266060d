"""The series of one rig and section: a point per visit on one level, cut where the limits start anew.

In: ReferenceData, links, wear, events.  Out: Series with its regimes; each regime has its own base period.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Key, ReferenceData, VisitCells, Visits
from repeatab.jobs.charts.links import Links
from repeatab.jobs.charts.question import BasePeriod, ControlChart, StatedLimits
from repeatab.jobs.charts.wear import Wear

_AFTER_STATED = BasePeriod(visits=3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Regime:
    """Points between two restarts: half-open range of places in the series, and which of them are the base.

    cause: what restarted the limits, "" for the beginning.  forming: whether the base is not complete yet.
    wanted: visits of a complete base, 0 where days bound it.  stated: limits that were set before.
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
    wear: Wear | None

    @property
    def visit(self) -> IntArray:
        """Index of each point's visit among the visits of the rig."""
        return self.cells.visit


def series_of(
    question: ControlChart,
    data: ReferenceData,
    links: Links,
    wear: Mapping[Key, Wear],
    events: Sequence[Event],
) -> dict[Key, Series]:
    """One series per rig and section that has results."""
    found = {}
    for rig in data.rigs:
        for section in data.sections:
            if (rig, section) in data.cells:
                found[rig, section] = _series(
                    question, data, links, wear.get((rig, section)), events, rig, section
                )
    return found


def _series(
    question: ControlChart,
    data: ReferenceData,
    links: Links,
    wear: Wear | None,
    events: Sequence[Event],
    rig: str,
    section: str,
) -> Series:
    cells = data.cells[rig, section]
    cells = cells.at(np.flatnonzero(np.diff(cells.visit, prepend=-1) > 0))
    visits = data.visits[rig]
    cuts = _cuts(question, data, links, events, cells, visits, rig, section)
    bounds = [0, *cuts, cells.visit.size]
    regimes = []
    for number, (start, stop) in enumerate(itertools.pairwise(bounds)):
        own = cells.at(slice(start, stop))
        stated = _stated(question, data, own, visits, rig, section, number)
        places, cause = np.arange(start, stop), cuts.get(start, "")
        if stated is not None:
            regimes.append(_regime_of(stated, visits, own, places, number, cause))
        else:
            regimes.append(_regime(question.base, visits, own, places, number, cause))
    anchors = {
        one.number: _anchor(one.stated, data, cells.source[one.start : one.stop])
        for one in regimes
        if one.stated is not None
    }
    offset, extra = _offsets(links, section, cells, regimes, wear, anchors)
    return Series(
        rig=rig, section=section, visits=visits, cells=cells, level=cells.mean - offset, offset=offset,
        extra=extra, regimes=tuple(regimes), wear=wear,
    )  # fmt: skip


def _stated(
    question: ControlChart,
    data: ReferenceData,
    own: VisitCells,
    visits: Visits,
    rig: str,
    section: str,
    number: int,
) -> StatedLimits | None:
    """The limits that were set before for a regime of a rig and section.

    Those that the study states hold for the first regime, of several those of the latest reference in use; recorded
    ones hold where all of their base period lies, of several the latest.
    """
    mine = [one for one in question.limits if (one.rig, one.section) == (rig, section)]
    if not mine:
        return None
    used = [data.sources[i] for i in dict.fromkeys(own.source.tolist())]
    if number == 0:
        plain = [one for one in mine if one.rests_on is None]
        known = [one for name in used for one in plain if one.reference == name]
        found = known[-1] if known else next((one for one in plain if one.reference is None), None)
        if found is not None:
            return found
    here = {visits.labels[i] for i in own.visit}
    fitting = [
        one
        for one in mine
        if one.rests_on is not None
        and {one.rests_on.first, one.rests_on.last} <= here
        and (one.reference is None or one.reference in used)
    ]
    return fitting[-1] if fitting else None


def _anchor(stated: StatedLimits, data: ReferenceData, source: IntArray) -> int:
    """Place of a point on the reference that stated limits hold for, the first point if they name none."""
    if stated.reference is None:
        return 0
    return int(np.flatnonzero(source == data.sources.index(stated.reference))[0])


def _cuts(
    question: ControlChart,
    data: ReferenceData,
    links: Links,
    events: Sequence[Event],
    cells: VisitCells,
    visits: Visits,
    rig: str,
    section: str,
) -> dict[int, str]:
    """Place of the first point of each later regime -> what restarted it, in order."""
    found: dict[int, str] = {}
    days = visits.stamps[cells.visit]
    for event in events if not np.isnat(days).any() else ():
        if event.kind in question.restart_at and event.concerns(rig):
            place = int(np.searchsorted(days, np.datetime64(event.day, "D")))
            if 0 < place < days.size:
                found[place] = str(event)
    for place in (np.flatnonzero(np.diff(cells.source)) + 1).tolist():
        a, b = sorted((int(cells.source[place - 1]), int(cells.source[place])))
        if (section, a, b) not in links and place not in found:
            found[place] = (
                f"change from {data.sources[cells.source[place - 1]]} to {data.sources[cells.source[place]]} without "
                "overlap"
            )
    return dict(sorted(found.items()))


def _regime_of(
    stated: StatedLimits, visits: Visits, own: VisitCells, places: IntArray, number: int, cause: str
) -> Regime:
    """A regime whose limits were set before: their base period is known, or all points are judged."""
    base, new = places[:0], places
    if stated.rests_on is not None:
        labels = [visits.labels[i] for i in own.visit]
        first, last = labels.index(stated.rests_on.first), labels.index(stated.rests_on.last)
        base, new = places[first : last + 1], places[last + 1 :]
    return Regime(
        number=number, start=int(places[0]), stop=int(places[-1]) + 1, cause=cause, base=base, new=new,
        forming=False, wanted=base.size, stated=stated,
    )  # fmt: skip


def _regime(
    asked: BasePeriod | None, visits: Visits, own: VisitCells, places: IntArray, number: int, cause: str
) -> Regime:
    base = asked or _AFTER_STATED
    start, stop = int(places[0]), int(places[-1]) + 1
    if number == 0:
        window = places[base.holds(visits.stamps[own.visit])][: base.visits]
        if window.size:
            return Regime(
                number=0, start=start, stop=stop, cause=cause, base=window, new=places[places > window[-1]],
                forming=False, wanted=base.visits or 0,
            )  # fmt: skip
        cause = "first results after the base period"
    wanted = base.after_restart
    return Regime(
        number=number, start=start, stop=stop, cause=cause, base=places[:wanted], new=places[wanted:],
        forming=places.size < wanted, wanted=wanted,
    )  # fmt: skip


def _offsets(
    links: Links,
    section: str,
    cells: VisitCells,
    regimes: Sequence[Regime],
    wear: Wear | None,
    anchors: Mapping[int, int],
) -> tuple[FloatArray, FloatArray]:
    """What is taken out of each mean to bring its regime to one level, and the variance of that.

    The level is that of the regime's first reference; with stated limits that of theirs (`anchors`: number
    of the regime -> place of a point on it).
    """
    offset, extra = np.zeros(cells.visit.size), np.zeros(cells.visit.size)
    for regime in regimes:
        own = slice(regime.start, regime.stop)
        steps = _steps(links, section, cells.source[own])
        for value, se, crossed in steps:
            if regime.number in anchors:
                crossed = crossed - crossed[anchors[regime.number]]
            offset[own] += value * crossed
            # Only what a point does not share with the base is unknown: the base may hold runs of both references.
            shared = crossed[regime.base - regime.start].mean() if regime.base.size else 0.0
            extra[own] += (se * (crossed - shared)) ** 2
    if wear is not None:
        offset = offset + wear.correction(cells.age)
        for regime in regimes:
            own = slice(regime.start, regime.stop)
            reference = cells.age[regime.base] if regime.base.size else cells.age[own]
            extra[own] += wear.variance(cells.age[own], float(reference.mean()))
    return offset, extra


def _steps(links: Links, section: str, source: IntArray) -> list[tuple[float, float, FloatArray]]:
    """Step, standard error and (points,) how often each point lies beyond it, for each link that a regime crosses."""
    found: dict[tuple[int, int], FloatArray] = {}
    for place in np.flatnonzero(np.diff(source)) + 1:
        before, now = int(source[place - 1]), int(source[place])
        crossed = found.setdefault((min(before, now), max(before, now)), np.zeros(source.size))
        crossed[place:] += 1.0 if now > before else -1.0
    return [
        (links[section, a, b].value, links[section, a, b].se, crossed) for (a, b), crossed in found.items()
    ]
