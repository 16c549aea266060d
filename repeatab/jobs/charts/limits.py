"""Limits of one regime of one series: from its base period, or as stated; screened, robust or plain.

In: a Series and its Regime.  Out: SeriesLimits, which turn points into standard deviations from the centre.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from repeatab.base.errors import EstimationError, NotSeparableError
from repeatab.control.arrays import FloatArray
from repeatab.control.autocorrelation import autocorrelation, first_order
from repeatab.control.limits import TRIAL_BELOW, LimitKind, Limits, individual_limits, nominal_rate
from repeatab.control.scatter import ScatterMethod
from repeatab.control.scatter_distribution import prediction_factor
from repeatab.control.screening import Screening, screen
from repeatab.control.subgroup_limits import subgroup_limits
from repeatab.jobs.charts.data import ReferenceData
from repeatab.jobs.charts.question import ControlChart, Plotted, Residuals, StatedLimits
from repeatab.jobs.charts.recorded_limits import recorded_limits
from repeatab.jobs.charts.series import Regime, Series
from repeatab.jobs.charts.series_limits import SPREAD, BaseTrend, SeriesLimits, base_kept
from repeatab.jobs.charts.visit_base import VisitBase

_LEAST = 3
_AUTOCORRELATED = 0.01
_TREND = 0.001
_AS_KNOWN = 1e6


def limits_of(question: ControlChart, data: ReferenceData, series: Series, regime: Regime) -> SeriesLimits:
    """Limits from the base of a regime, or those stated for its rig and section.

    Raises
    ------
    EstimationError, NotSeparableError
        Fewer than three base points, no scatter, or scatter that cannot be kept apart; the message says what to do.
    """
    plotted = plotted_form(question, data)
    nominal = question.shewhart.limit
    stated = regime.stated
    if stated is not None and stated.rests_on is not None:
        asked = replace(question, screening=False)
        form = stated.rests_on.form
        return recorded_limits(
            stated, stated.rests_on, nominal, series, regime, lambda r: _formed(asked, data, series, r, form)
        )
    if stated is not None:
        return _stated(stated, plotted, nominal, runs=int(np.median(series.cells.count[regime.new])))
    if regime.base.size < _LEAST and regime.forming:
        raise EstimationError(
            f"the base after '{regime.cause}' is being formed: {regime.base.size} of {regime.wanted} visits."
        )
    if regime.base.size < _LEAST:
        raise EstimationError(
            f"found {regime.base.size} base visits, expected at least {_LEAST}: the limits cannot be formed. Extend "
            "the base period, or state limits that were set before."
        )
    return _with_neighbours(question, series, regime, _formed(question, data, series, regime, plotted))


def _formed(
    question: ControlChart, data: ReferenceData, series: Series, regime: Regime, plotted: Plotted
) -> SeriesLimits:
    """Limits from the base of a regime, before its neighbours are looked at."""
    match plotted:
        case Plotted.SINGLE:
            found = _single(question, series, regime)
        case Plotted.VISITS:
            found = _visits(question, series, regime)
        case Plotted.MEAN_AND_RANGE | Plotted.MEAN_AND_SD:
            found = _subgroups(question, data, series, regime, plotted)
    return replace(found, nominal=question.shewhart.limit)


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
            f"found {places.size} base visits of {size} runs; a chart of mean and {SPREAD[plotted].value} needs at "
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
        spread=SPREAD[plotted],
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
        within_df=found.within_df,
        spread=found,
        odd_sizes=tuple(int(i) for i in np.flatnonzero(~fits)),
    )


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
    if regime.wear is None or regime.wear.se is None:
        return 0.0
    age = series.cells.age[base_kept(regime, found)]
    place = np.arange(age.size) - (age.size - 1) / 2
    return regime.wear.se * abs(float(place @ age)) / float(place @ place)


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
