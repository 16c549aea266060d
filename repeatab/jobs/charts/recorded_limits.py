"""Limits that were recorded in an earlier month: taken exactly as they are, and held against what their base reads now.

In: StatedLimits with the base they rest on, a Series and its Regime.  Out: SeriesLimits.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from repeatab.base.errors import RepeatabError
from repeatab.control.autocorrelation import FirstOrder
from repeatab.control.factors import chart_factors
from repeatab.control.limits import TRIAL_BELOW, LimitKind, Limits, nominal_rate
from repeatab.control.scatter_distribution import prediction_factor
from repeatab.control.subgroup_limits import SubgroupLimits
from repeatab.jobs.charts.question import BaseOfLimits, Plotted, StatedLimits
from repeatab.jobs.charts.series import Regime, Series
from repeatab.jobs.charts.series_limits import SPREAD, SeriesLimits, base_kept, spread_bounds

_SAME = 0.1
"""Recorded limits that differ by less from what their base gives now, in standard deviations of a point, still hold."""
_SAME_MODEL = 0.5


def recorded_limits(
    stated: StatedLimits,
    rests_on: BaseOfLimits,
    nominal: float,
    series: Series,
    regime: Regime,
    form: Callable[[Regime], SeriesLimits],
) -> SeriesLimits:
    """Recorded limits, with what their base visits give now where that differs.

    form : forms limits from the base of a regime, without screening.
    """
    found = _recorded(stated, rests_on, nominal, _places_of(series, regime, rests_on))
    return replace(found, now=_moved(regime, found, form))


def _recorded(
    stated: StatedLimits, rests_on: BaseOfLimits, nominal: float, left_out: tuple[int, ...]
) -> SeriesLimits:
    """Limits exactly as they were recorded, with everything that new points are judged by."""
    base, rate = stated.base or 0, nominal_rate(nominal)
    trial = 0 < base < TRIAL_BELOW
    factor = nominal
    if trial:
        factor = prediction_factor(rate, df=rests_on.df, count=base, centre_variance=rests_on.centre_variance)
    limits = Limits(
        kind=LimitKind.TRIAL if trial else LimitKind.CONTROL, method=rests_on.noted or "as recorded",
        centre=stated.centre, sd=stated.sd, factor=factor, count=base, df=rests_on.df, false_alarm=rate,
    )  # fmt: skip
    model = None
    if rests_on.carry is not None:
        model = FirstOrder(centre=stated.centre, carry=rests_on.carry, step_sd=stated.sd, count=base)
    return SeriesLimits(
        plotted=rests_on.form, limits=limits, runs=rests_on.runs, centre_variance=rests_on.centre_variance,
        within_sd=stated.within_sd, within_df=rests_on.within_df, between_sd=rests_on.between_sd,
        spread=_recorded_spread(stated, rests_on, limits), model=model, nominal=nominal, recorded=rests_on,
        left_out=left_out,
    )  # fmt: skip


def _recorded_spread(stated: StatedLimits, rests_on: BaseOfLimits, limits: Limits) -> SubgroupLimits | None:
    if rests_on.form not in SPREAD or stated.within_sd is None:
        return None
    factors, ranged = chart_factors(rests_on.runs), rests_on.form is Plotted.MEAN_AND_RANGE
    unit = factors.d2 if ranged else factors.c4
    spread = SubgroupLimits(
        means=limits, spread=SPREAD[rests_on.form], size=rests_on.runs, within_sd=stated.within_sd,
        spread_centre=unit * stated.within_sd, spread_lower=0.0, spread_upper=math.inf,
        ratio_of_means=rests_on.ratio_of_means or 1.0,
    )  # fmt: skip
    low, high = spread_bounds(spread, rests_on.runs, limits.factor)
    return replace(spread, spread_lower=low, spread_upper=high)


def _places_of(series: Series, regime: Regime, rests_on: BaseOfLimits) -> tuple[int, ...]:
    """Places within the base of the visits that recorded limits leave out."""
    gone = set(rests_on.left_out)
    return tuple(i for i, at in enumerate(regime.base) if series.visits.labels[series.visit[at]] in gone)


def _moved(regime: Regime, found: SeriesLimits, form: Callable[[Regime], SeriesLimits]) -> Limits | None:
    """What the base visits of recorded limits give now, if that would matter: results may have been corrected."""
    try:
        now = form(replace(regime, base=base_kept(regime, found), stated=None)).limits
    except RepeatabError:
        return None
    then = found.limits
    # A first-order model has the scatter of its steps and a centre that is not quite the mean.
    near = _SAME if found.model is None else _SAME_MODEL
    same_sd = found.model is not None or abs(now.sd / then.sd - 1) < near
    same = abs(now.centre - then.centre) < near * then.sd and same_sd and now.count == then.count
    return None if same else now
