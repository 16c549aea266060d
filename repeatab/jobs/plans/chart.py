"""Planning a reference chart: how many visits the base period needs, and how many sets a point.

In: the question, beliefs, costs and limits.  Out: an Outcome. Run lengths by the functions that judge a chart.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from repeatab.base.errors import StudyError
from repeatab.control.estimated_limits import EstimatedLimits, estimated_limits
from repeatab.control.run_length import average_run_length
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.jobs.plans.sheet import sheet_table
from repeatab.jobs.wording import plural, probability
from repeatab.outcome.outcome import MethodNote, Outcome, Provenance
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.cost import front, hours_of, why_not
from repeatab.planning.layouts import LayoutKind, laid_out

_BASES, _EACH = (8, 10, 12, 15, 20, 25, 30, 40, 60, 80, 120), (1, 2, 3)
_SEED = 20260101


@dataclass(frozen=True, kw_only=True)
class _ChartPlan:
    """base : visits of the base period; each : sets run at a visit, whose mean is the point."""

    base: int
    each: int
    hours: float
    limits: EstimatedLimits
    points: float

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
    scatter = {
        name: one.sd**2 for name, one in beliefs.common.scatter.items() if name not in ("rig", "operator")
    }
    visit = scatter.pop("visit", 0.0) + scatter.pop("rig_by_visit", 0.0)
    own = sum(scatter.values())
    rigs = question.rigs or options.rigs or ("R1",)
    plans = []
    for base, each in product(_BASES, _EACH):
        runs = laid_out(LayoutKind.SPLIT_LOT, rigs, base * each)
        if why_not(runs, options.costs, options.limits) is not None:
            continue
        # More sets at a visit narrow the points, so that the same change of friction is a larger shift.
        shift = question.shift * np.sqrt((visit + own) / (visit + own / each))
        plans.append(
            _ChartPlan(
                base=base, each=each, hours=hours_of(runs, options.costs),
                limits=estimated_limits(question.shewhart, base=base, df=base - 1),
                points=average_run_length(question.shewhart, shift=float(shift)),
            )
        )  # fmt: skip
    if not plans:
        raise StudyError("plan: no base period fits the limits. Allow more sets, days or rig hours.")
    best = front([p for p in plans if p.each == 1] or plans, lambda p: p.hours, lambda p: p.kept)
    enough = [p for p in best if p.kept >= options.target]
    chosen = enough[0] if enough else best[-1]
    short = f"No base period within the limits reaches {probability(options.target)}; the best"
    reason = (
        f"{'Recommended' if enough else short}: a base period of {plural(chosen.base, 'visit')} with "
        f"{plural(chosen.each, 'pad set')} each on {plural(len(rigs), 'rig')}, {chosen.hours:g} rig hours. With a "
        f"probability of {probability(chosen.kept)} the chart then gives false alarms at most twice as often as it "
        f"should; a shift of {question.shift:g} SD of the points is met after {chosen.points:.3g} points on average."
    )
    sheet = sheet_table(
        laid_out(LayoutKind.SPLIT_LOT, rigs, chosen.base * chosen.each), "rig",
        tuple(section.name for section in question.sections), operators=options.operators,
        runs_per_day=options.runs_per_day, seed=question.seed or _SEED, captions=options.columns,
    )  # fmt: skip
    return Outcome(
        job="plan", title=title,
        headline=Judgement(subject=" and ".join(map(str, rigs)), verdict=Verdict.DESCRIBED, reason=reason),
        judgements=(), evidence=(str(chosen.limits), f"Scatter as {beliefs.told}."),
        tables=(_table(plans, chosen), sheet),
        cannot_tell=("Whether points follow one another independently: only the base period itself shows that.",),
        methods=(
            MethodNote(
                quantity="charts with limits from few points",
                method="averages over the distributions of the estimated centre and standard deviation",
                source="Jensen, Jones-Farmer, Champ & Woodall (2006), J. Quality Technology 38, 349-364",
            ),
        ),
        numbers=(("hours", chosen.hours), ("base", float(chosen.base)), ("kept", chosen.kept)),
        provenance=Provenance(seed=question.seed),
    )  # fmt: skip


def _table(plans: list[_ChartPlan], chosen: _ChartPlan) -> Table:
    rows: tuple[tuple[Value, ...], ...] = tuple(
        (p.base, p.each, p.hours, p.kept, p.limits.one_in_ten, p.limits.nominal, p.points,
         "recommended" if p is chosen else "")
        for p in sorted(plans, key=lambda p: (p.hours, p.each))
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
            Column(key="note", caption="", kind=ColumnKind.TEXT),
        ),
        rows=rows,
    )
