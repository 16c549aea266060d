"""How often the chosen charts give a false alarm, how soon they find a shift, and what estimated limits do to that.

In: the question, the rate of visits, the limits in use, the series whose residuals are charted.  Out: ChartLengths and
LimitEffect values.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from repeatab.base.errors import RepeatabError
from repeatab.control.charts import Chart, Shewhart
from repeatab.control.estimated_limits import EstimatedLimits, estimated_limits
from repeatab.control.limits import nominal_rate
from repeatab.control.mewma import mewma_limit, mewma_run_length
from repeatab.control.run_length import average_run_length, residual_run_length
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series_limits import SeriesLimits

SHIFTS = (0.5, 1.0, 1.5, 2.0, 3.0)
_MOST_EFFECTS = 4
_MOST_RESIDUALS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class ResidualSeries:
    """A series of which residuals of a first-order model are charted, and its carry-over from visit to visit."""

    rig: str
    section: str
    carry: float

    def __str__(self) -> str:
        return f"{self.rig}, {self.section}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartLength:
    """Average run lengths of one chart, in points: in control and after each shift (in standard deviations).

    joint: over the sections together, where a shift is a distance in the metric of their covariance.  alone: the
    limits without the rules, given for comparison only.  residuals: the series whose residuals the chart is of, None
    for charts of the points themselves.
    """

    words: str
    in_control: float
    shifted: tuple[float | None, ...]
    joint: bool = False
    alone: bool = False
    residuals: ResidualSeries | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartLengths:
    """Run lengths of all charts at `shifts`; months: points per false alarm over the visits per month.

    more_residuals: further series whose residuals are charted and that are not among the charts.
    """

    shifts: tuple[float, ...]
    charts: tuple[ChartLength, ...]
    visits_per_month: float | None
    more_residuals: int = 0

    def months(self, points: float) -> float | None:
        """So many points as months, at the rate of the visits; None without dates."""
        return None if self.visits_per_month is None else points / self.visits_per_month

    @property
    def together(self) -> float:
        """Points to a false alarm of all charts of one section, were they independent: a lower bound."""
        own = (one for one in self.charts if not one.joint and not one.alone and one.residuals is None)
        rate = sum(1 / one.in_control for one in own)
        return 1 / rate if rate else math.inf

    def of_the_lab(self, rigs: int, sections: int) -> float:
        """Visits to a false alarm anywhere in the laboratory, were all charts independent: a lower bound."""
        joint = sum(1 / one.in_control for one in self.charts if one.joint)
        rate = rigs * (sections / self.together + joint)
        return 1 / rate if rate else math.inf


def lengths_of(
    question: ControlChart,
    *,
    visits_per_month: float | None,
    nominal_ratio: float,
    residuals: Sequence[ResidualSeries] = (),
) -> ChartLengths:
    """Run lengths of the chosen charts, zero state, both sides.

    nominal_ratio : false alarms of the scatter limits per point over those of the mean's limits; 0 without them.
    residuals : the series whose residuals are charted; the four that carry over most have run lengths of their own.
    """
    shifts = tuple(sorted({*SHIFTS, question.shift}))
    plain = Shewhart(limit=question.shewhart.limit)
    charts = []
    if question.shewhart.rules:
        charts.append(_length("limits alone", plain, shifts, alone=True))
        charts.append(_length("limits and run rules", question.shewhart, shifts))
    else:
        charts.append(_length("limits", plain, shifts))
    if nominal_ratio:
        rate = nominal_ratio * nominal_rate(plain.limit)
        charts.append(
            ChartLength(words="scatter within the visit", in_control=1 / rate, shifted=(None,) * len(shifts))
        )
    if question.ewma is not None:
        charts.append(_length(str(question.ewma), question.ewma, shifts))
    if question.cusum is not None:
        charts.append(_length(str(question.cusum), question.cusum, shifts))
    charts += _joint_lengths(question, shifts)
    most = sorted(residuals, key=lambda one: -abs(one.carry))[:_MOST_RESIDUALS]
    charts += [length for one in most for length in _residual_lengths(question, shifts, one)]
    return ChartLengths(
        shifts=shifts, charts=tuple(charts), visits_per_month=visits_per_month,
        more_residuals=len(residuals) - len(most),
    )  # fmt: skip


def _residual_lengths(
    question: ControlChart, shifts: tuple[float, ...], series: ResidualSeries
) -> list[ChartLength]:
    """Of the charts on the residuals of one series; shifts in standard deviations of its results."""
    name = "limits and run rules" if question.shewhart.rules else "limits"
    charts: list[tuple[str, Chart]] = [(name, question.shewhart)]
    charts += [(str(one), one) for one in (question.ewma, question.cusum) if one is not None]
    # Rules about rises and falls take a second for each shift.
    slow = any(rule.directional for rule in question.shewhart.rules)
    return [
        ChartLength(
            words=words,
            in_control=average_run_length(chart),
            shifted=tuple(
                residual_run_length(chart, carry=series.carry, shift=shift)
                if chart is not question.shewhart or not slow or shift == question.shift
                else None
                for shift in shifts
            ),
            residuals=series,
        )
        for words, chart in charts
    ]


def _length(words: str, chart: Chart, shifts: tuple[float, ...], *, alone: bool = False) -> ChartLength:
    return ChartLength(
        words=words,
        in_control=average_run_length(chart),
        shifted=tuple(average_run_length(chart, shift=shift) for shift in shifts),
        alone=alone,
    )


def _joint_lengths(question: ControlChart, shifts: tuple[float, ...]) -> list[ChartLength]:
    from scipy.stats import chi2, ncx2

    joint, p = question.joint, len(question.sections)
    if joint is None:
        return []
    found = []
    if joint.false_alarm is not None:
        limit = float(chi2.isf(joint.false_alarm, p))
        rates = [float(ncx2.sf(limit, p, shift**2)) for shift in shifts]
        found.append(
            ChartLength(
                words="sections together (T²)", in_control=1 / joint.false_alarm,
                shifted=tuple(1 / rate for rate in rates), joint=True,
            )
        )  # fmt: skip
    if joint.weight is not None:
        weight = joint.weight
        limit = mewma_limit(p, weight=weight, in_control=joint.in_control)
        shifted = [_mewma(p, weight, limit, shift) for shift in shifts]
        found.append(
            ChartLength(
                words=f"moving average of the sections together, weight {weight:g}",
                in_control=joint.in_control, shifted=tuple(shifted), joint=True,
            )
        )  # fmt: skip
    return found


def _mewma(p: int, weight: float, limit: float, shift: float) -> float | None:
    try:
        return mewma_run_length(p, weight=weight, limit=limit, shift=shift)
    except RepeatabError:
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitEffect:
    """What limits from so few base points do, for a group of series alike in that.

    base: points of the base period.  as_good_as: points whose mean would tell the centre as well, with the
    uncertainty of a change-over (`linked`).  series: how many rest on it.  factor: the limits' distance in estimated
    standard deviations.  plain_rate: false alarms per point, had the nominal distance been used.  effects: by chart,
    None where it cannot be computed.
    """

    base: int
    as_good_as: int
    df: float | None
    series: int
    trial: bool
    linked: bool
    factor: float
    plain_rate: float
    effects: tuple[tuple[str, EstimatedLimits | None], ...]


InUse = tuple[SeriesLimits, float]
"""Limits, and the variance that a link adds to their centre, over that of a point."""


def effects_of(question: ControlChart, in_use: Iterable[InUse]) -> tuple[LimitEffect, ...]:
    """Effects by size of the base, the smallest first, at most four of them."""
    groups: dict[tuple[int, bool, bool], list[InUse]] = {}
    for limits, link in in_use:
        if limits.plain_rate() is not None:
            groups.setdefault((limits.limits.count, limits.trial, link > 0), []).append((limits, link))
    chosen = sorted(groups.items())[:_MOST_EFFECTS]
    return tuple(_effect(question, trial, linked, group) for (_, trial, linked), group in chosen)


def _effect(question: ControlChart, trial: bool, linked: bool, group: list[InUse]) -> LimitEffect:
    """Of the series of a group the one that knows its centre least."""
    limits, link = max(group, key=lambda one: one[0].centre_variance + one[1])
    factor = limits.limits.factor * math.sqrt(1 + link)
    charts: list[tuple[str, Chart]] = [("limits", Shewhart(limit=factor))]
    if not trial and question.shewhart.rules:
        charts = [("limits and run rules", question.shewhart)]
    if question.ewma is not None and not trial:
        charts.append(("moving average", question.ewma))
    if question.cusum is not None and not trial:
        charts.append(("cumulative sum", question.cusum))
    base = max(2, round(1 / (limits.centre_variance + link)))
    df = limits.limits.df
    return LimitEffect(
        base=limits.limits.count,
        as_good_as=base,
        df=df,
        series=len(group),
        trial=trial,
        linked=linked,
        factor=factor,
        plain_rate=limits.plain_rate(link) or 0.0,
        effects=tuple((name, _estimated(chart, base, df)) for name, chart in charts),
    )


def _estimated(chart: Chart, base: int, df: float | None) -> EstimatedLimits | None:
    try:
        return estimated_limits(chart, base=base, df=df)
    except RepeatabError:
        return None
