"""The reference history of one rig as a figure: means of the visits with their limits, a strip a section, and events.

In: series with their watched regimes, signals, events.  Out: strips, marks of events and the sentence above them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np

from repeatab.control.arrays import IntArray
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Visits
from repeatab.jobs.charts.past_corrections import ToldBy
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import SeriesLimits, base_kept
from repeatab.jobs.charts.signals import ChartSignal, GivenBy
from repeatab.jobs.charts.states import RigState
from repeatab.jobs.charts.watch import Watched
from repeatab.jobs.charts.words import section_name
from repeatab.jobs.wording import enumerated, plural
from repeatab.outcome.history_figures import (
    HistoryEvent,
    HistoryLine,
    HistoryPoint,
    HistoryStrip,
    PointUse,
)
from repeatab.outcome.verdict import Verdict

MOST_POINTS = 400
_FIRST_DAY = date(1970, 1, 1).toordinal()


def places_of(visits: Visits, chosen: IntArray) -> list[float]:
    """Where visits stand on the axis: by their days, else by their order."""
    if visits.dated:
        found: list[float] = (visits.stamps[chosen].astype(np.float64) + _FIRST_DAY).tolist()
        return found
    return [float(index + 1) for index in chosen]


def event_marks(
    question: ControlChart, rig: str, visits: Visits, events: Sequence[Event]
) -> tuple[HistoryEvent, ...]:
    """The events of a rig between its first and last visit; none without dates."""
    if not visits.dated:
        return ()
    low, high = date.fromisoformat(visits.days[0]), date.fromisoformat(visits.days[-1])
    return tuple(
        HistoryEvent(
            place=float(date.fromisoformat(event.day).toordinal()),
            label=f"{event.day} {event.kind}" + (f": {event.text}" if event.text else ""),
            restarts=event.kind in question.restart_at,
        )
        for event in events
        if event.concerns(rig) and low <= date.fromisoformat(event.day) <= high
    )


def history_reading(state: RigState, visits: Visits, marks: Sequence[HistoryEvent]) -> str:
    """The sentence above the history of a rig."""
    tail = f" {plural(len(marks), 'event')} marked by number." if marks else ""
    if state.verdict is not Verdict.SIGNAL:
        return f"{state.rig} is {'in control' if state.verdict is Verdict.IN_CONTROL else 'not judged yet'}.{tail}"
    names = enumerated([section_name(part.section) for part in state.signalling])
    first = state.first
    assert first is not None
    return f"{state.rig} signals in {names} since {visits.when(first.at)}; diamonds mark the points.{tail}"


def history_strip(
    series: Series, watched: tuple[Watched, ...], signals: Sequence[ChartSignal], scale: Scale
) -> HistoryStrip:
    """The means of one section with their limits, those that signal marked."""
    loud = {
        point
        for one in signals
        if one.section == series.section and one.given_by in (GivenBy.LIMIT, GivenBy.RULE, GivenBy.SCATTER)
        for point in (*one.points, *range(one.at, one.until + 1))
    }
    points: list[HistoryPoint] = []
    stretches: list[int] = []
    for one in watched:
        regime = one.regime
        judged = set(regime.new.tolist())
        kept = set(base_kept(regime, one.limits).tolist()) if one.limits else set(regime.base.tolist())
        places = np.arange(regime.start, regime.stop)[-MOST_POINTS:]
        visits = series.visit[places]
        columns = (
            places.tolist(), visits.tolist(), places_of(series.visits, visits),
            scale.levels(series.cells.mean[places]).tolist(), _bounds(series, one.limits, places, scale),
        )  # fmt: skip
        for place, visit, at, value, (centre, low, high) in zip(*columns, strict=True):
            use = PointUse.NEW if place in judged else PointUse.BASE if place in kept else PointUse.LEFT_OUT
            points.append(
                HistoryPoint(
                    place=at, label=series.visits.labels[visit], value=value, centre=centre, lower=low, upper=high,
                    use=use, signal=visit in loud,
                )
            )  # fmt: skip
        # A new reference starts a new line too: its level is another.
        stretches += (1000 * regime.number + series.cells.source[places]).tolist()
    line = HistoryLine(name="mean of the visit", points=tuple(points), stretches=tuple(stretches))
    return HistoryStrip(label=strip_name(series), lines=(line,))


def strip_name(series: Series) -> str:
    """The section, with the joint name where wear and drift are one number."""
    if series.wear is None or series.wear.told_by is not ToldBy.NOTHING:
        return series.section
    return f"{series.section} (drift of the rig and wear of the set, mixed together)"


def _bounds(
    series: Series, limits: SeriesLimits | None, places: IntArray, scale: Scale
) -> list[tuple[float | None, float | None, float | None]]:
    """Centre and limits of each point in the unit of its own reference; none for residuals and without limits."""
    if limits is None:
        return [(None, None, None)] * places.size
    offset = series.offset[places]
    if limits.model is not None:
        # What the point before made one expect is the centre of a residual chart.
        before = np.concatenate([[limits.model.centre], series.level[places][:-1]])
        centre = limits.model.centre + limits.model.carry * (before - limits.model.centre)
        half = limits.limits.factor * np.full(places.size, limits.model.step_sd)
    else:
        centre = np.full(places.size, limits.limits.centre)
        sd = np.sqrt(limits.sd(series.cells.count[places]) ** 2 + series.extra[places])
        half = limits.limits.factor * sd
    rows = np.column_stack([centre, centre - half, centre + half]) + offset[:, None]
    return [(centre, low, high) for centre, low, high in scale.levels(rows).tolist()]
