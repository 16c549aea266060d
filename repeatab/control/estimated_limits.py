"""What it costs that limits come from few results: false alarms, and run lengths that vary from rig to rig.

In: a chart, and what its centre and standard deviation rest on.  Out: EstimatedLimits.

For normal results the estimated centre and standard deviation are independent; the numbers are averages over
their distributions, by quadrature. No average run length is given: over few base results it is infinite,
ruled by the few charts whose limits came out too wide ever to signal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray
from repeatab.control.charts import Chart, Shewhart
from repeatab.control.run_length import RunLength, average_run_length, run_length
from repeatab.control.scatter_distribution import rate_beyond, ratio_nodes

_PLAIN = (40, 120)
_OTHER = (10, 24)


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimatedLimits:
    """A chart with estimated limits beside the same chart with true ones; points in control unless shifted.

    false_alarm: probability that a new point lies beyond the limits, averaged over base periods, and the
    nominal one; None for charts whose points are not judged one by one.
    nominal: average run length with true limits.  typical, one_in_ten: the average run length that half, and
    one in ten, of charts so made fall below.  below_half: share of charts whose average run length is less
    than half the nominal one.  median: points until half of all such charts have signalled.
    """

    base: int
    shift: float
    false_alarm: float | None
    nominal_false_alarm: float | None
    nominal: float
    typical: float
    one_in_ten: float
    below_half: float
    median: int

    def __str__(self) -> str:
        rate = (
            f"{self.false_alarm:.2%} of points beyond the limits instead of {self.nominal_false_alarm:.2%}; "
            if self.false_alarm is not None and self.nominal_false_alarm is not None
            else ""
        )
        return (
            f"limits from {self.base} base results: {rate}one chart in ten signals more often than once in "
            f"{self.one_in_ten:.3g} points, where true limits give {self.nominal:.3g}"
        )


def estimated_limits(
    chart: Chart, *, base: int, df: float | None = None, shift: float = 0.0
) -> EstimatedLimits:
    """Return what the estimation of centre and standard deviation does to a chart.

    Parameters
    ----------
    chart : Shewhart, Ewma or Cusum with the centre and standard deviation put in as if known.
    base : plotted points of the base period; the centre is their mean.
    df : degrees of freedom of the standard deviation (base − 1 for that of single results, base × (size − 1)
    for
        the scatter within subgroups); None for the mean moving range of the base points.
    shift : true shift of the points, in true standard deviations.

    Raises
    ------
    EstimationError
        Fewer than two base points (eight for moving ranges).

    References
    ----------
    Quesenberry (1993), J. Quality Technology 25, 237-247; Jensen, Jones-Farmer, Champ & Woodall (2006), J.
    Quality Technology 38, 349-364.
    """
    if base < 2 or (df is not None and not df > 0):
        raise EstimationError(
            f"estimated limits: found {base} base points and {df} degrees of freedom; too few."
        )
    plain = isinstance(chart, Shewhart) and not chart.rules
    centres, ratios, weight = _grid(base, df, _PLAIN if plain else _OTHER)
    nominal = average_run_length(chart, shift=shift)
    lengths = [
        _conditional(chart, plain, shift=(shift - c) / w, scale=1 / w)
        for c, w in zip(centres, ratios, strict=True)
    ]
    averages = np.array([one.average for one in lengths])
    rate, nominal_rate = _rates(chart, base, df) if shift == 0 else (None, None)
    return EstimatedLimits(
        base=base,
        shift=shift,
        false_alarm=rate,
        nominal_false_alarm=nominal_rate,
        nominal=nominal,
        typical=_quantile(averages, weight, 0.5),
        one_in_ten=_quantile(averages, weight, 0.1),
        below_half=_share_below(averages, weight, nominal / 2),
        median=_median(lengths, weight),
    )


def _rates(chart: Chart, base: int, df: float | None) -> tuple[float | None, float | None]:
    if not isinstance(chart, Shewhart):
        return None, None
    nominal = 1 / average_run_length(Shewhart(limit=chart.limit))
    return rate_beyond(chart.limit, df=df, count=base, centre_variance=1 / base), nominal


def _grid(base: int, df: float | None, size: tuple[int, int]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return estimated centres (in true standard deviations), ratios of standard deviations, and
    probabilities.
    """
    unit, weight = np.polynomial.hermite_e.hermegauss(size[0])
    centre, centre_weight = unit / math.sqrt(base), weight / weight.sum()
    ratio, ratio_weight = ratio_nodes(df=df, count=base, nodes=size[1])
    probability = np.outer(centre_weight, ratio_weight).ravel()
    # Corners of the grid that never happen would only cost time.
    held = probability > 1e-9
    return (
        np.repeat(centre, ratio.size)[held],
        np.tile(ratio, centre.size)[held],
        probability[held] / probability[held].sum(),
    )


def _conditional(chart: Chart, plain: bool, *, shift: float, scale: float) -> RunLength:
    if not plain:
        return run_length(chart, shift=shift, scale=scale)
    average = average_run_length(chart, shift=shift, scale=scale)
    return RunLength(average=average, survival=np.array([1.0]), hazard=1 / average)


def _quantile(values: FloatArray, weight: FloatArray, probability: float) -> float:
    """Quantile of weighted values, on the logarithmic scale between them."""
    order = np.argsort(values)
    reached = np.cumsum(weight[order]) - weight[order] / 2
    return math.exp(float(np.interp(probability, reached, np.log(values[order]))))


def _share_below(values: FloatArray, weight: FloatArray, bound: float) -> float:
    order = np.argsort(values)
    reached = np.cumsum(weight[order]) - weight[order] / 2
    return float(np.interp(math.log(bound), np.log(values[order]), reached, left=0.0, right=1.0))


def _median(lengths: list[RunLength], weight: FloatArray) -> int:
    def kept(points: int) -> float:
        return float(sum(w * one.without_signal(points) for w, one in zip(weight, lengths, strict=True)))

    high = 1
    while kept(high) > 0.5:
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if kept(middle) > 0.5 else (low, middle)
    return high
