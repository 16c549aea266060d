"""Limits of one regime of one series: from its base period, or as stated; screened, robust or plain.

In: a Series and its Regime.  Out: SeriesLimits, which turn points into standard deviations from the centre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from repeatab.base.errors import EstimationError, NotSeparableError
from repeatab.control.arrays import FloatArray, IntArray
from repeatab.control.autocorrelation import Autocorrelation, FirstOrder, autocorrelation, first_order
from repeatab.control.factors import chart_factors
from repeatab.control.limits import TRIAL_BELOW, LimitKind, Limits, individual_limits, nominal_rate
from repeatab.control.scatter import ScatterMethod
from repeatab.control.scatter_distribution import prediction_factor, rate_beyond
from repeatab.control.screening import Screening, screen
from repeatab.control.subgroup_limits import Spread, SubgroupLimits, subgroup_limits
from repeatab.control.visits import VisitScatter
from repeatab.jobs.charts.data import ReferenceData
from repeatab.jobs.charts.question import ControlChart, Plotted, Residuals, StatedLimits
from repeatab.jobs.charts.series import Regime, Series
from repeatab.jobs.charts.visit_base import VisitBase

_LEAST = 3
_AUTOCORRELATED = 0.01
_TREND = 0.001
_AS_KNOWN = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseTrend:
    """A steady rise or fall within the base period, per visit, and the probability of one so steep by chance."""

    per_visit: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesLimits:
    """Limits of the points of a regime.

    limits: for a visit of the typical number of runs; its `removed` count places within the base.  within_sd,
    between_sd: of a run within a visit, of visits beyond it; None where not kept apart.  spread: of range or
    standard deviation charts.  neighbours: test on the base points, None with too few.  model: charted residuals
    rest on it.  trend: of a base period that itself moves, None where it does
    not.  odd_sizes: base places left out because their number of runs differs from the others'.
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

    @property
    def trial(self) -> bool:
        """Whether the limits are trial prediction limits."""
        return self.limits.kind is LimitKind.TRIAL

    @property
    def widening(self) -> float:
        """How much wider than the nominal limits they are, for what few base points leave unknown."""
        return self.limits.factor / self.nominal

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
            return _spread_bounds(self.spread, runs, self.nominal)
        if self.plotted is Plotted.VISITS and self.within_sd is not None and self.within_df:
            base = VisitScatter(
                visits=2, centre=0.0, centre_variance=0.0, within_sd=self.within_sd, within_df=self.within_df,
                between_sd=0.0, between_variance_raw=0.0,
            )  # fmt: skip
            return 0.0, base.spread_limit(runs, false_alarm=rate)
        return None


def limits_of(question: ControlChart, data: ReferenceData, series: Series, regime: Regime) -> SeriesLimits:
    """Limits from the base of a regime, or those stated for its rig and section.

    Raises
    ------
    EstimationError, NotSeparableError
        Fewer than three base points, no scatter, or scatter that cannot be kept apart; the message says what to do.
    """
    plotted = plotted_form(question, data)
    nominal = question.shewhart.limit
    if series.stated is not None and regime.number == 0:
        return _stated(series.stated, plotted, nominal, runs=int(np.median(series.cells.count[regime.new])))
    if regime.base.size < _LEAST:
        raise EstimationError(
            f"found {regime.base.size} base visits, expected at least {_LEAST}: the limits cannot be formed. Extend "
            "the base period, or state limits that were set before."
        )
    match plotted:
        case Plotted.SINGLE:
            found = _single(question, series, regime)
        case Plotted.VISITS:
            found = _visits(question, series, regime)
        case Plotted.MEAN_AND_RANGE | Plotted.MEAN_AND_SD:
            found = _subgroups(question, data, series, regime, plotted)
    found = replace(found, nominal=nominal)
    return _with_neighbours(question, series, regime, found)


def plotted_form(question: ControlChart, data: ReferenceData) -> Plotted:
    """The form that was chosen, else visits where some visit has several runs and single results where none has."""
    if question.plotted is not None:
        return question.plotted
    several = any(bool((cells.count > 1).any()) for cells in data.cells.values())
    return Plotted.VISITS if several else Plotted.SINGLE


