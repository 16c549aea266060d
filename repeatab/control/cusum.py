"""The tabular CUSUM of a series.

In: results in order, the centre and standard deviation they are judged by, and the chart.  Out: CusumSeries.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from repeatab.control.arrays import FloatArray, IntArray, series
from repeatab.control.charts import Cusum
from repeatab.control.ewma import require_scatter
from repeatab.control.signals import Side, Signal, stretches


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumSeries:
    """Both sums after each point, in standard deviations, each with the number of points since it left zero.

    A sum that signals left zero at point `signal.at` less its count plus one: the run's first point.
    """

    upper: FloatArray
    lower: FloatArray
    upper_count: IntArray
    lower_count: IntArray
    signals: tuple[Signal, ...]


def cusum_series(values: ArrayLike, chart: Cusum, *, centre: float, sd: float) -> CusumSeries:
    """Return the upper and lower sum after each point; the sums go on after a signal.

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
    Page (1954), Biometrika 41, 100-115; ISO 7870-4.
    """
    x = series(values, what="CUSUM", least=0)
    require_scatter(sd, what="CUSUM")
    z = (x - centre) / sd
    upper, upper_count = _sum(z - chart.reference, chart.head_start)
    lower, lower_count = _sum(-z - chart.reference, chart.head_start)
    found = [
        Signal(
            given_by=chart, side=side, at=first, until=last,
            points=tuple(range(max(0, first - int(count[first]) + 1), first + 1)),
        )
        for sums, count, side in ((upper, upper_count, Side.UP), (lower, lower_count, Side.DOWN))
        for first, last in stretches(sums > chart.decision)
    ]  # fmt: skip
    return CusumSeries(
        upper=upper, lower=lower, upper_count=upper_count, lower_count=lower_count,
        signals=tuple(sorted(found, key=lambda signal: signal.at)),
    )  # fmt: skip


def _sum(excess: FloatArray, start: float) -> tuple[FloatArray, IntArray]:
    sums, counts = np.empty(excess.size), np.empty(excess.size, dtype=np.int64)
    last, count = start, 0
    for i, value in enumerate(excess):
        last = max(0.0, last + float(value))
        count = count + 1 if last > 0 else 0
        sums[i], counts[i] = last, count
    return sums, counts
