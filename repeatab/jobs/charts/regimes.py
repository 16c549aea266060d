"""Where the limits of a series start anew, and what base or stated limits each regime has.

In: the question, events, cells of a series.  Out: cuts with their causes, Regime.
"""

from __future__ import annotations

from collections.abc import Container, Sequence

import numpy as np

from repeatab.control.arrays import IntArray
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import ReferenceData, VisitCells, Visits
from repeatab.jobs.charts.question import BasePeriod, ControlChart, StatedLimits
from repeatab.jobs.charts.series import Regime

_AFTER_STATED = BasePeriod(visits=3)


def stated_limits(
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


def anchor_of(stated: StatedLimits, data: ReferenceData, source: IntArray) -> int:
    """Place of a point on the reference that stated limits hold for, the first point if they name none."""
    if stated.reference is None:
        return 0
    return int(np.flatnonzero(source == data.sources.index(stated.reference))[0])


def cuts_of(
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


def regime_of_stated(
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


def regime_with_base(
    asked: BasePeriod | None, visits: Visits, own: VisitCells, places: IntArray, number: int, cause: str
) -> Regime:
    """A regime that forms its own limits: which of its points are the base."""
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
