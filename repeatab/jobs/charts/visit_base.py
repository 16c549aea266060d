"""A base period of visits: both kinds of scatter, plain or by medians, and what they say about each visit.

In: means, counts and sums of squares of the base visits.  Out: VisitScatter, limits, judgements for screening.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import BoolArray, FloatArray, IntArray
from repeatab.control.limits import TRIAL_BELOW, LimitKind, Limits, nominal_rate
from repeatab.control.scatter import median_sd
from repeatab.control.scatter_distribution import prediction_factor
from repeatab.control.screening import Judged
from repeatab.control.visits import VisitScatter, scatter_from_visits

_MEDIAN_EFFICIENCY = 0.3675


@dataclass(frozen=True, slots=True)
class VisitBase:
    """Scatter of a base period of visits, plain or by medians, and what it says about each visit."""

    robust: bool
    nominal: float

    def scatter(self, level: FloatArray, count: IntArray, ss: FloatArray, kept: BoolArray) -> VisitScatter:
        level, count, ss = level[kept], count[kept], ss[kept]
        df = int((count - 1).sum())
        if df == 0 or count.size < 2:
            raise EstimationError(
                "too few base visits with several runs are left to tell the scatter within."
            )
        if not self.robust:
            return scatter_from_visits(level, count, float(ss.sum()), df)
        return _robust_scatter(level, count, ss)

    def mean_limits(self, scatter: VisitScatter, runs: int) -> Limits:
        nominal = self.nominal
        if not self.robust:
            return scatter.mean_limits(runs, limit=nominal)
        sd, trial = scatter.mean_sd(runs), scatter.visits < TRIAL_BELOW
        df = _MEDIAN_EFFICIENCY * scatter.visits
        factor = nominal
        if trial:
            factor = prediction_factor(
                nominal_rate(nominal), df=df, count=scatter.visits,
                centre_variance=scatter.centre_variance / sd**2,
            )  # fmt: skip
        return Limits(
            kind=LimitKind.TRIAL if trial else LimitKind.CONTROL,
            method="visit-to-visit and within-visit scatter, from medians", centre=scatter.centre, sd=sd,
            factor=factor, count=scatter.visits, df=df, false_alarm=nominal_rate(nominal),
        )  # fmt: skip

    def judged(
        self, level: FloatArray, count: IntArray, ss: FloatArray, kept: BoolArray
    ) -> tuple[Judged, ...]:
        """Scatter within first, then the mean; with few visits each by the limits of the others."""
        own = np.sqrt(ss / np.maximum(count - 1, 1))
        top, low, high = (np.full(level.size, sign * np.inf) for sign in (1, -1, 1))
        few = kept.sum() <= TRIAL_BELOW
        whole = None if few else self.scatter(level, count, ss, kept)
        for i in np.flatnonzero(kept):
            others = kept.copy()
            others[i] = False
            base = whole or self.scatter(level, count, ss, others)
            limits = self.mean_limits(base, int(count[i]))
            low[i], high[i] = limits.lower, limits.upper
            if count[i] > 1:
                top[i] = base.spread_limit(int(count[i]), false_alarm=limits.false_alarm)
        finite = np.where(np.isfinite(top), top, np.finfo(np.float64).max / 4)
        flat = np.zeros(level.size)
        return (
            Judged(values=own, lower=flat, upper=finite, what="scatter within the visit"),
            Judged(values=level, lower=low, upper=high, what="mean of the visit"),
        )


def _robust_scatter(level: FloatArray, count: IntArray, ss: FloatArray) -> VisitScatter:
    """Within: median of the visits' standard deviations, each over the median it has for σ = 1. Between: from the
    median distance of the means from their median."""
    from scipy.stats import chi

    several = count > 1
    df = count[several] - 1
    own = np.sqrt(ss[several] / df) / (chi.median(df) / np.sqrt(df))
    within = float(np.median(own))
    variance = median_sd(level) ** 2
    raw = variance - within**2 * float((1 / count).mean())
    if not variance > 0:
        raise EstimationError(
            "half of the base visits have the same mean. Look for rounded or repeated results."
        )
    return VisitScatter(
        visits=int(level.size), centre=float(np.median(level)),
        centre_variance=math.pi / 2 * variance / level.size, within_sd=within,
        within_df=_MEDIAN_EFFICIENCY * float(df.sum()), between_sd=math.sqrt(max(0.0, raw)),
        between_variance_raw=raw,
    )  # fmt: skip
