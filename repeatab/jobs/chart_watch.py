"""The charts applied: what each series signals, when that probably began, and what else happened then.

In: series with limits, the charts, the events.  Out: Watched regimes and ChartSignal values.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from repeatab.base.errors import RepeatabError
from repeatab.control.arrays import FloatArray, IntArray
from repeatab.control.beginning import Beginning, Course, beginning
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.cusum import CusumSeries, cusum_series
from repeatab.control.ewma import EwmaSeries, ewma_series
from repeatab.control.run_rules import shewhart_signals
from repeatab.control.signals import Side, Signal
from repeatab.control.subgroup_limits import Spread
from repeatab.intake.events import Event
from repeatab.jobs.chart_data import ReferenceData, Visits
from repeatab.jobs.chart_limits import SeriesLimits, limits_of
from repeatab.jobs.chart_question import ControlChart
from repeatab.jobs.chart_series import Regime, Series


class GivenBy(Enum):
    """Which chart gave a signal; the value is the report's word."""

    LIMIT = "one point beyond the limits"
    RULE = "run rule"
    EWMA = "moving average"
    CUSUM = "cumulative sum"
    SCATTER = "scatter within the visit"
    JOINT = "sections together"
    JOINT_EWMA = "moving average of the sections together"


@dataclass(frozen=True, slots=True, kw_only=True)
class Began:
    """When a signal probably began, by visits of the rig: the likeliest, the first and last that may be.

    after: the visit before the first, the last one known unchanged (None at the very beginning).  size: of a step, or
    per visit of a drift; now: change at the last point; both in the unit of the analysis.
    """

    course: Course
    likelier: Course
    visit: int
    first: int
    last: int
    after: int | None
    size: float
    now: float
    strength: float
    level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartSignal:
    """A signal of one rig: in a section, or (section "") in the sections together.

    rule: the chart or rule in words.  at, until, points: indices of the rig's visits.  closed: what closed it, "" for
    an open one.  nearby: events between the last visit known unchanged and the last at which it may have begun.
    drivers: the sections that drive a joint signal.
    """

    rig: str
    section: str
    given_by: GivenBy
    rule: str
    side: Side
    at: int
    until: int
    points: tuple[int, ...]
    began: Began | None
    closed: str
    nearby: tuple[Event, ...]
    drivers: tuple[str, ...] = ()

    @property
    def open(self) -> bool:
        return not self.closed


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """New points charted in one go, from a restart or a closed signal to the next: places and standardised values.

    z: with the widening of trial limits taken in, so that the nominal limits apply.  raw: without it.
    """

    places: IntArray
    z: FloatArray
    raw: FloatArray
    closed_by: str
    ewma: EwmaSeries | None
    cusum: CusumSeries | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """A regime with its limits (None, and the trouble, where they cannot be formed) and what was charted."""

    regime: Regime
    limits: SeriesLimits | None
    trouble: str
    stretches: tuple[Stretch, ...]


def watch(
    question: ControlChart, data: ReferenceData, series: Series, events: Sequence[Event]
) -> tuple[tuple[Watched, ...], tuple[ChartSignal, ...]]:
    """Chart every regime of a series."""
    watched: list[Watched] = []
    signals: list[ChartSignal] = []
    for regime in series.regimes:
        try:
            limits = limits_of(question, data, series, regime)
        except RepeatabError as error:
            watched.append(Watched(regime=regime, limits=None, trouble=str(error), stretches=()))
            continue
        stretches = tuple(_stretches(question, series, regime, limits, events))
        watched.append(Watched(regime=regime, limits=limits, trouble="", stretches=stretches))
        ended = "" if regime.number == len(series.regimes) - 1 else series.regimes[regime.number + 1].cause
        for stretch in stretches:
            closed = stretch.closed_by or ended
            signals += _signals(question, series, limits, stretch, closed, events)
    return tuple(watched), tuple(signals)


def standardised(series: Series, regime: Regime, limits: SeriesLimits, places: IntArray) -> FloatArray:
    """(places,) distance from the centre in standard deviations; what a link or wear leaves unknown widens them.

    Residuals need the point before: they run over base and new points together.
    """
    if limits.model is not None:
        every = regime.points
        residual = limits.model.residuals(series.level[every]) / limits.model.step_sd
        z = residual[np.searchsorted(every, places)]
        relative = series.extra[places] / limits.model.step_sd**2
        return np.asarray(z / np.sqrt(1 + relative), dtype=np.float64)
    sd = np.sqrt(limits.sd(series.cells.count[places]) ** 2 + series.extra[places])
    return np.asarray((series.level[places] - limits.limits.centre) / sd, dtype=np.float64)