def _stated(stated: StatedLimits, plotted: Plotted, nominal: float, *, runs: int) -> SeriesLimits:
    """Limits as stated for points of so many runs; the scatter within visits is judged where it is stated too."""
    limits = Limits(
        kind=LimitKind.CONTROL, method="as stated", centre=stated.centre, sd=stated.sd,
        factor=nominal, count=stated.base or 0, df=float(stated.base - 1) if stated.base else None,
        false_alarm=nominal_rate(nominal),
    )  # fmt: skip
    apart = plotted is Plotted.VISITS and stated.within_sd is not None
    found = SeriesLimits(
        plotted=Plotted.VISITS if apart else Plotted.SINGLE, limits=limits, runs=runs,
        centre_variance=1 / stated.base if stated.base else 0.0, stated=True, nominal=nominal,
    )  # fmt: skip
    if apart and stated.within_sd is not None:
        between = max(0.0, stated.sd**2 - stated.within_sd**2 / runs)
        found = replace(found, within_sd=stated.within_sd, within_df=_AS_KNOWN, between_sd=math.sqrt(between))
    if stated.base and stated.base < TRIAL_BELOW:
        assert limits.df is not None
        factor = prediction_factor(
            nominal_rate(nominal), df=limits.df, count=stated.base, centre_variance=1 / stated.base
        )
        found = replace(found, limits=replace(limits, kind=LimitKind.TRIAL, factor=factor))
    return found


def _single(question: ControlChart, series: Series, regime: Regime) -> SeriesLimits:
    scatter = ScatterMethod.MEDIAN_DEVIATION if question.robust else question.scatter
    limits = individual_limits(
        series.level[regime.base],
        limit=question.shewhart.limit,
        scatter=scatter,
        screening=question.screening,
    )
    variance = math.pi / 2 / limits.count if question.robust else 1 / limits.count
    return SeriesLimits(
        plotted=Plotted.SINGLE, limits=limits, runs=_typical(series, regime), centre_variance=variance
    )


def _typical(series: Series, regime: Regime) -> int:
    return max(1, int(np.median(series.cells.count[regime.base])))


def _visits(question: ControlChart, series: Series, regime: Regime) -> SeriesLimits:
    cells, base = (
        series.cells.at(regime.base),
        VisitBase(robust=question.robust, nominal=question.shewhart.limit),
    )
    level = series.level[regime.base]
    if int((cells.count - 1).sum()) == 0:
        raise NotSeparableError(
            "every base visit has one run, so visit-to-visit and within-visit scatter are one number. Choose "
            f'points = "{Plotted.SINGLE.value}", or run the reference twice at some visits.'
        )
    found = Screening(kept=np.ones(level.size, dtype=np.bool_), removed=(), stopped=False)
    if question.screening:
        found = screen(level.size, lambda kept: base.judged(level, cells.count, cells.ss, kept), least=_LEAST)
    scatter = base.scatter(level, cells.count, cells.ss, found.kept)
    runs = _typical(series, regime)
    limits = base.mean_limits(scatter, runs)
    return SeriesLimits(
        plotted=Plotted.VISITS,
        limits=replace(limits, removed=found.removed, screening_stopped=found.stopped),
        runs=runs,
        centre_variance=scatter.centre_variance / scatter.mean_sd(runs) ** 2,
        within_sd=scatter.within_sd,
        within_df=scatter.within_df,
        between_sd=scatter.between_sd,
    )


def _subgroups(
    question: ControlChart, data: ReferenceData, series: Series, regime: Regime, plotted: Plotted
) -> SeriesLimits:
    cells = series.cells
    size = int(np.bincount(cells.count[regime.base]).argmax())
    fits = cells.count[regime.base] == size
    places = regime.base[fits]
    if size < 2 or places.size < 2:
        raise EstimationError(
            f"found {places.size} base visits of {size} runs; a chart of mean and {_SPREAD[plotted].value} needs at "
            "least two visits of the same number of runs, two or more."
        )
    rows = np.stack(
        [
            data.values[series.rig, series.section, int(cells.visit[i]), int(cells.source[i])]
            - series.offset[i]
            for i in places
        ]
    )
    found = subgroup_limits(
        rows,
        spread=_SPREAD[plotted],
        limit=question.shewhart.limit,
        robust=question.robust,
        screening=question.screening,
    )
    back = np.flatnonzero(fits)
    removed = tuple(replace(one, index=int(back[one.index])) for one in found.means.removed)
    return SeriesLimits(
        plotted=plotted,
        limits=replace(found.means, removed=removed),
        runs=size,
        centre_variance=1 / found.means.count,
        within_sd=found.within_sd,
        spread=found,
        odd_sizes=tuple(int(i) for i in np.flatnonzero(~fits)),
    )


