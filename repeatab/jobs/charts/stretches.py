"""New points of a regime, standardised and run through moving average and sums in one go, until a signal is closed.

In: a series, a regime with its limits, events that close signals.  Out: Stretch values.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.control.cusum import CusumSeries, cusum_series
from repeatab.control.ewma import EwmaSeries, ewma_series
from repeatab.intake.events import Event
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series import Regime, Series
from repeatab.jobs.charts.series_limits import SeriesLimits

_CENTRE_RANGE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """New points charted in one go, from a restart or a closed signal to the next."""

    places: IntArray
    z: Standardised
    closed_by: str
    ewma: EwmaSeries | None
    cusum: CusumSeries | None


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


def stretches_of(
    question: ControlChart, series: Series, regime: Regime, limits: SeriesLimits, events: Sequence[Event]
) -> Iterator[Stretch]:
    """The new points of a regime, cut where an event closes the signals before it."""
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