def _stretches(
    question: ControlChart, series: Series, regime: Regime, limits: SeriesLimits, events: Sequence[Event]
) -> Iterator[Stretch]:
    days = series.days()
    closings = [event for event in events if event.kind in question.closing and event.concerns(series.rig)]
    left = regime.new
    for event in closings:
        done = left[[bool(days[i]) and days[i] < event.day for i in left]] if left.size else left
        if done.size:
            yield _stretch(question, series, regime, limits, done, str(event))
            left = left[done.size :]
    if left.size:
        yield _stretch(question, series, regime, limits, left, "")


def _stretch(
    question: ControlChart,
    series: Series,
    regime: Regime,
    limits: SeriesLimits,
    places: IntArray,
    closed_by: str,
) -> Stretch:
    raw = standardised(series, regime, limits, places)
    z = raw / limits.widening
    ewma = None if question.ewma is None else ewma_series(z, question.ewma, centre=0.0, sd=1.0)
    cusum = None if question.cusum is None else cusum_series(z, question.cusum, centre=0.0, sd=1.0)
    return Stretch(places=places, z=z, raw=raw, closed_by=closed_by, ewma=ewma, cusum=cusum)


def _signals(
    question: ControlChart,
    series: Series,
    limits: SeriesLimits,
    stretch: Stretch,
    closed: str,
    events: Sequence[Event],
) -> Iterator[ChartSignal]:
    found = [
        *shewhart_signals(stretch.z, question.shewhart),
        *(stretch.ewma.signals if stretch.ewma else ()),
        *(stretch.cusum.signals if stretch.cusum else ()),
    ]
    visit = series.visit[stretch.places]
    unit = limits.limits.sd
    if limits.model is not None:
        unit /= 1 - limits.model.carry
    for signal in found:
        kind, rule = _named(signal)
        began = began_at(stretch.raw[: signal.until + 1], visit, signal.side, unit, question.confidence)
        yield ChartSignal(
            rig=series.rig, section=series.section, given_by=kind, rule=rule, side=signal.side,
            at=int(visit[signal.at]), until=int(visit[signal.until]),
            points=tuple(int(visit[i]) for i in signal.points), began=began, closed=closed,
            nearby=nearby(events, series.rig, series.visits, began, int(visit[signal.at])),
        )  # fmt: skip
    yield from _scatter_signals(series, limits, stretch, closed, events)


def _named(signal: Signal) -> tuple[GivenBy, str]:
    match signal.given_by:
        case Shewhart(limit=limit):
            return GivenBy.LIMIT, f"one point beyond {limit:g} standard deviations"
        case Ewma():
            return GivenBy.EWMA, "moving average beyond its limit"
        case Cusum():
            return GivenBy.CUSUM, "cumulative sum beyond its decision value"
        case rule:
            return GivenBy.RULE, str(rule)


def began_at(raw: FloatArray, visit: IntArray, side: Side, unit: float, level: float) -> Began | None:
    """When the change behind a signal began; None where the likeliest change goes the other way."""
    found: Beginning = beginning(raw, centre=0.0, sd=1.0, level=level)
    if (side is Side.UP and found.now < 0) or (side is Side.DOWN and found.now > 0):
        return None
    return Began(
        course=found.course, likelier=found.likelier, visit=int(visit[found.most_likely]),
        first=int(visit[found.first]), last=int(visit[found.last]),
        after=int(visit[found.first]) - 1 if visit[found.first] > 0 else None,
        size=found.size * unit, now=found.now * unit, strength=abs(found.now), level=level,
    )  # fmt: skip


def nearby(
    events: Sequence[Event], rig: str, visits: Visits, began: Began | None, at: int
) -> tuple[Event, ...]:
    """Events of the rig after the last visit known unchanged, up to the last at which the change may have begun."""
    first, last = (began.after, began.last) if began else (at - 1 if at else None, at)
    low = visits.days[first] if first is not None else ""
    high = visits.days[last]
    if not high:
        return ()
    return tuple(event for event in events if event.concerns(rig) and low < event.day <= high)


def _scatter_signals(
    series: Series, limits: SeriesLimits, stretch: Stretch, closed: str, events: Sequence[Event]
) -> Iterator[ChartSignal]:
    cells = series.cells.at(stretch.places)
    ranged = limits.spread is not None and limits.spread.spread is Spread.RANGE
    for place in range(cells.visit.size):
        runs = int(cells.count[place])
        bounds = limits.scatter_bounds(runs)
        if bounds is None:
            continue
        own = (
            float(cells.high[place] - cells.low[place])
            if ranged
            else float(np.sqrt(cells.ss[place] / (runs - 1)))
        )
        if bounds[0] <= own <= bounds[1]:
            continue
        at = int(cells.visit[place])
        side = Side.UP if own > bounds[1] else Side.DOWN
        what = "range" if ranged else "standard deviation"
        yield ChartSignal(
            rig=series.rig, section=series.section, given_by=GivenBy.SCATTER,
            rule=f"{what} of the runs of the visit {'above' if side is Side.UP else 'below'} its limit",
            side=side, at=at, until=at, points=(at,), began=None, closed=closed,
            nearby=nearby(events, series.rig, series.visits, None, at),
        )  # fmt: skip
