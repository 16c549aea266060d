"""The plans of a requalification that can be run: visits and sets of each rig, with what each costs and shows.

In: the question, beliefs, costs and limits.  Out: SizedMove values, laid out and judged as the study itself will be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError, NotSeparableError, StudyError
from repeatab.base.progress import Progress
from repeatab.cells import FloatArray
from repeatab.estimation.pairs import Pair
from repeatab.jobs.levels.stacks import blocks_by_section
from repeatab.jobs.plans.comparison import planned_results
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions, SectionBelief
from repeatab.jobs.questions import Analysis
from repeatab.jobs.requalifying.design import PAD_SET, PHASE, RIG, VISIT
from repeatab.jobs.requalifying.laying_out import move_design
from repeatab.jobs.requalifying.planning import SIMULATED, on_fresh_sets, told_apart
from repeatab.jobs.requalifying.question import Burden, Requalification, RequalSection
from repeatab.jobs.requalifying.views import MoveFit
from repeatab.judgement.comparison import BoolArray, bounds_of
from repeatab.judgement.looks import Spending, information_fractions, look_levels
from repeatab.layout.blocks import Block
from repeatab.layout.layout import layout_of
from repeatab.planning.joint_verdicts import JointPlan, PlannedLook, PlannedSection, draws_within
from repeatab.planning.move_verdicts import Case, MoveChance, MovePlan, move_chances

_SECTION = "plan"
_VISITS, _SETS, _MOST_VISITS, _MOST_SETS = (2, 3, 4, 5), (1, 2, 3, 4), 8, 6
UNCHANGED, TWICE = Case(share=0.0), Case(share=2.0)
_DRAWN = 4_000
_SMALLEST = 1e-10


@dataclass(frozen=True, kw_only=True)
class SizedMove:
    """A plan of so many visits per phase, and fresh sets of each rig at each visit.

    point, expected : if nothing has changed, at the point estimate and averaged over what is not known.
    shifted : at a shift of twice the margin, averaged likewise. df : of the ratio, after and before.
    """

    visits: int
    sets: int
    hours: float
    plan: MovePlan
    point: MoveChance
    expected: MoveChance
    shifted: MoveChance
    df: tuple[int, int]

    @property
    def gain(self) -> float:
        """What the front is drawn by: an unchanged rig goes back to service; where that need not be shown, a rig that
        has shifted by twice the margin has to be held as well."""
        back = self.expected.overall.equivalent
        return back if self.plan.level_shown else min(back, self.shifted.overall.different)


def moves_tried(
    question: Requalification, beliefs: PlanBeliefs, options: PlanOptions, progress: Progress
) -> list[SizedMove]:
    """Every plan that can be run and judged.

    Raises
    ------
    StudyError
        None can be run under the limits, or in none can the shift be told.
    """
    sizes = [(v, n) for v, n in _sizes(question) if _fits(question, v, n, options)]
    if not sizes:
        looks = (
            f" With declared looks the plan has {question.looks[-1]} sets on the moved rig after the move."
            if question.looks
            else ""
        )
        raise StudyError(
            f"plan: no requalification can be run under the limits. Allow more sets, days or rig hours.{looks}"
        )
    tried: list[SizedMove] = []
    for number, (visits, sets) in enumerate(sizes):
        progress("simulating plans", number, len(sizes))
        found = _tried(question, visits, sets, beliefs, options, options.seconds / len(sizes))
        tried += [] if found is None else [found]
    if not tried:
        raise StudyError(
            "plan: in none of the plans within the limits can the shift be told. Allow more sets."
        )
    return tried


def _sizes(question: Requalification) -> list[tuple[int, int]]:
    """Visits and sets worth trying; with declared looks the last of them is the size of the phase after the move."""
    if not question.looks:
        return list(product(_VISITS, _SETS))
    last = question.looks[-1]
    return [
        (v, last // v)
        for v in range(2, _MOST_VISITS + 1)
        if last % v == 0 and last // v <= max(_MOST_SETS, last // 4)
    ]


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
) -> SizedMove | None:
    try:
        plan = move_plan(question, visits, sets, beliefs)
        draws = draws_within(seconds / 2, plan.level.block, len(plan.level.sections))
        (point,) = move_chances(plan, [UNCHANGED], draws=draws, seed=question.seed)
        expected, shifted = move_chances(
            plan, [UNCHANGED, TWICE], draws=draws, seed=question.seed, uncertain=True
        )
    except (LayoutError, EstimationError, NotSeparableError):
        return None
    costs = options.costs
    hours = 2 * visits * sets * (1 + len(question.control_rigs)) * (costs.run + costs.set + costs.change_over)
    free = visits * sets - (visits if sets > 1 else 1)
    return SizedMove(
        visits=visits, sets=sets, hours=hours, plan=plan, point=point, expected=expected, shifted=shifted,
        df=(free, free),
    )  # fmt: skip


def move_plan(question: Requalification, visits: int, sets: int, beliefs: PlanBeliefs) -> MovePlan:
    """What planning simulates for one size: the design and estimators of the job on fresh sets."""
    import pandas as pd

    deciding = next(section for section in question.sections if section.decides)
    alone = replace(
        question, sections=(replace(deciding, name=_SECTION),), sister_rig=None, looks=(),
        burdens=replace(question.burdens, sister=None),
    )  # fmt: skip
    rows = [
        {"result": 0.4, "rig": rig, "phase": phase, "visit": f"{visit:02d}", "section": _SECTION,
         "pad_set": f"{rig} {visit:02d} {i:02d}"}
        for phase in (question.before, question.after)
        for visit in range(visits)
        for rig in (question.moved_rig, *question.control_rigs)
        for i in range(sets)
    ]  # fmt: skip
    labelled = pd.DataFrame(rows).assign(pad_set=lambda t: t["phase"].astype(str) + " " + t["pad_set"])
    design = on_fresh_sets(move_design(alone, planned_results(labelled)))
    block = blocks_by_section(design.how, Analysis.DIFFERENCE)[_SECTION]
    ratio = question.analysis is Analysis.RATIO
    pair = design.how.pairs[0]

    def views(drawn: Block) -> Sequence[Sequence[Pair]]:
        return [MoveFit(block=drawn, design=design, stated=deciding.drift, logarithmic=ratio).views(pair)]

    count = len(question.sections)
    after = block.holds(PHASE, question.after)
    moved = block.holds(RIG, question.moved_rig)
    level = JointPlan(
        block=block, layout=told_apart(layout_of(block, SIMULATED)), pairs=views,
        sections=tuple(_section(one, beliefs.of(one.name), question) for one in question.sections),
        correlation=np.full((count, count), beliefs.correlation) + (1 - beliefs.correlation) * np.eye(count),
        looks=_looks(question, block, after, visits * sets),
    )  # fmt: skip
    return MovePlan(
        level=level, before=moved & ~after, after=moved & after, limit=question.repeatability_limit,
        group=block.code_of(VISIT) if sets > 1 else block.code_of(PHASE),
        level_shown=question.burdens.level is Burden.MUST_BE_SHOWN,
        ratio_shown=question.burdens.repeatability is Burden.MUST_BE_SHOWN,
    )  # fmt: skip


def _looks(question: Requalification, block: Block, after: BoolArray, last: int) -> tuple[PlannedLook, ...]:
    """What has run by each look: everything before the move, and so many sets of each rig after it."""
    everything, alpha = np.ones(len(block.count), np.bool_), 1 - question.confidence
    if not question.looks:
        return (PlannedLook(cells=everything, difference=alpha, equivalence=alpha),)
    fractions = information_fractions([(last, look) for look in question.looks])
    rates = look_levels(list(fractions), confidence=question.confidence, spending=Spending.O_BRIEN_FLEMING)
    turn = np.zeros(len(block.count), np.int64)
    rig = block.code_of(RIG)
    for code in np.unique(rig):
        own = np.flatnonzero(after & (rig == code))
        # Set labels hold visit and number, so that their order is the order of the runs.
        turn[own] = np.argsort(np.argsort(block.code_of(PAD_SET)[own]))
    return tuple(
        PlannedLook(
            cells=~after | (turn < look), difference=max(float(rates.difference[i]), _SMALLEST),
            equivalence=max(float(rates.equivalence[i]), _SMALLEST),
        )
        for i, look in enumerate(question.looks)
    )  # fmt: skip


def _section(asked: RequalSection, belief: SectionBelief, question: Requalification) -> PlannedSection:
    if asked.margin is None:
        raise StudyError(f"section '{asked.name}' has no margin, and a plan rests on it.")
    ratio = question.analysis is Analysis.RATIO
    unit = 1 / belief.level if ratio else 1.0
    rng = np.random.default_rng([question.seed, *asked.name.encode()])
    drawn: FloatArray = np.zeros((_DRAWN, 3))
    point: FloatArray = np.zeros(3)
    for name, one in belief.scatter.items():
        # Visit, ordinary drift of a rig, and all that makes a fresh set's result its own.
        at = {"visit": 0, "rig_by_visit": 1}.get(name, 2)
        if name not in ("rig", "operator"):
            drawn[:, at] += one.variances(_DRAWN, rng) * unit**2
            point[at] += one.sd**2 * unit**2
    return PlannedSection(
        name=asked.name, bounds=bounds_of(asked.margin, logarithmic=ratio), decides=asked.decides,
        level=math.log(belief.level) if ratio else belief.level, variances=point, drawn=drawn,
    )  # fmt: skip
