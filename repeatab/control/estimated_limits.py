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
from scipy.special import ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray
from repeatab.control.chain import LONGEST_KNOWN
from repeatab.control.charts import Chart, Shewhart
from repeatab.control.quadrature import legendre
from repeatab.control.rule_batch import BatchRunLengths, rule_run_lengths, state_count
from repeatab.control.run_length import RunLength, average_run_length, run_length
from repeatab.control.scatter_distribution import rate_beyond, ratio_density, ratio_range

_PLAIN = (40, 120)
_OTHER = (10, 24)
_MANY = (6, 14)
_MANY_STATES = 2500
_FINE = 2001


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
        for the scatter within subgroups); None for the mean moving range of the base points.
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
    conditional = _conditional(chart, base, df, shift)
    nominal = average_run_length(chart, shift=shift)
    rate, nominal_rate = _rates(chart, base, df) if shift == 0 else (None, None)
    return EstimatedLimits(
        base=base,
        shift=shift,
        false_alarm=rate,
        nominal_false_alarm=nominal_rate,
        nominal=nominal,
        typical=conditional.quantile(0.5),
        one_in_ten=conditional.quantile(0.1),
        below_half=conditional.below(nominal / 2),
        median=conditional.median(),
    )


def _rates(chart: Chart, base: int, df: float | None) -> tuple[float | None, float | None]:
    if not isinstance(chart, Shewhart):
        return None, None
    nominal = 1 / average_run_length(Shewhart(limit=chart.limit))
    return rate_beyond(chart.limit, df=df, count=base, centre_variance=1 / base), nominal


@dataclass(frozen=True, slots=True, kw_only=True)
class _Conditional:
    """Run lengths given the estimates: a case for each estimated centre and, within it, each standard deviation.

    cases, weight: at the nodes of the quadrature.  centre_weight: (centres,).  log_average: (centres, fine)
    over a fine grid of standard deviations, along which it rises.  below_ratio: (fine,) their distribution
    function.
    """

    cases: BatchRunLengths
    weight: FloatArray
    centre_weight: FloatArray
    log_average: FloatArray
    below_ratio: FloatArray

    def below(self, average: float) -> float:
        """Share of charts whose average run length is less than `average`."""
        rows = [np.interp(math.log(average), row, self.below_ratio) for row in self.log_average]
        return float(self.centre_weight @ np.array(rows))

    def quantile(self, probability: float) -> float:
        from scipy.optimize import brentq

        low, high = float(self.log_average.min()), float(self.log_average.max())
        return math.exp(float(brentq(lambda a: self.below(math.exp(a)) - probability, low, high, xtol=1e-9)))

    def median(self) -> int:
        """Points until half of all charts have signalled."""

        def kept(points: int) -> float:
            return float(self.weight @ self.cases.without_signal(points))

        high = 1
        while kept(high) > 0.5:
            high *= 2
        low = high // 2
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if kept(middle) > 0.5 else (low, middle)
        return high


def _conditional(chart: Chart, base: int, df: float | None, shift: float) -> _Conditional:
    size = _size(chart)
    unit, hermite = np.polynomial.hermite_e.hermegauss(size[0])
    # Without a shift a centre too high is as bad as one too low: half of the (even) nodes tell it all.
    used = unit > 0 if shift == 0 else np.ones(unit.size, dtype=np.bool_)
    centre, centre_weight = unit[used] / math.sqrt(base), hermite[used] / hermite[used].sum()
    low, high = ratio_range(df=df, count=base)
    nodes, weight = legendre(size[1])
    ratio = (low + high) / 2 + (high - low) / 2 * nodes
    ratio_weight = ratio_density(ratio, df=df, count=base) * weight
    cases = _run_lengths(
        chart,
        shift=((shift - centre[:, None]) / ratio[None, :]).ravel(),
        scale=np.tile(1 / ratio, centre.size),
    )
    averages = np.minimum(LONGEST_KNOWN, cases.average).reshape(centre.size, ratio.size)
    fine = np.linspace(low, high, _FINE)
    density = ratio_density(fine, df=df, count=base)
    below = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2)])
    return _Conditional(
        cases=cases,
        weight=np.outer(centre_weight, ratio_weight / ratio_weight.sum()).ravel(),
        centre_weight=centre_weight,
        log_average=_between(nodes, np.log(averages), np.linspace(-1, 1, _FINE)),
        below_ratio=below / below[-1],
    )


def _size(chart: Chart) -> tuple[int, int]:
    """Nodes over the estimated centre and over the estimated standard deviation."""
    if not isinstance(chart, Shewhart):
        return _OTHER
    if not chart.rules:
        return _PLAIN
    # Fewer nodes leave 2 % on the typical run length; the others would take minutes.
    return _MANY if state_count(chart) > _MANY_STATES else _OTHER


def _between(nodes: FloatArray, values: FloatArray, at: FloatArray) -> FloatArray:
    """Interpolate the rows of `values`, smooth functions known at `nodes`, and keep them rising."""
    from scipy.interpolate import PchipInterpolator

    found: FloatArray = PchipInterpolator(nodes, values, axis=1, extrapolate=True)(at)
    return np.maximum.accumulate(found, axis=1)


def _run_lengths(chart: Chart, *, shift: FloatArray, scale: FloatArray) -> BatchRunLengths:
    if isinstance(chart, Shewhart) and chart.rules:
        return rule_run_lengths(chart, shift=shift, scale=scale)
    if isinstance(chart, Shewhart):
        rate = ndtr((shift - chart.limit) / scale) + ndtr((-chart.limit - shift) / scale)
        return BatchRunLengths(survival=np.ones((1, shift.size)), hazard=np.maximum(rate, 1e-300))
    found = [run_length(chart, shift=float(s), scale=float(w)) for s, w in zip(shift, scale, strict=True)]
    longest = max(one.survival.size for one in found)
    return BatchRunLengths(
        survival=np.array([_continued(one, longest) for one in found]).T,
        hazard=np.array([one.hazard for one in found]),
    )


def _continued(one: RunLength, length: int) -> FloatArray:
    """Survival at 0, 1, … up to so many points, by the constant hazard where it is not listed."""
    further = np.arange(1, length - one.survival.size + 1)
    tail = one.survival[-1] * np.exp(further * math.log1p(-min(one.hazard, 1 - 1e-16)))
    return np.concatenate([one.survival, tail])
