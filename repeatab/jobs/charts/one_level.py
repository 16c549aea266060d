"""What brings the points of a regime to one level: steps between references and wear, as recorded or as estimated now.

In: links, wear, recorded limits, cells.  Out: offsets of the points with their variance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.jobs.charts.data import ReferenceData, VisitCells
from repeatab.jobs.charts.links import Links
from repeatab.jobs.charts.past_corrections import Crossed, RecordedStep, ToldBy, recorded_steps
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series import Regime
from repeatab.jobs.charts.wear import Wear


def linked_steps(links: Links, section: str) -> dict[tuple[int, int], Crossed]:
    """Steps as estimated now."""
    return {(a, b): (one.value, one.se) for (name, a, b), one in links.items() if name == section}


def steps_recorded(
    question: ControlChart, data: ReferenceData, rig: str, section: str
) -> dict[tuple[int, int], Crossed]:
    """Steps that limits of a rig and section were moved by, as recorded: they link even where the overlap is gone."""
    found: dict[tuple[int, int], Crossed] = {}
    for one in question.limits:
        if (one.rig, one.section) == (rig, section) and one.rests_on is not None:
            found |= recorded_steps(one.rests_on.steps, data.sources)
    return found


def with_past(
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


def offsets_of(
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
