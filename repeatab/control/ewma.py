"""The EWMA of a series with its limits.

In: results in order, the centre and the standard deviation they are judged by, and the chart.  Out:
EwmaSeries.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray, series
from repeatab.control.charts import Ewma
from repeatab.control.signals import Signal, limit_signals


@dataclass(frozen=True, slots=True, kw_only=True)
class EwmaSeries:
    """Moving average after each point, with its limits, in the unit of the results."""

    average: FloatArray
    lower: FloatArray
    upper: FloatArray
    signals: tuple[Signal, ...]


def ewma_series(
    values: ArrayLike, chart: Ewma, *, centre: float, sd: float, start: float | None = None
) -> EwmaSeries:
    """Return the EWMA of `values` from `start` (the centre unless stated) with limits about the centre.

    Parameters
    ----------
    values : (points,) plotted results in order.
    centre, sd : of the plotted results in control; the unit of the results.

    Raises
    ------
    InputError, EstimationError
        A value is missing or infinite; the standard deviation is not above zero.

    References
    ----------
    Roberts (1959), Technometrics 1, 239-250; ISO 7870-6.
    """
    x = series(values, what="EWMA", least=0)
    require_scatter(sd, what="EWMA")
    average = np.empty(x.size)
    last = centre if start is None else start
    for i, value in enumerate(x.tolist()):
        last = last + chart.weight * (value - last)
        average[i] = last
    if chart.starting_limits:
        width = sd * np.array([chart.half_width_at(i + 1) for i in range(x.size)])
    else:
        width = np.full(x.size, sd * chart.half_width)
    lower, upper = centre - width, centre + width
    return EwmaSeries(
        average=average,
        lower=lower,
        upper=upper,
        signals=limit_signals(chart, average > upper, average < lower),
    )


def require_scatter(sd: float, *, what: str) -> None:
    """Refuse a standard deviation that is not a positive number."""
    if not (np.isfinite(sd) and sd > 0):
        raise EstimationError(
            f"{what}: found a standard deviation of {sd}, expected above 0. Results that are all equal "
            "carry no "
            "scatter: look for a rounded or repeated value."
        )
