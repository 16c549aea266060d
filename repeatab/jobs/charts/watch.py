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
from repeatab.control.rules import Pattern, RunRule
from repeatab.control.run_rules import rule_signals, shewhart_signals
from repeatab.control.scatter_beginning import scatter_beginning
from repeatab.control.signals import Side, Signal
from repeatab.control.subgroup_limits import Spread
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import ReferenceData, VisitCells, Visits
from repeatab.jobs.charts.limits import limits_of
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series import Regime, Series
from repeatab.jobs.charts.series_limits import SeriesLimits

_CENTRE_RANGE = 2.0


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
    per visit of a drift; now: change at the last point; both in the unit of the analysis, or lengths in the metric of
    the covariance for the sections together, whose own changes by now are `changes`.
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
    changes: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterBegan:
    """When the scatter within visits probably stepped to another value; visits as in Began.

    ratio: standard deviation since then over that before, with the lower and upper one that the data do not rule out.
    """

    visit: int
    first: int
    last: int
    after: int | None
    ratio: float
    lower: float
    upper: float
    level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartSignal:
    """A signal of one rig: in a section, or (section "") in the sections together.

    rule: the chart or rule in words.  at, until, points: indices of the rig's visits.  closed: what closed it, "" for
    an open one.  nearby: events between the last visit known unchanged and the last at which it may have begun.
    drivers: the sections that drive a joint signal.  began: of a change of the level, scatter_began: of the scatter
    within visits, each None for signals of the other.
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
    scatter_began: ScatterBegan | None = None

    @property
    def open(self) -> bool:
        return not self.closed


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """New points charted in one go, from a restart or a closed signal to the next."""

    places: IntArray
    z: Standardised
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Standardised:
    """Points in standard deviations from the centre, (places,) each, for what judges them.

    raw: of the points themselves and of what a link or wear leaves unknown together.  alone: for limits on single
    points, widened where these are trial limits, so that the nominal limit applies.  centred: for run rules and sums:
    only what lies beyond the range in which the centre may be counts, since an error of the centre is shared by
    all points.  averaged: for a moving average, whose own scatter is small beside such an error.
    """

    raw: FloatArray
    alone: FloatArray
    centred: FloatArray
    averaged: FloatArray


def standardised(
    question: ControlChart, series: Series, regime: Regime, limits: SeriesLimits, places: IntArray
) -> Standardised:
    """Standardise points for each kind of chart; residuals need the point before, so they run over all points."""
    if limits.model is not None:
        every = regime.points
        own = limits.model.residuals(series.level[every])[np.searchsorted(every, places)]
        sd = np.full(places.size, limits.model.step_sd)
    else:
        own, sd = series.level[places] - limits.limits.centre, limits.sd(series.cells.count[places])
    alone, link = own / sd, series.extra[places] / sd**2
    few = limits.centre_variance if limits.trial else 0.0
    scatter = limits.widening / np.sqrt(1 + few)  # what the standard deviation alone asks for
    unknown = link + few
    weight = 1.0 if question.ewma is None else question.ewma.weight
    beyond = np.sign(alone) * np.maximum(0.0, np.abs(alone) - _CENTRE_RANGE * np.sqrt(unknown))
    raw = alone / np.sqrt(1 + link)
    return Standardised(
        raw=raw,
        alone=raw / limits.widening,
        centred=beyond / scatter,
        averaged=alone / scatter / np.sqrt(1 + unknown * (2 - weight) / weight),
    )


def _stretches(
    question: ControlChart, series: Series, regime: Regime, limits: SeriesLimits, events: Sequence[Event]
) -> Iterator[Stretch]:
    days = series.visits.stamps[series.visit]
    closings = [event for event in events if event.kind in question.closing and event.concerns(series.rig)]
    left = regime.new
    for event in closings:
        done = left[days[left] < np.datetime64(event.day, "D")]
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
    z = standardised(question, series, regime, limits, places)
    ewma = None if question.ewma is None else ewma_series(z.averaged, question.ewma, centre=0.0, sd=1.0)
    cusum = None if question.cusum is None else cusum_series(z.centred, question.cusum, centre=0.0, sd=1.0)
    return Stretch(places=places, z=z, closed_by=closed_by, ewma=ewma, cusum=cusum)


def _signals(
    question: ControlChart,
    series: Series,
    limits: SeriesLimits,
    stretch: Stretch,
    closed: str,
    events: Sequence[Event],
) -> Iterator[ChartSignal]:
    found = [
        *shewhart_signals(stretch.z.alone, Shewhart(limit=question.shewhart.limit)),
        *(s for rule in question.shewhart.rules for s in _rule_signals(stretch.z, rule)),
        *(stretch.ewma.signals if stretch.ewma else ()),
        *(stretch.cusum.signals if stretch.cusum else ()),
    ]
    visit = series.visit[stretch.places]
    unit = limits.limits.sd
    if limits.model is not None:
        unit /= 1 - limits.model.carry
    for signal in found:
        kind, rule = _named(signal)
        # Where the base period itself moves the change began before there was anything to tell it from.
        began = (
            None
            if limits.trend
            else began_at(stretch.z.raw[: signal.until + 1], visit, signal.side, unit, question.confidence)
        )
        yield ChartSignal(
            rig=series.rig, section=series.section, given_by=kind, rule=rule, side=signal.side,
            at=int(visit[signal.at]), until=int(visit[signal.until]),
            points=tuple(int(visit[i]) for i in signal.points), began=began, closed=closed,
            nearby=nearby(events, series.rig, series.visits, began, int(visit[signal.at])),
        )  # fmt: skip
    yield from _scatter_signals(question, series, limits, stretch, closed, events)


def _rule_signals(z: Standardised, rule: RunRule) -> list[Signal]:
    """Rises and falls, and points near the centre, by the points; sides of the centre by what lies beyond its range."""
    sided = rule.pattern in (Pattern.ONE_SIDE, Pattern.AWAY)
    return rule_signals(z.centred if sided else z.alone, rule)


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
    events: Sequence[Event], rig: str, visits: Visits, began: Began | ScatterBegan | None, at: int
) -> tuple[Event, ...]:
    """Events of the rig after the last visit known unchanged, up to the last at which the change may have begun."""
    first, last = (began.after, began.last) if began else (at - 1 if at else None, at)
    low = visits.days[first] if first is not None else ""
    high = visits.days[last]
    if not high:
        return ()
    return tuple(event for event in events if event.concerns(rig) and low < event.day <= high)


def _scatter_signals(
    question: ControlChart,
    series: Series,
    limits: SeriesLimits,
    stretch: Stretch,
    closed: str,
    events: Sequence[Event],
) -> Iterator[ChartSignal]:
    cells = series.cells.at(stretch.places)
    ranged = limits.spread is not None and limits.spread.spread is Spread.RANGE
    own = cells.high - cells.low if ranged else np.sqrt(cells.ss / np.maximum(cells.count - 1, 1))
    low, high = np.full(own.size, -np.inf), np.full(own.size, np.inf)
    for runs in np.unique(cells.count).tolist():
        bounds = limits.scatter_bounds(runs)
        if bounds is not None:
            low[cells.count == runs], high[cells.count == runs] = bounds
    for place in np.flatnonzero((own < low) | (own > high)).tolist():
        at = int(cells.visit[place])
        side = Side.UP if own[place] > high[place] else Side.DOWN
        what = "range" if ranged else "standard deviation"
        began = scatter_began_at(cells.at(slice(place + 1)), limits, side, question.confidence)
        yield ChartSignal(
            rig=series.rig, section=series.section, given_by=GivenBy.SCATTER,
            rule=f"{what} of the runs of the visit {'above' if side is Side.UP else 'below'} its limit",
            side=side, at=at, until=at, points=(at,), began=None, scatter_began=began, closed=closed,
            nearby=nearby(events, series.rig, series.visits, began, at),
        )  # fmt: skip


def scatter_began_at(
    cells: VisitCells, limits: SeriesLimits, side: Side, level: float
) -> ScatterBegan | None:
    """When the change behind a signal of the scatter began, by the visits up to the signal.

    None where the likeliest change goes the other way, or where the runs of the last visit are all equal.
    """
    known = limits.within
    cells = cells.at(cells.count > 1)
    if known is None or not cells.ss[-1] > 0:
        return None
    sd, df = known
    found = scatter_beginning(cells.ss, cells.count - 1, base_variance=sd**2, base_df=df, level=level)
    if (side is Side.UP) != (found.ratio > 1):
        return None
    first = int(cells.visit[found.first])
    return ScatterBegan(
        visit=int(cells.visit[found.most_likely]), first=first, last=int(cells.visit[found.last]),
        after=first - 1 if first > 0 else None, ratio=found.ratio, lower=found.lower, upper=found.upper, level=level,
    )  # fmt: skip
