"""Planning a requalification: visits and fresh sets on the moved rig and its controls, before and after the move.

In: the question, beliefs, costs and limits.  Out: an Outcome. Judged by the design and estimators of the job itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from repeatab.base.errors import LayoutError, NotSeparableError, StudyError
from repeatab.base.progress import Progress
from repeatab.cells import FloatArray
from repeatab.estimation.pairs import Pair
from repeatab.jobs.levels.comparison import blocks_by_section
from repeatab.jobs.plans.comparison import planned_results
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions, SectionBelief
from repeatab.jobs.plans.sheet import RUN_SHEET
from repeatab.jobs.plans.tables import chances_of
from repeatab.jobs.questions import Analysis
from repeatab.jobs.requalifying.design import MoveDesign, move_design
from repeatab.jobs.requalifying.planning import SIMULATED, on_fresh_sets, told_apart
from repeatab.jobs.requalifying.question import Requalification, RequalSection
from repeatab.jobs.requalifying.views import MoveFit
from repeatab.jobs.wording import plural, probability
from repeatab.judgement.comparison import bounds_of
from repeatab.layout.blocks import Block
from repeatab.layout.layout import layout_of
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.plan_figures import HoursAgainstGain, PlanPoint
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.cost import front
from repeatab.planning.joint_verdicts import (
    JointPlan,
    PlannedLook,
    PlannedSection,
    draws_within,
    joint_chances,
)
from repeatab.planning.layouts import LayoutKind, PlannedRun, PlannedRuns
from repeatab.planning.run_sheet import run_sheet
from repeatab.planning.verdict_probability import VerdictProbability

_SECTION = "plan"
_VISITS, _SETS = (2, 3, 4, 5), (1, 2, 3, 4)
_SHARES = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)


@dataclass(frozen=True, kw_only=True)
class _MovePlan:
    """visits, sets : per phase, and of each rig at each visit."""

    visits: int
    sets: int
    hours: float
    plan: JointPlan
    point: VerdictProbability
    expected: VerdictProbability


def plan_requalification(
    question: Requalification, beliefs: PlanBeliefs, options: PlanOptions, title: str, progress: Progress
) -> Outcome:
    """Plan both phases of a requalification.

    Raises
    ------
    StudyError
        Nothing can be run under the limits, or a deciding section has no margin.
    """
    sizes = [(v, n) for v, n in product(_VISITS, _SETS) if _fits(question, v, n, options)]
    if not sizes:
        raise StudyError(
            "plan: no requalification can be run under the limits. Allow more sets, days or rig hours."
        )
    tried: list[_MovePlan] = []
    for number, (visits, sets) in enumerate(sizes):
        progress("simulating plans", number, len(sizes))
        found = _tried(question, visits, sets, beliefs, options, options.seconds / len(sizes))
        tried += [] if found is None else [found]
    if not tried:
        raise StudyError(
            "plan: in none of the plans within the limits can the shift be told. Allow more sets."
        )
    best = front(tried, lambda p: p.hours, lambda p: p.expected.equivalent)
    enough = [p for p in best if p.expected.equivalent >= options.target]
    chosen = enough[0] if enough else best[-1]
    draws = draws_within(options.seconds / 3, chosen.plan.block, len(question.sections))
    chances = joint_chances(chosen.plan, _SHARES, draws=draws, seed=question.seed + 1)
    short = f"No plan within the limits reaches {probability(options.target)}; the best"
    reason = (
        f"{'Recommended' if enough else short}: {plural(chosen.visits, 'visit')} before and as many after the move, "
        f"{plural(chosen.sets, 'fresh pad set')} on each of {plural(1 + len(question.control_rigs), 'rig')} at every "
        f"visit, {chosen.hours:g} rig hours. If nothing has shifted, the level is shown to be unchanged in all "
        f"deciding sections with a probability of {probability(chosen.expected.equivalent)} ± "
        f"{chosen.expected.monte_carlo_error:.2f}, averaged over what is not known of the scatter."
    )
    return Outcome(
        job="plan", title=title,
        headline=Judgement(subject=str(question.moved_rig), verdict=Verdict.DESCRIBED, reason=reason),
        judgements=(), evidence=(f"Scatter as {beliefs.told}.",),
        cannot_tell=(
            "Whether the repeatability has worsened, and whether the rig agrees with its sister: the plan is made for "
            "the question of the level.",
            "A plan is as good as what is believed of the scatter.",
        ),
        tables=(_table(tried, best, chosen), chances_of(chances, 1), _sheet(question, chosen, options)),
        figures=(_figure(tried, best, chosen, options.target),),
        numbers=(("hours", chosen.hours), ("expected_equivalent_at_no_offset", chosen.expected.equivalent)),
        provenance=Provenance(seed=question.seed),
    )  # fmt: skip


def _fits(question: Requalification, visits: int, sets: int, options: PlanOptions) -> bool:
    limits, rigs = options.limits, 1 + len(question.control_rigs)
    total = 2 * visits * sets * rigs
    each = options.costs.run + options.costs.set + options.costs.change_over
    return (
        (limits.sets is None or total <= limits.sets)
        and (limits.hours is None or total * each <= limits.hours)
        and (limits.days is None or 2 * visits * sets * each <= limits.days * limits.hours_per_day)
    )


def _tried(
    question: Requalification,
    visits: int,
    sets: int,
    beliefs: PlanBeliefs,
    options: PlanOptions,
    seconds: float,
) -> _MovePlan | None:
    try:
        plan = _joint_plan(question, visits, sets, beliefs)
        draws = draws_within(seconds / 2, plan.block, len(plan.sections))
        point = joint_chances(plan, [0.0], draws=draws, seed=question.seed)[0].overall
        expected = joint_chances(plan, [0.0], draws=draws, seed=question.seed, uncertain=True)[0].overall
    except (LayoutError, NotSeparableError):
        return None
    costs = options.costs
    hours = 2 * visits * sets * (1 + len(question.control_rigs)) * (costs.run + costs.set + costs.change_over)
    return _MovePlan(visits=visits, sets=sets, hours=hours, plan=plan, point=point, expected=expected)


def _joint_plan(question: Requalification, visits: int, sets: int, beliefs: PlanBeliefs) -> JointPlan:
    import pandas as pd

    deciding = next(section for section in question.sections if section.decides)
    alone = replace(
        question, sections=(replace(deciding, name=_SECTION),), sister_rig=None, looks=(),
        burdens=replace(question.burdens, sister=None),
    )  # fmt: skip
    rows = [
        {"result": 0.4, "rig": rig, "phase": phase, "visit": f"{phase} {visit}", "section": _SECTION,
         "pad_set": f"{rig} {phase} {visit} {i}"}
        for phase in (question.before, question.after)
        for visit in range(visits)
        for rig in (question.moved_rig, *question.control_rigs)
        for i in range(sets)
    ]  # fmt: skip
    design = on_fresh_sets(move_design(alone, planned_results(pd.DataFrame(rows))))
    block = blocks_by_section(design.how, Analysis.DIFFERENCE)[_SECTION]
    ratio = question.analysis is Analysis.RATIO
    pair = design.how.pairs[0]

    def views(drawn: Block) -> Sequence[Sequence[Pair]]:
        return [MoveFit(block=drawn, design=design, stated=deciding.drift, logarithmic=ratio).views(pair)]

    count = len(question.sections)
    alpha = 1 - question.confidence
    return JointPlan(
        block=block, layout=told_apart(layout_of(block, SIMULATED)), pairs=views, beyond_only=True,
        sections=tuple(_section(one, beliefs.of(one.name), question, design) for one in question.sections),
        correlation=np.full((count, count), beliefs.correlation) + (1 - beliefs.correlation) * np.eye(count),
        looks=(PlannedLook(cells=np.ones(len(block.count), np.bool_), difference=alpha, equivalence=alpha),),
    )  # fmt: skip


def _section(
    asked: RequalSection, belief: SectionBelief, question: Requalification, _: MoveDesign
) -> PlannedSection:
    if asked.margin is None:
        raise StudyError(f"section '{asked.name}' has no margin, and a plan rests on it.")
    ratio = question.analysis is Analysis.RATIO
    unit = 1 / belief.level if ratio else 1.0
    rng = np.random.default_rng([question.seed, len(asked.name)])
    drawn = np.zeros((4000, 3))
    point = np.zeros(3)
    for name, one in belief.scatter.items():
        # Visit, ordinary drift of a rig, and all that makes a fresh set's result its own.
        at = {"visit": 0, "rig_by_visit": 1}.get(name, 2)
        if name not in ("rig", "operator"):
            drawn[:, at] += one.variances(4000, rng) * unit**2
            point[at] += one.sd**2 * unit**2
    return PlannedSection(
        name=asked.name, bounds=bounds_of(asked.margin, logarithmic=ratio), decides=asked.decides,
        level=math.log(belief.level) if ratio else belief.level, variances=_array(point), drawn=drawn,
    )  # fmt: skip


def _array(values: FloatArray) -> FloatArray:
    return np.asarray(values, np.float64)


def _table(tried: Sequence[_MovePlan], best: Sequence[_MovePlan], chosen: _MovePlan) -> Table:
    rows: tuple[tuple[Value, ...], ...] = tuple(
        (p.visits, p.sets, p.hours, p.point.equivalent, p.expected.equivalent, p.expected.monte_carlo_error,
         "recommended" if p is chosen else "no cheaper plan gives as much" if p in best else "")
        for p in sorted(tried, key=lambda p: p.hours)
    )  # fmt: skip
    return Table(
        key="plans",
        caption="The plans that can be run, by rig hours",
        columns=(
            Column(key="visits", caption="visits per phase", kind=ColumnKind.COUNT),
            Column(key="sets", caption="fresh sets per rig and visit", kind=ColumnKind.COUNT),
            Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
            Column(key="simulated", caption="level shown unchanged, if it is", kind=ColumnKind.PROBABILITY),
            Column(key="expected", caption="averaged over unknown scatter", kind=ColumnKind.PROBABILITY),
            Column(key="error", caption="Monte Carlo error", kind=ColumnKind.PROBABILITY),
            Column(key="note", caption="", kind=ColumnKind.TEXT),
        ),
        rows=rows,
    )


def _figure(
    tried: Sequence[_MovePlan], best: Sequence[_MovePlan], chosen: _MovePlan, target: float
) -> HoursAgainstGain:
    return HoursAgainstGain(
        key="plans_by_hours",
        title="What does each plan give for its rig hours?",
        reading=f"The recommended plan takes {chosen.hours:g} rig hours.",
        unit="h",
        rows=tuple(
            PlanPoint(
                label=f"{p.visits} x {p.sets}", layout=plural(p.visits, "visit"), hours=p.hours,
                gain=p.expected.equivalent, best=p in best, recommended=p is chosen,
            )
            for p in tried
        ),
        gain_label="probability that an unchanged level is shown to be unchanged",
        target=target,
    )  # fmt: skip


def _sheet(question: Requalification, chosen: _MovePlan, options: PlanOptions) -> Table:
    """Visit by visit, rigs in an order drawn by chance."""
    names = ["run", "run_order", "day", "rig", "phase", "visit", "pad_set", "position_in_lot"]
    names += [*(["operator"] if options.operators else []), "section", "result"]
    lines: list[tuple[Value, ...]] = []
    order = day = taken = 0
    rigs = [str(rig) for rig in (question.moved_rig, *question.control_rigs)]
    for number, (phase, visit) in enumerate(product((question.before, question.after), range(chosen.visits))):
        runs = PlannedRuns(
            kind=LayoutKind.SPLIT_LOT,
            runs=tuple(
                PlannedRun(level=rig, pad_set=f"S{taken + i * len(rigs) + k + 1:02d}", place=1)
                for i in range(chosen.sets)
                for k, rig in enumerate(rigs)
            ),
        )
        rows = run_sheet(
            runs, operators=options.operators, runs_per_day=options.runs_per_day, seed=question.seed + number
        )
        for row in rows:
            known: dict[str, Value] = {
                "run": order + row.order, "run_order": order + row.order, "day": day + row.day, "rig": row.level,
                "phase": str(phase), "visit": f"{phase} {visit + 1}", "pad_set": row.pad_set,
                "position_in_lot": taken + row.position_in_lot, "operator": row.operator, "result": None,
            }  # fmt: skip
            lines += [
                tuple(section.name if name == "section" else known[name] for name in names)
                for section in question.sections
            ]
        order, day, taken = order + len(rows), day + rows[-1].day, taken + runs.sets
    counts = ("run", "run_order", "day", "position_in_lot")
    return Table(
        key=RUN_SHEET,
        caption="Run sheet: run in this order, write each result into its line",
        columns=tuple(
            Column(
                key=name, caption=options.columns.get(name, name),
                kind=ColumnKind.COUNT if name in counts else ColumnKind.RESULT if name == "result" else ColumnKind.TEXT,
            )
            for name in names
        ),
        rows=tuple(lines),
        remarks=("The lines before the move can be replaced by what has run already.",),
    )  # fmt: skip
