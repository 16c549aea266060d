"""Limits for single results from a stated base period (phase I), then frozen against new results (phase II).

In: base results in order.  Out: Limits with everything they rest on.
Not here: several results per visit (subgroup_limits, visits), what estimated limits cost (estimated_limits).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import BoolArray, FloatArray, series
from repeatab.control.scatter import BaseScatter, ScatterMethod, base_scatter
from repeatab.control.scatter_distribution import prediction_factor
from repeatab.control.screening import Judged, Removed, Screening, screen

TRIAL_BELOW = 20
"""With fewer base results the limits are trial prediction limits."""
_LEAST = 3


class LimitKind(Enum):
    """What the limits are; the value is what the report prints."""

    CONTROL = "control limits"
    TRIAL = "trial prediction limits"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits for plotted points, in their unit: centre ± factor × sd.

    count: base points used.  df: degrees of freedom of the standard deviation, None for moving ranges.
    false_alarm: probability that a new point in control lies outside, were centre and sd the true ones
    (control limits), or with their uncertainty allowed for (trial prediction limits).
    """

    kind: LimitKind
    method: str
    centre: float
    sd: float
    factor: float
    count: int
    df: float | None
    false_alarm: float
    removed: tuple[Removed, ...] = ()
    screening_stopped: bool = False

    @property
    def lower(self) -> float:
        """The lower limit."""
        return self.centre - self.factor * self.sd

    @property
    def upper(self) -> float:
        """The upper limit."""
        return self.centre + self.factor * self.sd

    def standardised(self, values: ArrayLike) -> FloatArray:
        """Return new points as distances from the centre in standard deviations, for charts and run rules."""
        return (series(values, what="chart points", least=0) - self.centre) / self.sd

    def __str__(self) -> str:
        text = f"{self.kind.value} {self.lower:.4g} to {self.upper:.4g} about {self.centre:.4g}"
        rests = f"{self.count} base results, {self.method}"
        if self.kind is LimitKind.TRIAL:
            rests += f"; fewer than {TRIAL_BELOW}, so widened for what so few leave unknown"
        return f"{text} ({rests})"


def individual_limits(
    values: ArrayLike,
    *,
    limit: float = 3.0,
    scatter: ScatterMethod = ScatterMethod.MOVING_RANGE,
    screening: bool = False,
) -> Limits:
    """Return the limits for single results from a base period.

    With 20 results or more: centre ± `limit` standard deviations. With fewer: prediction limits that a new
    result in control exceeds with the probability that `limit` stands for (0.27 % for 3), exact for the
    standard deviation (Student's t × √(1 + 1/n)) and for moving ranges, cautious for the median.

    Parameters
    ----------
    values : (results,) base results in order, in their unit; moving ranges need the order.
    limit : distance of the limits in standard deviations.
    scatter : how the standard deviation is taken; the median method is the robust option.
    screening : leave out results beyond the limits, one at a time, each logged. With fewer than 20 results
        each is judged by the prediction limits of the others.

    Raises
    ------
    InputError, EstimationError
        A value is missing; fewer than three results, too few for moving ranges (five), or no scatter.

    References
    ----------
    ISO 7870-2:2013; Hahn & Meeker (1991), Statistical Intervals, section 4.7 (prediction); Croux & Rousseeuw
    (1992) (median distance).
    """
    x = series(values, what="base period", least=_LEAST)
    if not limit > 0:
        raise EstimationError(f"limits: found {limit} standard deviations, expected above 0.")
    everything = np.ones(x.size, dtype=np.bool_)
    found = Screening(kept=everything, removed=(), stopped=False)
    if screening:
        factors: dict[int, float] = {}
        found = screen(x.size, lambda kept: (_judged(x, kept, limit, scatter, factors),), least=_LEAST + 1)
    base = base_scatter(x, found.kept, scatter)
    trial = base.count < TRIAL_BELOW
    return Limits(
        kind=LimitKind.TRIAL if trial else LimitKind.CONTROL,
        method=scatter.value,
        centre=base.centre,
        sd=base.sd,
        factor=_factor(base, limit),
        count=base.count,
        df=base.df,
        false_alarm=nominal_rate(limit),
        removed=found.removed,
        screening_stopped=found.stopped,
    )


def nominal_rate(limit: float) -> float:
    """Return the probability that a normal point lies beyond ± `limit` standard deviations."""
    return 2 * float(ndtr(-limit))


def _factor(base: BaseScatter, limit: float) -> float:
    if base.count >= TRIAL_BELOW:
        return limit
    return prediction_factor(
        nominal_rate(limit), df=base.df, count=base.count, centre_variance=base.centre_variance
    )


def _judged(
    x: FloatArray, kept: BoolArray, limit: float, scatter: ScatterMethod, factors: dict[int, float]
) -> Judged:
    """Judge the kept results: by the limits of all, or, where these are few, each by the limits of the
    others.

    One of ten results can lie at most 2.85 of their own standard deviations from their mean, so among few
    results nothing would ever lie beyond limits that it helped to make.
    """
    if kept.sum() >= TRIAL_BELOW:
        base = base_scatter(x, kept, scatter)
        half = np.full(x.size, limit * base.sd)
        return Judged(values=x, lower=base.centre - half, upper=base.centre + half)
    lower, upper = np.full(x.size, -np.inf), np.full(x.size, np.inf)
    for i in np.flatnonzero(kept):
        others = kept.copy()
        others[i] = False
        base = base_scatter(x, others, scatter)
        if base.count not in factors:
            factors[base.count] = _factor(base, limit)
        half_width = factors[base.count] * base.sd
        lower[i], upper[i] = base.centre - half_width, base.centre + half_width
    return Judged(values=x, lower=lower, upper=upper)
