"""Tables and figures of a planned gauge study.

In: GaugePlans, the question.  Out: the plans, the chances by section, and what more rigs, sets or runs would tell.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from repeatab.jobs.gauge.sections import tolerance_width
from repeatab.jobs.plans.gauge_layouts import REPEATED, GaugePlan, gauge_plan
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.jobs.questions import GaugeStudy, GaugeStudySection
from repeatab.jobs.wording import plural
from repeatab.judgement.measures import percent_of_tolerance
from repeatab.outcome.figures import Figure
from repeatab.outcome.plan_figures import HoursAgainstGain, PlanPoint
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Verdict
from repeatab.planning.gauge_verdicts import TypicalLimits
from repeatab.planning.layouts import LayoutKind
from repeatab.planning.widths import expected_percent, sd_ratio_limit_factors

# What is varied beside the recommended plan, one number at a time.
_VARIED = {"rigs": (2, 3, 4, 6, 10), "sets": (3, 5, 10, 20), "runs": (2, 3, 5)}
_JUDGED = (Verdict.ACCEPTABLE, Verdict.CONDITIONAL, Verdict.NOT_ACCEPTABLE, Verdict.UNDECIDED)


def gauge_plans_table(plans: Sequence[GaugePlan], chosen: GaugePlan) -> Table:
    """The plans that were simulated, by rig hours."""
    rows: list[tuple[Value, ...]] = []
    for plan in plans:
        assert plan.expected is not None
        rows.append(
            (plan.kind.value, "recommended" if plan is chosen else "", plan.hours, plan.expected.decided,
             plan.expected.monte_carlo_error,
             "upper bound: holds the sets" if plan.bounded else "told from the sets", *_size(plan),
             len(plan.planned.runs))
        )  # fmt: skip
    return Table(
        key="plans",
        caption="Plans that can be run, by rig hours",
        columns=(
            Column(key="layout", caption="layout", kind=ColumnKind.TEXT),
            Column(key="note", caption="", kind=ColumnKind.TEXT),
            Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
            Column(key="expected", caption="a verdict everywhere", kind=ColumnKind.PROBABILITY),
            Column(key="error", caption="Monte Carlo error", kind=ColumnKind.PROBABILITY),
            Column(key="grr", caption="R&R", kind=ColumnKind.TEXT),
            *_size_columns(),
            Column(key="total", caption="runs in all", kind=ColumnKind.COUNT),
        ),
        rows=tuple(rows),
        remarks=(
            "A verdict everywhere: in every deciding section, averaged over what is not known of the scatter.",
            "The plans that know most for their hours were simulated, by the estimators and the rule of the study.",
        ),
    )


def _size_columns() -> tuple[Column, ...]:
    return (
        Column(key="rigs", caption="rigs", kind=ColumnKind.COUNT),
        Column(key="sets", caption="pad sets in all", kind=ColumnKind.COUNT),
        Column(key="runs", caption="runs of a set on one rig", kind=ColumnKind.COUNT),
    )


def _size(plan: GaugePlan) -> tuple[Value, ...]:
    return (plan.rigs, plan.planned.sets, plan.runs)


def gauge_sections_table(plan: GaugePlan, question: GaugeStudy) -> Table:
    """What the recommended plan would say, section by section and of all deciding ones together."""
    assert plan.chance is not None
    assert plan.expected is not None
    rows: list[tuple[Value, ...]] = []
    for section in question.sections:
        shares = plan.chance.sections[section.name]
        rows.append(
            (section.name, "decides" if section.decides else "informs",
             *(shares.get(verdict, 0.0) for verdict in _JUDGED), plan.expected.of_section(section.name))
        )  # fmt: skip
    rows.append(
        (
            "every deciding section has a verdict",
            "",
            None,
            None,
            None,
            1 - plan.chance.decided,
            plan.expected.decided,
        )
    )
    return Table(
        key="section_chances",
        caption="What the recommended plan would say section by section, if the scatter is as believed",
        columns=(
            Column(key="section", caption="section", kind=ColumnKind.TEXT),
            Column(key="role", caption="role", kind=ColumnKind.TEXT),
            Column(key="acceptable", caption="acceptable", kind=ColumnKind.PROBABILITY),
            Column(key="conditional", caption="conditionally acceptable", kind=ColumnKind.PROBABILITY),
            Column(key="not_acceptable", caption="not acceptable", kind=ColumnKind.PROBABILITY),
            Column(key="undecided", caption="undecided", kind=ColumnKind.PROBABILITY),
            Column(key="expected", caption="a verdict, averaged over unknown scatter", kind=ColumnKind.PROBABILITY),
        ),
        rows=tuple(rows),
        remarks=(f"{plan.chance.draws} simulated studies, in all sections together.",),
    )  # fmt: skip


def gauge_limits_table(plan: GaugePlan, question: GaugeStudy) -> Table:
    """How well the recommended plan would know R&R and its ratios, section by section."""
    assert plan.chance is not None
    rows: list[tuple[Value, ...]] = []
    for section in question.sections:
        grr, percent = plan.chance.grr[section.name], plan.chance.percent[section.name]
        rows.append(
            (
                section.name,
                grr.lower,
                grr.upper,
                *_limits(percent),
                *_limits(_of_tolerance(section, grr, question)),
            )
        )
    return Table(
        key="section_limits",
        caption="The limits of R&R that the recommended plan would typically give",
        columns=(
            Column(key="section", caption="section", kind=ColumnKind.TEXT),
            Column(key="grr_lower", caption="R&R from", kind=ColumnKind.RESULT),
            Column(key="grr_upper", caption="to", kind=ColumnKind.RESULT),
            Column(key="percent_lower", caption="of the total variation, from", kind=ColumnKind.PERCENT),
            Column(key="percent_upper", caption="to", kind=ColumnKind.PERCENT),
            Column(key="tolerance_lower", caption="of the tolerance, from", kind=ColumnKind.PERCENT),
            Column(key="tolerance_upper", caption="to", kind=ColumnKind.PERCENT),
        ),
        rows=tuple(rows),
        remarks=(f"{plan.level:.0%} limits, in the middle of those of the simulated studies.",),
    )


def _limits(found: TypicalLimits) -> tuple[Value, Value]:
    return found.lower, found.upper


def _of_tolerance(section: GaugeStudySection, grr: TypicalLimits, question: GaugeStudy) -> TypicalLimits:
    width = tolerance_width(section, question.analysis)
    if width is None or grr.lower is None or grr.upper is None:
        return TypicalLimits(lower=None, upper=None)
    low, high = (
        percent_of_tolerance(sd, width, multiplier=question.multiplier) for sd in (grr.lower, grr.upper)
    )
    return TypicalLimits(lower=low, upper=high)


def width_table(plan: GaugePlan, beliefs: PlanBeliefs, options: PlanOptions) -> Table:
    """How the interval of each component, and of ratios, changes with rigs, sets and runs, one at a time."""
    rows: list[tuple[Value, ...]] = []
    for varied, numbers in _VARIED.items():
        if varied == "runs" and plan.kind not in REPEATED:
            continue
        own = {"rigs": plan.rigs, "sets": plan.sets, "runs": plan.runs}[varied]
        for number in sorted({*numbers, own}):
            size = {"rigs": plan.rigs, "sets": plan.sets, "runs": plan.runs} | {varied: number}
            if plan.kind is LayoutKind.INCOMPLETE and size["rigs"] < 3:
                continue
            other = gauge_plan(
                plan.kind, (size["rigs"], size["sets"], size["runs"]), beliefs, options, level=plan.level,
                against_total=plan.against_total,
            )  # fmt: skip
            here = f"{varied} (recommended)" if number == own else varied
            rows.append((here, *_size(other), other.hours, *_known(other)))
    return Table(
        key="scatter_widths",
        caption="By how much each scatter may be larger than it looks: upper limit over standard deviation",
        columns=(
            Column(key="varied", caption="what is varied", kind=ColumnKind.TEXT),
            *_size_columns(),
            Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
            *(
                Column(key=f"factor_{i}", caption=name, kind=ColumnKind.RATIO)
                for i, name in enumerate(plan.names)
            ),
            Column(
                key="between", caption="ratio of two rigs' scatter, to a factor of", kind=ColumnKind.RATIO
            ),
            Column(key="lower", caption="R&R of the total, typically from", kind=ColumnKind.PERCENT),
            Column(key="upper", caption="to", kind=ColumnKind.PERCENT),
        ),
        rows=tuple(rows),
        remarks=(
            f"{plan.level:.0%} limits. More runs on the same rigs do not narrow what rigs scatter; more rigs do not "
            "narrow the ratio of two of them.",
        ),
    )


def _known(plan: GaugePlan) -> tuple[Value, ...]:
    """Upper limits over values, the factor of a ratio of two rigs' scatter, limits of R&R in percent of the total."""
    factors = tuple(float(f) if np.isfinite(f) else None for f in plan.widths.factors())
    per_rig = plan.planned.per_level
    df = per_rig * (plan.runs - 1) if plan.kind in REPEATED and plan.runs > 1 else per_rig - 1
    ratio = sd_ratio_limit_factors(df, df, level=plan.level)[1] if df > 0 else None
    if plan.bounded or not plan.layout.balanced:
        return (*factors, ratio, None, None)
    low, high = expected_percent(
        plan.block, plan.layout, plan.truth, plan.measurement, level=plan.level, seed=1
    )
    return (*factors, ratio, low, high)


def gauge_figure(plans: Sequence[GaugePlan], chosen: GaugePlan, target: float) -> Figure:
    """All simulated plans by rig hours."""
    best = 0.0
    points = []
    for plan in plans:
        assert plan.expected is not None
        gain = plan.expected.decided
        points.append(
            PlanPoint(
                label=f"{len(plan.planned.runs)} runs", layout=plural(plan.rigs, "rig"), hours=plan.hours, gain=gain,
                best=gain > best, recommended=plan is chosen,
            )
        )  # fmt: skip
        best = max(best, gain)
    return HoursAgainstGain(
        key="plans_by_hours",
        title="What does each plan give for its rig hours?",
        reading=f"The recommended plan takes {chosen.hours:g} rig hours.",
        unit="h",
        rows=tuple(points),
        gain_label="probability of a verdict in every deciding section",
        target=target,
    )
