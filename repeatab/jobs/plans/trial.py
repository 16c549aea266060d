"""Candidates of a planned comparison, weighed: which can be run, what each gives, which is worth recommending.

In: the comparison, beliefs, costs and limits.  Out: Weighed candidates, the front, the recommended one.
Every candidate is weighed by integration first; those on the front are simulated through the study's estimators.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from repeatab.base.errors import LayoutError, NotSeparableError, StudyError
from repeatab.base.progress import Progress
from repeatab.jobs.plans.comparison import AskedComparison, LaidOut, joint_plan, lay_out
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.planning.contrast_information import ContrastInformation, contrast_information
from repeatab.planning.cost import front, hours_of, why_not
from repeatab.planning.exact import exact_verdicts
from repeatab.planning.joint_verdicts import JointChance, JointPlan, draws_within, joint_chances
from repeatab.planning.layouts import REPEATING, LayoutKind, PlannedRuns, laid_out, layout_words
from repeatab.planning.verdict_probability import VerdictProbability

_SIZES = (2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 16, 20, 24, 30, 40)
_LOT_KINDS = (LayoutKind.SPLIT_LOT, LayoutKind.NESTED, LayoutKind.STAGGERED)
# Enough for a choice; beyond the first certain plan more hours buy nothing.
_MOST_SIMULATED, _CERTAIN = 6, 10
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0)


@dataclass(frozen=True, kw_only=True)
class Weighed:
    """A candidate that can be run.

    by_integration : probability of equivalence at no offset in the section that is hardest to decide, each section
        by itself. simulated, expected : the overall probabilities at no offset, at the point estimate of the scatter
        and averaged over its uncertainty; None where the candidate is not on the front.
    """

    laid: LaidOut
    plan: JointPlan
    information: tuple[ContrastInformation, ...]
    hours: float
    by_integration: float
    simulated: VerdictProbability | None = None
    expected: VerdictProbability | None = None

    @property
    def kind(self) -> LayoutKind:
        return self.laid.runs.kind

    @property
    def words(self) -> str:
        """The layout in words."""
        return layout_words(self.kind, self.laid.how.factor)

    @property
    def gain(self) -> float:
        """What the front is drawn by: the best figure there is."""
        return self.by_integration if self.expected is None else self.expected.equivalent


@dataclass(frozen=True, kw_only=True)
class Trial:
    """All candidates, cheapest first; those simulated; the recommended one with its chances at every offset.

    left_out : layouts none of which can be run, with the reason.
    """

    candidates: tuple[Weighed, ...]
    recommended: Weighed
    reached: bool
    chances: tuple[JointChance, ...]
    left_out: tuple[tuple[LayoutKind, str], ...]
    draws: int

    @property
    def simulated(self) -> tuple[Weighed, ...]:
        """The candidates that were simulated."""
        return tuple(one for one in self.candidates if one.expected is not None)


def try_out(
    asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions, *, progress: Progress
) -> Trial:
    """Weigh every candidate.

    Raises
    ------
    StudyError
        None can be run under the limits.
    """
    found, left_out = _candidates(asked, beliefs, options)
    if not found:
        reasons = "; ".join(f"{kind.value}: {reason}" for kind, reason in left_out)
        raise StudyError(
            f"plan: no layout can be run under the limits ({reasons}). Allow more, or ask for less."
        )
    best = _thinned(front(found, lambda c: c.hours, lambda c: c.by_integration), options.target)
    sections = len(asked.sections)
    # Two thirds of the time go into the choice, one third into the chances of the plan that is chosen.
    each = options.seconds / 3 / len(best)
    simulated: dict[int, Weighed] = {}
    for number, candidate in enumerate(best):
        progress("simulating plans", number, len(best))
        draws = draws_within(each, candidate.plan.block, sections)
        point = joint_chances(candidate.plan, [0.0], draws=draws, seed=asked.seed)[0].overall
        wide = joint_chances(candidate.plan, [0.0], draws=draws, seed=asked.seed, uncertain=True)[0].overall
        simulated[id(candidate)] = replace(candidate, simulated=point, expected=wide)
    candidates = tuple(simulated.get(id(c), c) for c in found)
    chosen, reached = _recommended([c for c in candidates if c.expected is not None], options.target)
    draws = draws_within(options.seconds / 3, chosen.plan.block, sections)
    chances = joint_chances(chosen.plan, SHARES, draws=draws, seed=asked.seed + 1)
    return Trial(
        candidates=candidates, recommended=chosen, reached=reached, chances=chances, left_out=left_out, draws=draws
    )  # fmt: skip


def _candidates(
    asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions
) -> tuple[list[Weighed], tuple[tuple[LayoutKind, str], ...]]:
    found: list[Weighed] = []
    left_out = []
    # Where each section is this likely to be decided, all together are too, at scatter somewhat above the belief.
    certain = 1 - (1 - options.target) / (_CERTAIN * len(asked.sections))
    for kind in _kinds(asked):
        own: list[Weighed] = []
        if kind in REPEATING and not _repeats_known(asked, beliefs):
            left_out.append((kind, "the scatter of repeats is not stated: repeatability"))
            continue
        reason = "too few sets for any scatter to be seen"
        for size in (n for n in _sizes(asked) if n <= options.most_sets):
            runs = laid_out(kind, asked.levels, size)
            refused = why_not(runs, options.costs, options.limits)
            if refused is not None:
                reason = refused
                break
            weighed = _weighed(runs, asked, beliefs, options)
            if weighed is not None:
                own.append(weighed)
                if weighed.by_integration > certain:
                    # More sets of this layout cost more and cannot show more.
                    break
        found += own
        left_out += [] if own else [(kind, reason)]
    return sorted(found, key=lambda c: (c.hours, -c.by_integration)), tuple(left_out)


def _repeats_known(asked: AskedComparison, beliefs: PlanBeliefs) -> bool:
    found = [beliefs.of(section.name).scatter.get("repeatability") for section in asked.sections]
    return all(one is not None and one.sd > 0 for one in found)


def _kinds(asked: AskedComparison) -> Sequence[LayoutKind]:
    if asked.factor != "rig":
        return _LOT_KINDS
    return [kind for kind in LayoutKind if kind is not LayoutKind.INCOMPLETE or len(asked.levels) > 2]


def _sizes(asked: AskedComparison) -> tuple[int, ...]:
    """With declared looks the last of them is the size of the study."""
    return (asked.looks[-1],) if asked.looks else _SIZES


def _weighed(
    runs: PlannedRuns, asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions
) -> Weighed | None:
    try:
        laid = lay_out(runs, asked)
        plan = joint_plan(laid, asked, beliefs)
        # A design that cannot be fitted shows in a few draws.
        joint_chances(replace(plan, sections=plan.sections[:1], correlation=plan.correlation[:1, :1]), [0.0],
                      draws=2, seed=1)  # fmt: skip
    except (LayoutError, NotSeparableError):
        return None
    pair = laid.how.pairs[0]
    if pair.confounded:
        return None
    known = [
        contrast_information(laid.block, laid.layout, section.variances, asked.factor, pair.a, pair.b)
        for section in plan.sections
    ]
    return Weighed(
        laid=laid, plan=plan, information=tuple(known), hours=hours_of(runs, options.costs),
        by_integration=min(
            exact_equivalence(plan, i, one, 0.0) for i, one in enumerate(known) if plan.sections[i].decides
        ),
    )  # fmt: skip


def exact_equivalence(plan: JointPlan, number: int, information: ContrastInformation, share: float) -> float:
    """Probability of equivalence of one section by integration, as if one t statistic decided."""
    section, look = plan.sections[number], plan.looks[-1]
    unit = section.level if section.bounds.of_ratio else 1.0
    low, high = ((bound - section.bounds.none) * unit for bound in (section.bounds.low, section.bounds.high))
    found = exact_verdicts(
        share * high, low=low, high=high, se=information.se, df=information.df, confidence=1 - look.equivalence,
        alpha=look.difference,
    )  # fmt: skip
    return float(found.equivalent[0])


def _thinned(best: Sequence[Weighed], target: float) -> list[Weighed]:
    """The plans of the front near the target: a few below it, and those above."""
    above = [c for c in best if c.by_integration >= target]
    below = [c for c in best if c.by_integration < target]
    room = max(1, _MOST_SIMULATED - min(len(above), 5))
    return [*below[-room:], *above[: _MOST_SIMULATED - min(len(below), room)]]


def _recommended(simulated: Sequence[Weighed], target: float) -> tuple[Weighed, bool]:
    enough = [c for c in simulated if c.expected is not None and c.expected.equivalent >= target]
    if enough:
        return min(enough, key=lambda c: c.hours), True
    return max(simulated, key=lambda c: c.gain), False
