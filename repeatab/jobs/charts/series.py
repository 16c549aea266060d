"""The series of one rig and section: a point per visit on one level, cut where the limits start anew.

In: ReferenceData, links, wear, events.  Out: Series with its regimes; each regime has its own base period.
"""

from __future__ import annotations

import itertools
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Key, ReferenceData, VisitCells, Visits
from repeatab.jobs.charts.links import Links
from repeatab.jobs.charts.past_corrections import Crossed, RecordedStep, ToldBy, recorded_steps
from repeatab.jobs.charts.question import BaseOfLimits, BasePeriod, ControlChart, StatedLimits
from repeatab.jobs.charts.wear import Wear

_AFTER_STATED = BasePeriod(visits=3)


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
    past = _recorded_past(question, data, rig, section)
    cuts = _cuts(question, data, {*past, *_linked(links, section)}, events, cells, visits, rig)
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
    now = {**past, **_linked(links, section)}
    regimes = [_with_past(one, now, data, wear, cells) for one in regimes]
    offset, extra = _offsets(data, cells, regimes, anchors)
    return Series(
        rig=rig, section=section, visits=visits, cells=cells, level=cells.mean - offset, offset=offset,
        extra=extra, regimes=tuple(regimes),
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
    linked: Container[tuple[int, int]],
    events: Sequence[Event],
    cells: VisitCells,
    visits: Visits,
    rig: str,
) -> dict[int, str]:
    """Place of the first point of each later regime -> what restarted it, in order.  linked: references with a step."""
    found: dict[int, str] = {}
    days = visits.stamps[cells.visit]
    for event in events if not np.isnat(days).any() else ():
        if event.kind in question.restart_at and event.concerns(rig):
            place = int(np.searchsorted(days, np.datetime64(event.day, "D")))
            if 0 < place < days.size:
                found[place] = str(event)
    for place in (np.flatnonzero(np.diff(cells.source)) + 1).tolist():
        a, b = sorted((int(cells.source[place - 1]), int(cells.source[place])))
        if (a, b) not in linked and place not in found:
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


def _linked(links: Links, section: str) -> dict[tuple[int, int], Crossed]:
    """Steps as estimated now."""
    return {(a, b): (one.value, one.se) for (name, a, b), one in links.items() if name == section}


def _recorded_past(
    question: ControlChart, data: ReferenceData, rig: str, section: str
) -> dict[tuple[int, int], Crossed]:
    """Steps that limits of a rig and section were moved by, as recorded: they link even where the overlap is gone."""
    found: dict[tuple[int, int], Crossed] = {}
    for one in question.limits:
        if (one.rig, one.section) == (rig, section) and one.rests_on is not None:
            found |= recorded_steps(one.rests_on.steps, data.sources)
    return found


def _with_past(
    regime: Regime,
    now: Mapping[tuple[int, int], Crossed],
    data: ReferenceData,
    wear: Wear | None,
    cells: VisitCells,
) -> Regime:
    """With the wear and the steps its points are brought to one level by: recorded ones before those estimated now."""
    own, rests_on = slice(regime.start, regime.stop), regime.rests_on
    age = cells.age[regime.base] if regime.base.size else cells.age[own]
    base_age = float(age.mean())
    if rests_on is not None and wear is not None:
        if rests_on.wear is None:
            # Recorded before the wear was kept, which was done only where none was taken out.
            wear = Wear(rig=wear.rig, section=wear.section, told_by=ToldBy.NOTHING)
        else:
            then, base_age = rests_on.wear, rests_on.wear.base_age
            wear = replace(wear, told_by=then.told_by, per_run=then.per_run, se=then.se, df=then.df)
    kept = () if rests_on is None else rests_on.steps
    known = recorded_steps(kept, data.sources)
    found = [
        RecordedStep(earlier=data.sources[a], later=data.sources[b], value=now[a, b][0], se=now[a, b][1])
        for a, b in _crossings(cells.source[own])
        if (a, b) not in known
    ]
    return replace(regime, wear=wear, base_age=base_age, steps=(*kept, *found))


def _offsets(
    data: ReferenceData, cells: VisitCells, regimes: Sequence[Regime], anchors: Mapping[int, int]
) -> tuple[FloatArray, FloatArray]:
    """What is taken out of each mean to bring its regime to one level, and the variance of that.

    The level is that of the regime's first reference; with stated limits that of theirs (`anchors`: number
    of the regime -> place of a point on it).
    """
    offset, extra = np.zeros(cells.visit.size), np.zeros(cells.visit.size)
    for regime in regimes:
        own = slice(regime.start, regime.stop)
        steps = recorded_steps(regime.steps, data.sources)
        for pair, crossed in _crossings(cells.source[own]).items():
            value, se = steps[pair]
            if regime.number in anchors:
                crossed = crossed - crossed[anchors[regime.number]]
            offset[own] += value * crossed
            # Only what a point does not share with the base is unknown: the base may hold runs of both references.
            shared = crossed[regime.base - regime.start].mean() if regime.base.size else 0.0
            extra[own] += (se * (crossed - shared)) ** 2
        if regime.wear is not None:
            offset[own] += regime.wear.correction(cells.age[own])
            extra[own] += regime.wear.variance(cells.age[own], regime.base_age)
    return offset, extra


def _crossings(source: IntArray) -> dict[tuple[int, int], FloatArray]:
    """(points,) how often each point lies beyond the step between two references, for each that a regime crosses."""
    found: dict[tuple[int, int], FloatArray] = {}
    for place in np.flatnonzero(np.diff(source)) + 1:
        before, now = int(source[place - 1]), int(source[place])
        crossed = found.setdefault((min(before, now), max(before, now)), np.zeros(source.size))
        crossed[place:] += 1.0 if now > before else -1.0
    return found
