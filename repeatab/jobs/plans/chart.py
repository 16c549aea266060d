"""Planning a reference chart: how many visits the base period needs, and how many sets a point.

In: the question, beliefs, costs and limits.  Out: an Outcome. Run lengths by the functions that judge a chart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from repeatab.base.errors import StudyError
from repeatab.cells import FloatArray
from repeatab.control.estimated_limits import EstimatedLimits, estimated_limits
from repeatab.control.run_length import average_run_length
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.jobs.plans.sheet import chart_sheet
from repeatab.jobs.wording import plural, probability
from repeatab.outcome.figures import Figure
from repeatab.outcome.outcome import MethodNote, Outcome, Provenance
from repeatab.outcome.plan_figures import HoursAgainstGain, PlanPoint
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.cost import front, hours_of, why_not
from repeatab.planning.layouts import LayoutKind, laid_out

_BASES, _EACH = (8, 10, 12, 15, 20, 25, 30, 40, 60, 80, 120), (1, 2, 3)
# Dearer plans than these, in hours of the recommended one, are not shown.
_SHOWN = 1.5
_SHIFTS = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)
# Evenly placed values of the uncertain scatter: the run length is smooth in it.
_SEED, _DRAWN = 20260101, 25


@dataclass(frozen=True, slots=True, kw_only=True)
class _Points:
    """Scatter of the points: variances of a visit and of a set's own result, as believed and (draws,) possible ones."""

    visit: float
    own: float
    visits: FloatArray
    owns: FloatArray

    def sd(self, each: int) -> float:
        """Of a point that is the mean of so many sets."""
        return float(np.sqrt(self.visit + self.own / each))

    def sds(self, each: int) -> FloatArray:
        """The same for each possible scatter."""
        return np.asarray(np.sqrt(self.visits + self.owns / each))


@dataclass(frozen=True, kw_only=True)
class _ChartPlan:
    """base : visits of the base period; each : sets run at a visit, whose mean is the point.

    points, expected : points to meet the wanted shift, as believed and averaged over what is not known of the scatter.
    """

    base: int
    each: int
    hours: float
    limits: EstimatedLimits
    points: float
    expected: float

    @property
    def kept(self) -> float:
        """Share of charts so made whose run length in control is at least half of what it should be."""
        return 1 - self.limits.below_half


def plan_chart(question: ControlChart, beliefs: PlanBeliefs, options: PlanOptions, title: str) -> Outcome:
    """Plan the base period of a reference chart.

    Raises
    ------
    StudyError
        No base period fits the limits.
    """
    scatter = _points(question, beliefs)
    rigs = question.rigs or options.rigs or ("R1",)
    plans = _plans(question, scatter, rigs, options)
    if not plans:
        raise StudyError("plan: no base period fits the limits. Allow more sets, days or rig hours.")
    best = front([p for p in plans if p.each == 1] or plans, lambda p: p.hours, lambda p: p.kept)
    enough = [p for p in best if p.kept >= options.target]
    chosen = enough[0] if enough else best[-1]
    sheet = chart_sheet(
        rigs, chosen.base, chosen.each, tuple(section.name for section in question.sections),
        dated=question.base is not None and (question.base.until or question.base.start) is not None,
        operators=options.operators, seed=question.seed or _SEED, form=options.form,
    )  # fmt: skip
    return Outcome(
        job="plan", title=title,
        headline=Judgement(
            subject=" and ".join(map(str, rigs)), verdict=Verdict.DESCRIBED,
            reason=_reason(chosen, bool(enough), question, len(rigs), options.target),
        ),
        judgements=(), evidence=_evidence(chosen, question, scatter, beliefs),
        tables=(_table(plans, chosen), _lengths(chosen, question, scatter), sheet),
        figures=(_figure(plans, best, chosen, options.target),),
        cannot_tell=("Whether points follow one another independently: only the base period itself shows that.",),
        methods=_METHODS,
        numbers=(("hours", chosen.hours), ("base", float(chosen.base)), ("kept", chosen.kept)),
        provenance=Provenance(seed=question.seed),
    )  # fmt: skip


def _points(question: ControlChart, beliefs: PlanBeliefs) -> _Points:
    rng = np.random.default_rng(question.seed or _SEED)
    visit, own, visits, owns = 0.0, 0.0, np.zeros(_DRAWN), np.zeros(_DRAWN)
    for name, one in beliefs.common.scatter.items():
        if name in ("visit", "rig_by_visit"):
            visit, visits = visit + one.sd**2, visits + one.variances(_DRAWN, rng)
        elif name not in ("rig", "operator"):
            own, owns = own + one.sd**2, owns + one.variances(_DRAWN, rng)
    return _Points(visit=visit, own=own, visits=visits, owns=owns)


def _plans(
    question: ControlChart, scatter: _Points, rigs: Sequence[str], options: PlanOptions
) -> list[_ChartPlan]:
    # The shift that matters is so much friction, whatever the points turn out to scatter.
    away = question.shift * scatter.sd(1)
    lengths = {
        each: (
            average_run_length(question.shewhart, shift=away / scatter.sd(each)),
            float(
                np.mean([average_run_length(question.shewhart, shift=away / sd) for sd in scatter.sds(each)])
            ),
        )
        for each in _EACH
    }
    known: dict[int, EstimatedLimits] = {}
    plans = []
    for base, each in product(_BASES, _EACH):
        runs = laid_out(LayoutKind.SPLIT_LOT, rigs, base * each)
        if why_not(runs, options.costs, options.limits) is not None:
            continue
        if base not in known:
            known[base] = estimated_limits(question.shewhart, base=base, df=base - 1)
        plans.append(
            _ChartPlan(
                base=base, each=each, hours=hours_of(runs, options.costs), limits=known[base],
                points=lengths[each][0], expected=lengths[each][1],
            )
        )  # fmt: skip
    return plans


