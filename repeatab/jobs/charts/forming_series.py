"""One series per rig and section: a point per visit, cut where the limits start anew, each regime on one level.

In: ReferenceData, links, wear, events.  Out: Series with its regimes.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import numpy as np

from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Key, ReferenceData
from repeatab.jobs.charts.links import Links
from repeatab.jobs.charts.one_level import linked_steps, offsets_of, steps_recorded, with_past
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.regimes import anchor_of, cuts_of, regime_of_stated, regime_with_base, stated_limits
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.wear import Wear


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
    past = steps_recorded(question, data, rig, section)
    cuts = cuts_of(question, data, {*past, *linked_steps(links, section)}, events, cells, visits, rig)
    bounds = [0, *cuts, cells.visit.size]
    regimes = []
    for number, (start, stop) in enumerate(itertools.pairwise(bounds)):
        own = cells.at(slice(start, stop))
        stated = stated_limits(question, data, own, visits, rig, section, number)
        places, cause = np.arange(start, stop), cuts.get(start, "")
        if stated is not None:
            regimes.append(regime_of_stated(stated, visits, own, places, number, cause))
        else:
            regimes.append(regime_with_base(question.base, visits, own, places, number, cause))
    anchors = {
        one.number: anchor_of(one.stated, data, cells.source[one.start : one.stop])
        for one in regimes
        if one.stated is not None
    }
    now = {**past, **linked_steps(links, section)}
    regimes = [with_past(one, now, data, wear, cells) for one in regimes]
    offset, extra = offsets_of(data, cells, regimes, anchors)
    return Series(
        rig=rig, section=section, visits=visits, cells=cells, level=cells.mean - offset, offset=offset,
        extra=extra, regimes=tuple(regimes),
    )  # fmt: skip
