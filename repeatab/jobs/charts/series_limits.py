"""The limits of one regime of one series, and what they make of points.

In: what limits.py and recorded_limits.py found.  Out: SeriesLimits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.control.autocorrelation import Autocorrelation, FirstOrder
from repeatab.control.factors import chart_factors
from repeatab.control.limits import LimitKind, Limits, nominal_rate
from repeatab.control.scatter_distribution import rate_beyond
from repeatab.control.subgroup_limits import Spread, SubgroupLimits
from repeatab.control.visits import VisitScatter
from repeatab.jobs.charts.question import BaseOfLimits, Plotted
from repeatab.jobs.charts.series import Regime

SPREAD = {Plotted.MEAN_AND_RANGE: Spread.RANGE, Plotted.MEAN_AND_SD: Spread.STANDARD_DEVIATION}


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseTrend:
    """A steady rise or fall within the base period, per visit, and the probability of one so steep by chance."""

    per_visit: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesLimits:
    """Limits of the points of a regime.

    limits: for a visit of the typical number of runs; its `removed` count places within the base.  within_sd,
    within_df, between_sd: of a run within a visit with its degrees of freedom, of visits beyond it; None where not kept
    apart.  spread: of range or standard deviation charts.  neighbours: test on the base points, None with too few.
    model: charted residuals rest on it.  trend: of a base period that itself moves, None where it does not.
    odd_sizes: base places left out because their number of runs differs from the others'.  recorded: what limits rest
    on that were recorded earlier; left_out: their base places left out; now: what the same base visits give now, where
    that differs, None else.
    """

    plotted: Plotted
    limits: Limits
    runs: int
    centre_variance: float
    within_sd: float | None = None
    within_df: float | None = None
    between_sd: float | None = None
    spread: SubgroupLimits | None = None
    neighbours: Autocorrelation | None = None
    model: FirstOrder | None = None
    trend: BaseTrend | None = None
    stated: bool = False
    odd_sizes: tuple[int, ...] = ()
    nominal: float = 3.0
    recorded: BaseOfLimits | None = None
    left_out: tuple[int, ...] = ()
    now: Limits | None = None

    @property
    def trial(self) -> bool:
        """Whether the limits are trial prediction limits."""
        return self.limits.kind is LimitKind.TRIAL

    @property
    def widening(self) -> float:
        """How much wider than the nominal limits they are, for what few base points leave unknown."""
        return self.limits.factor / self.nominal

    @property
    def within(self) -> tuple[float, float] | None:
        """Standard deviation of a run within a visit and its degrees of freedom; None where it is not charted."""
        if self.within_sd is None:
            return None
        # Limits that were recorded before the degrees of freedom were kept: those of the visits they rest on.
        df = self.within_df or self.limits.count * (self.runs - 1)
        return (self.within_sd, float(df)) if df > 0 else None

    def sd(self, runs: IntArray) -> FloatArray:
        """(points,) standard deviation of points of so many runs each."""
        if self.model is None and self.plotted is Plotted.VISITS and self.within_sd is not None:
            between = self.between_sd or 0.0
            found: FloatArray = np.sqrt(between**2 + self.within_sd**2 / runs)
            return found
        if self.model is None and self.spread is not None:
            return self.spread.within_sd / np.sqrt(runs)
        return np.full(runs.size, self.limits.sd)

    def plain_rate(self, link: float = 0.0) -> float | None:
        """False alarms per point had the nominal limits been put on so few base points; None for known ones.

        link : variance that a change-over leaves in the centre, over that of a point.
        """
        if self.stated and self.limits.df is None:
            return None
        variance = self.centre_variance + link
        return rate_beyond(self.nominal, df=self.limits.df, count=self.limits.count, centre_variance=variance)

    def scatter_bounds(self, runs: int) -> tuple[float, float] | None:
        """Lower and upper limit of what a visit of so many runs scatters by; None where it is not charted."""
        if runs < 2:
            return None
        rate = nominal_rate(self.nominal)
        if self.spread is not None:
            return spread_bounds(self.spread, runs, self.nominal)
        if self.plotted is Plotted.VISITS and self.within_sd is not None and self.within_df:
            base = VisitScatter(
                visits=2, centre=0.0, centre_variance=0.0, within_sd=self.within_sd, within_df=self.within_df,
                between_sd=0.0, between_variance_raw=0.0,
            )  # fmt: skip
            return 0.0, base.spread_limit(runs, false_alarm=rate)
        return None


def spread_bounds(spread: SubgroupLimits, runs: int, nominal: float) -> tuple[float, float]:
    factors = chart_factors(runs)
    if spread.spread is Spread.RANGE:
        unit, scatter = factors.d2, factors.d3
    else:
        unit, scatter = factors.c4, math.sqrt(1 - factors.c4**2)
    low, high = max(0.0, unit - nominal * scatter), unit + nominal * scatter
    return low * spread.within_sd, high * spread.within_sd


def base_kept(regime: Regime, found: SeriesLimits) -> IntArray:
    """Places of the base points that the limits rest on."""
    out = {one.index for one in found.limits.removed} | {*found.odd_sizes, *found.left_out}
    return np.array([place for i, place in enumerate(regime.base) if i not in out], dtype=np.int64)