def _reason(chosen: _ChartPlan, enough: bool, question: ControlChart, rigs: int, target: float) -> str:
    short = f"No base period within the limits reaches {probability(target)}; the best"
    return (
        f"{'Recommended' if enough else short}: a base period of {plural(chosen.base, 'visit')} with "
        f"{plural(chosen.each, 'pad set')} each on {plural(rigs, 'rig')}, {chosen.hours:g} rig hours. With a "
        f"probability of {probability(chosen.kept)} the chart then gives false alarms at most twice as often as it "
        f"should; a shift of {question.shift:g} SD of single points is met after {chosen.points:.3g} points on average."
    )


def _evidence(
    chosen: _ChartPlan, question: ControlChart, scatter: _Points, beliefs: PlanBeliefs
) -> tuple[str, ...]:
    low, high = np.quantile(scatter.sds(1), [0.1, 0.9])
    limits = str(chosen.limits)
    return (
        f"{limits[:1].upper()}{limits[1:]}.",
        f"Scatter as {beliefs.told}: a point of one set has a standard deviation of {scatter.sd(1):.2g}, so the shift "
        f"that matters is {question.shift * scatter.sd(1):.2g}.",
        f"Averaged over what is not known of the scatter ({low:.2g} to {high:.2g} in eight cases of ten), that shift "
        f"is met after {chosen.expected:.3g} points.",
    )


def _lengths(chosen: _ChartPlan, question: ControlChart, scatter: _Points) -> Table:
    """Run lengths in control and out of it, with true limits and with those of the recommended base period."""
    wider = scatter.sd(1) / scatter.sd(chosen.each)
    rows: list[tuple[Value, ...]] = []
    for shift in sorted({*_SHIFTS, question.shift}):
        found = estimated_limits(question.shewhart, base=chosen.base, df=chosen.base - 1, shift=shift * wider)
        rows.append(
            (
                shift,
                shift * scatter.sd(1),
                found.nominal,
                found.typical,
                found.one_in_ten,
                float(found.median),
            )
        )
    return Table(
        key="run_lengths",
        caption="Points until the chart signals, in control and after a shift",
        columns=(
            Column(key="shift", caption="shift, in SD of points of one set", kind=ColumnKind.RATIO),
            Column(key="size", caption="shift", kind=ColumnKind.RESULT),
            Column(key="true", caption="average with true limits", kind=ColumnKind.NUMBER, unit="points"),
            Column(
                key="typical",
                caption="average of the chart in the middle",
                kind=ColumnKind.NUMBER,
                unit="points",
            ),
            Column(
                key="early", caption="one chart in ten signals once in", kind=ColumnKind.NUMBER, unit="points"
            ),
            Column(
                key="half",
                caption="half of all charts have signalled by",
                kind=ColumnKind.NUMBER,
                unit="points",
            ),
        ),
        rows=tuple(rows),
        remarks=(
            f"The last three columns: limits from {chosen.base} visits. Without a shift, late is good; with one, soon.",
        ),
    )


def _table(plans: Sequence[_ChartPlan], chosen: _ChartPlan) -> Table:
    rows: tuple[tuple[Value, ...], ...] = tuple(
        (p.base, p.each, p.hours, p.kept, p.limits.one_in_ten, p.limits.nominal, p.points, p.expected,
         "recommended" if p is chosen else "")
        for p in sorted(plans, key=lambda p: (p.hours, p.each))
        if p.hours <= chosen.hours or (p.each == 1 and p.hours <= _SHOWN * chosen.hours)
    )  # fmt: skip
    return Table(
        key="plans",
        caption="What a base period of this size gives",
        columns=(
            Column(key="base", caption="visits in the base period", kind=ColumnKind.COUNT),
            Column(key="each", caption="sets per visit", kind=ColumnKind.COUNT),
            Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
            Column(key="kept", caption="false alarms at most doubled", kind=ColumnKind.PROBABILITY),
            Column(
                key="one_in_ten",
                caption="one chart in ten signals once in",
                kind=ColumnKind.NUMBER,
                unit="points",
            ),
            Column(key="nominal", caption="with true limits", kind=ColumnKind.NUMBER, unit="points"),
            Column(key="points", caption="points to meet the shift", kind=ColumnKind.NUMBER),
            Column(key="expected", caption="averaged over unknown scatter", kind=ColumnKind.NUMBER),
            Column(key="note", caption="", kind=ColumnKind.TEXT),
        ),
        rows=rows,
    )


def _figure(
    plans: Sequence[_ChartPlan], best: Sequence[_ChartPlan], chosen: _ChartPlan, target: float
) -> Figure:
    return HoursAgainstGain(
        key="plans_by_hours",
        title="What does each base period give for its rig hours?",
        reading=f"The recommended base period takes {chosen.hours:g} rig hours.",
        unit="h",
        rows=tuple(
            PlanPoint(
                label=f"{p.base} visits", layout=f"{plural(p.each, 'set')} per visit", hours=p.hours, gain=p.kept,
                best=p in best, recommended=p is chosen,
            )
            for p in plans
        ),
        gain_label="probability that false alarms are at most doubled",
        target=target,
    )  # fmt: skip


_METHODS = (
    MethodNote(
        quantity="charts with limits from few points",
        method="averages over the distributions of the estimated centre and standard deviation",
        source="Jensen, Jones-Farmer, Champ & Woodall (2006), J. Quality Technology 38, 349-364",
    ),
)
