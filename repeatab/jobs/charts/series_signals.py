"""What the charts of one series signal: limits, run rules, moving average, sums, scatter within the visit.

In: a stretch of points with its limits, events.  Out: ChartSignal values.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.control.beginning import Beginning, beginning
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.factors import chart_factors
from repeatab.control.rules import Pattern, RunRule
from repeatab.control.run_rules import rule_signals, shewhart_signals
from repeatab.control.scatter_beginning import scatter_beginning
from repeatab.control.signals import Side, Signal
from repeatab.control.subgroup_limits import Spread
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import VisitCells
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import SeriesLimits
from repeatab.jobs.charts.signals import Began, ChartSignal, GivenBy, ScatterBegan, nearby
from repeatab.jobs.charts.stretches import Standardised, Stretch


def signals_of(
    question: ControlChart,
    series: Series,
    limits: SeriesLimits,
    stretch: Stretch,
    closed: str,
    events: Sequence[Event],
) -> Iterator[ChartSignal]:
    """Every signal of a stretch.

    closed : the event that closed them, empty where they are open.
    """
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
        broken = float(high[place] if side is Side.UP else low[place])
        if ranged:
            broken /= chart_factors(int(cells.count[place])).d2  # the standard deviation of such a range
        began = scatter_began_at(cells.at(slice(place + 1)), limits, side, broken, question.confidence)
        yield ChartSignal(
            rig=series.rig, section=series.section, given_by=GivenBy.SCATTER,
            rule=f"{what} of the runs of the visit {'above' if side is Side.UP else 'below'} its limit",
            side=side, at=at, until=at, points=(at,), began=None, scatter_began=began, closed=closed,
            nearby=nearby(events, series.rig, series.visits, began, at),
        )  # fmt: skip


def scatter_began_at(
    cells: VisitCells, limits: SeriesLimits, side: Side, broken: float, level: float
) -> ScatterBegan | None:
    """When the change behind a signal of the scatter began, by the visits up to the signal, which broke a limit.

    None where the likeliest change goes the other way, or where the runs of the last visit are all equal.
    """
    known = limits.within
    cells = cells.at(cells.count > 1)
    if known is None or not cells.ss[-1] > 0:
        return None
    sd, df = known
    found = scatter_beginning(
        cells.ss,
        cells.count - 1,
        base_variance=sd**2,
        base_df=df,
        limit=broken,
        rising=side is Side.UP,
        level=level,
    )
    if (side is Side.UP) != (found.ratio > 1):
        return None
    first = int(cells.visit[found.first])
    return ScatterBegan(
        visit=int(cells.visit[found.most_likely]), first=first, last=int(cells.visit[found.last]),
        after=first - 1 if first > 0 else None, ratio=found.ratio, lower=found.lower, upper=found.upper, level=level,
    )  # fmt: skip