_SPREAD = {Plotted.MEAN_AND_RANGE: Spread.RANGE, Plotted.MEAN_AND_SD: Spread.STANDARD_DEVIATION}


def _spread_bounds(spread: SubgroupLimits, runs: int, nominal: float) -> tuple[float, float]:
    factors = chart_factors(runs)
    if spread.spread is Spread.RANGE:
        unit, scatter = factors.d2, factors.d3
    else:
        unit, scatter = factors.c4, math.sqrt(1 - factors.c4**2)
    low, high = max(0.0, unit - nominal * scatter), unit + nominal * scatter
    return low * spread.within_sd, high * spread.within_sd


def base_kept(regime: Regime, found: SeriesLimits) -> IntArray:
    """Places of the base points that the limits rest on."""
    out = {one.index for one in found.limits.removed} | set(found.odd_sizes)
    return np.array([place for i, place in enumerate(regime.base) if i not in out], dtype=np.int64)


def _with_neighbours(
    question: ControlChart, series: Series, regime: Regime, found: SeriesLimits
) -> SeriesLimits:
    """Test whether neighbouring base points resemble each other, and chart residuals where that matters."""
    kept = series.level[base_kept(regime, found)]
    least = 5
    if question.residuals is Residuals.NEVER or kept.size < least:
        return found
    test = autocorrelation(kept)
    found = replace(found, neighbours=test, trend=_trend(kept, _wear_unknown(series, regime, found)))
    if found.trend is not None:
        # Residuals of a first-order model would follow the trend and hide it.
        return found
    needed = test.p < _AUTOCORRELATED and kept.size >= TRIAL_BELOW
    if question.residuals is Residuals.WHEN_NEEDED and not needed:
        return found
    model = first_order(kept)
    trial, df = kept.size < TRIAL_BELOW, float(kept.size - 2)
    rate, centre = nominal_rate(found.nominal), 1 / kept.size
    factor = (
        prediction_factor(rate, df=df, count=kept.size, centre_variance=centre) if trial else found.nominal
    )
    limits = replace(
        found.limits, method="residuals of a first-order model", centre=model.centre, sd=model.step_sd,
        factor=factor, count=int(kept.size), df=df,
    )  # fmt: skip
    return replace(found, model=model, limits=limits, centre_variance=centre)


def _wear_unknown(series: Series, regime: Regime, found: SeriesLimits) -> float:
    """Standard error of the trend that an error of the wear makes: so much per run, times the runs per visit."""
    if series.wear is None or series.wear.se is None:
        return 0.0
    age = series.cells.age[base_kept(regime, found)]
    place = np.arange(age.size) - (age.size - 1) / 2
    return series.wear.se * abs(float(place @ age)) / float(place @ place)


def _trend(kept: FloatArray, unknown: float) -> BaseTrend | None:
    """A straight line through the base points, if it is steep and what it leaves no longer resembles its neighbours.

    Neighbours that resemble each other for another reason (a slow wander) also look like a trend; there the line
    leaves them alike, and the first-order model is the better account.
    """
    from scipy.stats import t

    place = np.arange(kept.size) - (kept.size - 1) / 2
    slope = float(place @ kept) / float(place @ place)
    rest = kept - kept.mean() - slope * place
    df = kept.size - 2
    error = math.hypot(math.sqrt(float(rest @ rest) / df / float(place @ place)), unknown)
    if not error > 0:
        return None
    p = 2 * float(t.sf(abs(slope) / error, df))
    if p >= _TREND or autocorrelation(rest).p < _AUTOCORRELATED:
        return None
    return BaseTrend(per_visit=slope, p=p)
