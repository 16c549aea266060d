"""The charts applied: what each series signals, when that probably began, and what else happened then.

In: series with limits, the charts, the events.  Out: Watched regimes and ChartSignal values.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from repeatab.base.errors import RepeatabError
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import ReferenceData
from repeatab.jobs.charts.limits import limits_of
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series import Regime, Series
from repeatab.jobs.charts.series_limits import SeriesLimits
from repeatab.jobs.charts.series_signals import signals_of
from repeatab.jobs.charts.signals import ChartSignal
from repeatab.jobs.charts.stretches import Stretch, stretches_of


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
        stretches = tuple(stretches_of(question, series, regime, limits, events))
        watched.append(Watched(regime=regime, limits=limits, trouble="", stretches=stretches))
        ended = "" if regime.number == len(series.regimes) - 1 else series.regimes[regime.number + 1].cause
        for stretch in stretches:
            closed = stretch.closed_by or ended
            signals += signals_of(question, series, limits, stretch, closed, events)
    return tuple(watched), tuple(signals)
