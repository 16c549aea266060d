"""Limits for the mean and the scatter of subgroups (range or standard deviation), from a base period.

In: base results, one row per subgroup.  Out: limits of the means and of the scatter within.

These limits take the scatter of the means from the scatter within. Where visits differ by more than that, as
they do on a test rig, the means need `visits`: `ratio_of_means` here says how much more they scatter.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import BoolArray, FloatArray, points_by_coordinate
from repeatab.control.factors import chart_factors
from repeatab.control.limits import TRIAL_BELOW, LimitKind, Limits, nominal_rate
from repeatab.control.scatter_distribution import prediction_factor
from repeatab.control.screening import Judged, Screening, screen

# The median of the ranges or standard deviations of subgroups is worth at least this share of their mean: the share of
# subgroups of two, whose median range is a median distance (scatter.py).
_MEDIAN_EFFICIENCY = 0.3675


class Spread(Enum):
    """What of each subgroup is charted beside its mean, and gives the scatter within."""

    RANGE = "range"
    STANDARD_DEVIATION = "standard deviation"


@dataclass(frozen=True, slots=True, kw_only=True)
class SubgroupLimits:
    """Limits of subgroup means and of the scatter within subgroups of `size` results.

    within_sd: standard deviation of a result within a subgroup.  within_df: degrees of freedom of a pooled standard
    deviation that scatters as much.  spread_*: centre and limits of range or SD.
    ratio_of_means: standard deviation of the base means over what the scatter within explains (1 if all of
    it).
    """

    means: Limits
    spread: Spread
    size: int
    within_sd: float
    spread_centre: float
    spread_lower: float
    spread_upper: float
    ratio_of_means: float
    within_df: float | None = None


def subgroup_limits(
    values: ArrayLike,
    *,
    spread: Spread = Spread.RANGE,
    limit: float = 3.0,
    robust: bool = False,
    screening: bool = False,
) -> SubgroupLimits:
    """Return mean and range (or mean and standard deviation) limits from a base period of equal subgroups.

    With 20 subgroups or more the limits are centre ± `limit` standard deviations, with the scatter within
    from the mean range over d2 or the mean standard deviation over c4. With fewer the limits of the means are
    prediction limits from the pooled standard deviation, and say so.

    Parameters
    ----------
    values : (subgroups, size) base results, size at least 2.
    robust : centre and scatter from medians over subgroups instead of means.
    screening : leave out subgroups beyond the limits (of the scatter first, then of the mean), each logged.

    Raises
    ------
    InputError, EstimationError
        A value is missing; fewer than two subgroups, one result per subgroup, or no scatter.

    References
    ----------
    ISO 7870-2:2013, table 2 and clauses on mean, range and standard-deviation charts.
    """
    x = points_by_coordinate(values, what="base period", least=2)
    size = x.shape[1]
    if size < 2:
        raise EstimationError(
            "subgroups: found one result each, expected at least 2; use limits for single results."
        )
    measure = _Measure(spread, size)
    own = measure.of(x)
    means = x.mean(axis=1)
    found = Screening(kept=np.ones(x.shape[0], dtype=np.bool_), removed=(), stopped=False)
    if screening:
        found = screen(x.shape[0], _judge(means, own, measure, limit, robust), least=2)
    kept = found.kept
    within, centre = measure.within(own[kept], robust), _centre(means[kept], robust)
    if not within > 0:
        raise EstimationError(
            "subgroups: the results within every subgroup are equal, so there is no scatter within."
        )
    low, high = measure.limits(within, limit)
    return SubgroupLimits(
        means=_mean_limits(x[kept], within, centre, spread, limit, robust, found),
        spread=spread,
        size=size,
        within_sd=within,
        spread_centre=measure.unit * within,
        spread_lower=low,
        spread_upper=high,
        ratio_of_means=float(means[kept].std(ddof=1)) * math.sqrt(size) / within,
        within_df=measure.df(int(kept.sum()), robust),
    )


@dataclass(frozen=True, slots=True)
class _Measure:
    """Range or standard deviation of a subgroup: its mean and scatter over σ (d2 and d3, or c4 and √(1 −
    c4²)).
    """

    spread: Spread
    size: int

    @property
    def unit(self) -> float:
        factors = chart_factors(self.size)
        return factors.d2 if self.spread is Spread.RANGE else factors.c4

    @property
    def scatter(self) -> float:
        factors = chart_factors(self.size)
        return factors.d3 if self.spread is Spread.RANGE else math.sqrt(1 - factors.c4**2)

    def of(self, x: FloatArray) -> FloatArray:
        found: FloatArray = np.ptp(x, axis=1) if self.spread is Spread.RANGE else x.std(axis=1, ddof=1)
        return found

    def within(self, own: FloatArray, robust: bool) -> float:
        if not robust:
            return float(own.mean()) / self.unit
        return float(np.median(own)) / self._median()

    def df(self, subgroups: int, robust: bool) -> float:
        """Degrees of freedom of χ² whose root scatters, over its mean, as the mean measure of so many subgroups does.

        The root of a χ² over its degrees of freedom ν has variance 1/(2 ν) over its square, nearly (Patnaik 1950).
        """
        share = _MEDIAN_EFFICIENCY if robust else 1.0
        return share * subgroups * self.unit**2 / (2 * self.scatter**2)

    def limits(self, within: float, limit: float) -> tuple[float, float]:
        return (
            max(0.0, self.unit - limit * self.scatter) * within,
            (self.unit + limit * self.scatter) * within,
        )

    def _median(self) -> float:
        """Median of the measure over σ."""
        from scipy.stats import chi, studentized_range

        if self.spread is Spread.STANDARD_DEVIATION:
            return float(chi.median(self.size - 1)) / math.sqrt(self.size - 1)
        # The range of independent values is the studentised range with σ known.
        return float(studentized_range.ppf(0.5, self.size, np.inf))


def _centre(means: FloatArray, robust: bool) -> float:
    return float(np.median(means)) if robust else float(means.mean())


def _judge(
    means: FloatArray, own: FloatArray, measure: _Measure, limit: float, robust: bool
) -> Callable[[BoolArray], tuple[Judged, ...]]:
    def judge(kept: BoolArray) -> tuple[Judged, ...]:
        within, centre = measure.within(own[kept], robust), _centre(means[kept], robust)
        low, high = measure.limits(within, limit)
        half = limit * within / math.sqrt(measure.size)
        flat = np.ones(means.size)
        return (
            Judged(values=own, lower=low * flat, upper=high * flat, what=measure.spread.value),
            Judged(values=means, lower=(centre - half) * flat, upper=(centre + half) * flat, what="mean"),
        )

    return judge


def _mean_limits(
    kept: FloatArray,
    within: float,
    centre: float,
    spread: Spread,
    limit: float,
    robust: bool,
    found: Screening,
) -> Limits:
    count, size = kept.shape
    method = f"{'median' if robust else 'mean'} {spread.value} within subgroups of {size}"
    sd, factor, df, kind = within / math.sqrt(size), limit, None, LimitKind.CONTROL
    if count < TRIAL_BELOW:
        pooled = math.sqrt(float(kept.var(axis=1, ddof=1).mean()))
        df, kind = float(count * (size - 1)), LimitKind.TRIAL
        method = f"pooled standard deviation within subgroups of {size}"
        sd, centre = pooled / math.sqrt(size), float(kept.mean())
        factor = prediction_factor(nominal_rate(limit), df=df, count=count, centre_variance=1 / count)
    return Limits(
        kind=kind, method=method, centre=centre, sd=sd, factor=factor, count=count, df=df,
        false_alarm=nominal_rate(limit), removed=found.removed, screening_stopped=found.stopped,
    )  # fmt: skip
