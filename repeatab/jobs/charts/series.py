"""The series of one rig and section: a point per visit on one level, cut where the limits start anew.

In: ReferenceData, links, wear, events.  Out: Series with its regimes; each regime has its own base period.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import ReferenceData, VisitCells, Visits
from repeatab.jobs.charts.links import Links
from repeatab.jobs.charts.question import BasePeriod, ControlChart, StatedLimits
from repeatab.jobs.charts.wear import Wear

_AFTER_STATED = BasePeriod(visits=3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Regime:
    """Points between two restarts: half-open range of places in the series, and which of them are the base.

    cause: what restarted the limits, "" for the beginning.  forming: whether the base is not complete yet.
    """

    number: int
    start: int
    stop: int
    cause: str
    base: IntArray
    new: IntArray
    forming: bool
    wanted: int

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
    stated: StatedLimits | None

    @property
    def visit(self) -> IntArray:
        """Index of each point's visit among the visits of the rig."""
        return self.cells.visit

    def days(self) -> list[str]:
        """The day of each point."""
        return [self.visits.days[i] for i in self.visit]


def series_of(
    question: ControlChart,
    data: ReferenceData,
    links: Links,
    wear: Mapping[tuple[str, str], Wear],
    events: Sequence[Event],
) -> dict[tuple[str, str], Series]:
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
    stated = _stated(question, data, cells.source[: bounds[1]], rig, section)
    regimes = [
        _regime(
            question.base if number or stated is None else None,
            visits,
            cells,
            number,
            bounds[number],
            bounds[number + 1],
            cuts.get(bounds[number], ""),
        )
        for number in range(len(bounds) - 1)
    ]
    anchor = None if stated is None else _anchor(stated, data, cells.source[: bounds[1]])
    offset, extra = _offsets(links, section, cells, regimes, wear, anchor)
    return Series(
        rig=rig, section=section, visits=visits, cells=cells, level=cells.mean - offset, offset=offset,
        extra=extra, regimes=tuple(regimes), wear=wear, stated=stated,
    )  # fmt: skip


def _stated(
    question: ControlChart, data: ReferenceData, source: IntArray, rig: str, section: str
) -> StatedLimits | None:
    """The limits stated for a rig and section; of several those of the latest reference that is in use."""
    mine = [one for one in question.limits if (one.rig, one.section) == (rig, section)]
    used = [data.sources[i] for i in dict.fromkeys(source.tolist())]
    known = [one for name in used for one in mine if one.reference == name]
    return known[-1] if known else next((one for one in mine if one.reference is None), None)


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
    days = [visits.days[i] for i in cells.visit]
    found: dict[int, str] = {}
    for event in events:
        if event.kind in question.restart_at and event.concerns(rig) and all(days):
            place = next((i for i, day in enumerate(days) if day >= event.day), len(days))
            if 0 < place < len(days):
                found[place] = str(event)
    for place in (np.flatnonzero(np.diff(cells.source)) + 1).tolist():
        a, b = sorted((int(cells.source[place - 1]), int(cells.source[place])))
        if (section, a, b) not in links and place not in found:
            found[place] = (
                f"change from {data.sources[cells.source[place - 1]]} to {data.sources[cells.source[place]]} without "
                "overlap"
            )
    return dict(sorted(found.items()))


def _regime(
    asked: BasePeriod | None,
    visits: Visits,
    cells: VisitCells,
    number: int,
    start: int,
    stop: int,
    cause: str,
) -> Regime:
    places = np.arange(start, stop)
    base = asked or _AFTER_STATED
    if number == 0 and asked is None:
        return Regime(
            number=0,
            start=start,
            stop=stop,
            cause=cause,
            base=places[:0],
            new=places,
            forming=False,
            wanted=0,
        )
    if number == 0:
        inside = np.array([base.holds(visits.days[i]) for i in cells.visit[start:stop]], dtype=np.bool_)
        window = places[inside][: base.visits]
        if window.size:
            return Regime(
                number=0, start=start, stop=stop, cause=cause, base=window, new=places[places > window[-1]],
                forming=False, wanted=window.size,
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
    anchor: int | None,
) -> tuple[FloatArray, FloatArray]:
    """What is taken out of each mean to bring its regime to one level, and the variance of that.

    The level is that of the regime's first reference; with stated limits (`anchor`) that of theirs.
    """
    offset, extra = np.zeros(cells.visit.size), np.zeros(cells.visit.size)
    for regime in regimes:
        own = slice(regime.start, regime.stop)
        steps = _steps(links, section, cells.source[own])
        for value, se, crossed in steps:
            if anchor is not None and regime.number == 0:
                crossed = crossed - crossed[anchor]
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
