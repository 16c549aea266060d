"""Candidates of a planned comparison, weighed: which can be run, what each gives, which is worth recommending.

In: the comparison, beliefs, costs and limits.  Out: Weighed candidates, the front, the recommended one.
Every candidate is weighed by integration first; those on the front are simulated through the study's estimators.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from repeatab.base.errors import EstimationError, LayoutError, NotSeparableError, StudyError
from repeatab.base.progress import Progress
from repeatab.jobs.plans.comparison import AskedComparison, LaidOut, joint_plan, lay_out, moved_levels
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions, SectionBelief
from repeatab.planning.contrast_information import ContrastInformation, contrast_information
from repeatab.planning.cost import front, hours_of, why_not
from repeatab.planning.exact import exact_verdicts
from repeatab.planning.free_search import Search, SetScatter, combined_runs, courses, search
from repeatab.planning.joint_verdicts import (
    JointChance,
    JointPlan,
    ViewPrecision,
    draws_within,
    joint_chances,
    view_precisions,
)
from repeatab.planning.layouts import (
    NAMED,
    REPEATING,
    LayoutKind,
    PlannedRuns,
    laid_out,
    layout_words,
    on_rigs,
)
from repeatab.planning.verdict_probability import VerdictProbability

_SIZES = (2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 16, 20, 24, 30, 40)
_LOT_KINDS = (LayoutKind.SPLIT_LOT, LayoutKind.NESTED, LayoutKind.STAGGERED)
# Enough for a choice; beyond the first certain plan more hours buy nothing.
_MOST_SIMULATED, _MOST_BETWEEN, _CERTAIN = 6, 4, 10
# Searches, and by how much a layout so found has to show more than a named one to be worth its unusual shape.
_SEARCHES, _MORE = 4, 0.005
# Enough for the degrees of freedom of the views, for a first look at a candidate.
_FEW_DRAWS = 20
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0)


@dataclass(frozen=True, kw_only=True)
class Weighed:
    """A candidate that can be run.

    information : of each section, for the pair that is known least. by_integration : probability of equivalence at no
        offset in the section, pair and view of the scatter that is hardest to decide, by itself. simulated, expected :
        the overall probabilities at no offset, at the point estimate of the scatter and averaged over its uncertainty;
        None where it was not simulated.
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

    left_out : layouts none of which can be run, with the reason. single : the chances where one compared level alone is
        off; empty where only one is compared. searched : how many free searches were made.
    """

    candidates: tuple[Weighed, ...]
    recommended: Weighed
    reached: bool
    chances: tuple[JointChance, ...]
    left_out: tuple[tuple[LayoutKind, str], ...]
    draws: int
    single: tuple[JointChance, ...] = ()
    searched: int = 0

    @property
    def levels(self) -> tuple[str, ...]:
        """The compared levels, the reference last."""
        named = dict.fromkeys(
            str(level) for pair in self.recommended.laid.how.pairs for level in (pair.a, pair.b)
        )
        reference = str(self.recommended.laid.how.pairs[0].b)
        return (*(level for level in named if level != reference), reference)

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
        simulated[id(candidate)] = _simulated(
            candidate, draws_within(each, candidate.plan.block, sections), asked.seed
        )
    for candidate in _between(found, simulated, options.target):
        draws = draws_within(each, candidate.plan.block, sections)
        simulated[id(candidate)] = one = _simulated(candidate, draws, asked.seed)
        if one.gain >= options.target:
            break
    candidates = tuple(simulated.get(id(c), c) for c in found)
    chosen, reached = _recommended([c for c in candidates if c.expected is not None], options.target)
    draws = draws_within(options.seconds / 3, chosen.plan.block, sections)
    chances = joint_chances(chosen.plan, SHARES, draws=draws, seed=asked.seed + 1)
    single: tuple[JointChance, ...] = ()
    if len(asked.levels) > 2:
        one_moved = replace(chosen.plan, away=moved_levels(asked, asked.levels[:1]))
        single = joint_chances(one_moved, SHARES, draws=draws, seed=asked.seed + 1)
    return Trial(
        candidates=candidates, recommended=chosen, reached=reached, chances=chances, left_out=left_out, draws=draws,
        single=single, searched=0 if asked.looks else len(_budgets(found, options.target)),
    )  # fmt: skip


def _between(found: Sequence[Weighed], simulated: Mapping[int, Weighed], target: float) -> list[Weighed]:
    """Plans cheaper than the cheapest that was simulated to reach the target, which integration puts above it as well:
    integration is a first look, and the front that it draws may pass over the plan that is wanted."""
    enough = [one.hours for one in simulated.values() if one.gain >= target]
    dearest = min(enough, default=math.inf)
    short = [one.hours for one in simulated.values() if one.gain < target and one.hours < dearest]
    rest = [
        c for c in found
        if id(c) not in simulated and max(short, default=0.0) < c.hours < dearest and c.by_integration >= target
    ]  # fmt: skip
    return sorted(rest, key=lambda c: (c.hours, -c.by_integration))[:_MOST_BETWEEN]


def _simulated(candidate: Weighed, draws: int, seed: int) -> Weighed:
    point = joint_chances(candidate.plan, [0.0], draws=draws, seed=seed)[0].overall
    wide = joint_chances(candidate.plan, [0.0], draws=draws, seed=seed, uncertain=True)[0].overall
    return replace(candidate, simulated=point, expected=wide)


def _candidates(
    asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions
) -> tuple[list[Weighed], tuple[tuple[LayoutKind, str], ...]]:
    found: list[Weighed] = []
    left_out = []
    # Where each section is this likely to be decided, all together are too, at scatter somewhat above the belief.
    certain = 1 - (1 - options.target) / (_CERTAIN * len(asked.sections))
    for kind in _kinds(asked):
        if kind in REPEATING and not _repeats_known(asked, beliefs):
            left_out.append((kind, "the scatter of repeats is not stated: repeatability"))
            continue
        own, reason = _of_kind(kind, asked, beliefs, options, certain)
        found += own
        left_out += [] if own else [(kind, reason)]
    found += _searched(found, asked, beliefs, options)
    return sorted(found, key=lambda c: (c.hours, -c.by_integration)), tuple(left_out)


def _of_kind(
    kind: LayoutKind, asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions, certain: float
) -> tuple[list[Weighed], str]:
    """The candidates of one kind, from small to large, and why there are no more."""
    own: list[Weighed] = []
    reason, last = "too few sets for any scatter to be seen", None
    for size in (n for n in _sizes(asked) if n <= options.most_sets):
        runs = _runs_of(kind, size, asked, options)
        if runs == last:
            reason = "no more sets are at hand"
            break
        last, refused = runs, why_not(runs, options.costs, options.limits)
        if refused is not None:
            reason = refused
            break
        weighed = _weighed(runs, asked, beliefs, options)
        if weighed is not None:
            own.append(weighed)
            if weighed.by_integration > certain:
                # More sets of this layout cost more and cannot show more.
                break
    return own, reason


def _runs_of(kind: LayoutKind, size: int, asked: AskedComparison, options: PlanOptions) -> PlannedRuns:
    """So many sets of each level, or in all; fewer of a level that has fewer at hand, unless looks are declared."""
    at_hand = options.limits.sets_of
    levels = asked.levels
    own_sets = kind in (LayoutKind.SPLIT_LOT, LayoutKind.NESTED, LayoutKind.STAGGERED)
    if own_sets and not asked.looks and any(at_hand.get(level, size) < size for level in levels):
        runs = laid_out(kind, levels, {level: min(size, at_hand.get(level, size)) for level in levels})
    else:
        runs = laid_out(kind, levels, size)
    return on_rigs(runs, asked.rigs) if asked.rigs else runs


def _searched(
    named: Sequence[Weighed], asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions
) -> list[Weighed]:
    """What the free search finds for the hours of the named layouts, where it shows more than each of them that costs
    no more. With declared looks all levels have the same number of sets, and nothing is searched."""
    if asked.looks or not named:
        return []
    repeats = _repeats_known(asked, beliefs)
    what = Search(
        courses=courses(asked.levels, asked.rigs, options.limits, repeats=repeats),
        pairs=tuple((str(a), str(b)) for a, b in asked.pairs), scatter=_set_scatter(beliefs.common, repeats=repeats),
        costs=options.costs, limits=options.limits, even=bool(asked.rigs), criterion=options.criterion,
    )  # fmt: skip
    found: list[Weighed] = []
    for hours in _budgets(named, options.target):
        combination = search(what, hours=hours, seed=asked.seed)
        runs = None if combination is None else combined_runs(what, combination)
        if runs is None or why_not(runs, options.costs, options.limits) is not None:
            continue
        weighed = _weighed(runs, asked, beliefs, options)
        if weighed is None:
            continue
        rivals = [c.by_integration for c in (*named, *found) if c.hours <= weighed.hours + 1e-9]
        if weighed.by_integration > max(rivals, default=0.0) + _MORE:
            found.append(weighed)
    return found


def _budgets(named: Sequence[Weighed], target: float) -> list[float]:
    """Hours of the named plans that no cheaper one equals, around the target."""
    best = front(named, lambda c: c.hours, lambda c: c.by_integration)
    near = sorted(best, key=lambda c: abs(c.by_integration - target))[:_SEARCHES]
    return sorted(c.hours for c in near)


def _set_scatter(belief: SectionBelief, *, repeats: bool) -> SetScatter:
    variance = {name: one.sd**2 for name, one in belief.scatter.items() if name not in ("rig", "operator")}
    own, on_rig = variance.pop("pad_set", 0.0), variance.pop("rig_by_pad_set", 0.0)
    rest = sum(variance.values())
    if repeats:
        return SetScatter(pad_set=own, rig_by_set=on_rig, run=rest)
    return SetScatter(pad_set=0.0, rig_by_set=0.0, run=own + on_rig + rest)


def _repeats_known(asked: AskedComparison, beliefs: PlanBeliefs) -> bool:
    found = [beliefs.of(section.name).scatter.get("repeatability") for section in asked.sections]
    return all(one is not None and one.sd > 0 for one in found)


def _kinds(asked: AskedComparison) -> Sequence[LayoutKind]:
    if asked.factor != "rig":
        return _LOT_KINDS
    return [kind for kind in NAMED if kind is not LayoutKind.INCOMPLETE or len(asked.levels) > 2]


def _sizes(asked: AskedComparison) -> tuple[int, ...]:
    """With declared looks the last of them is the size of the study."""
    return (asked.looks[-1],) if asked.looks else _SIZES


def _weighed(
    runs: PlannedRuns, asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions
) -> Weighed | None:
    try:
        laid = lay_out(runs, asked)
        if any(pair.confounded for pair in laid.how.pairs):
            return None
        plan = joint_plan(laid, asked, beliefs)
        # A design that cannot be fitted shows in a few draws.
        information, chance = _by_integration(plan, laid, asked)
    except (LayoutError, EstimationError, NotSeparableError):
        return None
    return Weighed(
        laid=laid,
        plan=plan,
        information=information,
        hours=hours_of(runs, options.costs),
        by_integration=chance,
    )


def _by_integration(
    plan: JointPlan, laid: LaidOut, asked: AskedComparison
) -> tuple[tuple[ContrastInformation, ...], float]:
    """What is known of each section, and the probability of equivalence at no offset in the hardest section, pair and
    view of the scatter."""
    known: dict[tuple[float, ...], tuple[list[ContrastInformation], tuple[ViewPrecision, ...]]] = {}
    information, chances = [], []
    for i, section in enumerate(plan.sections):
        key = tuple(section.variances)
        if key not in known:
            pairs = [
                contrast_information(laid.block, laid.layout, section.variances, asked.factor, pair.a, pair.b)
                for pair in laid.how.pairs
            ]
            known[key] = pairs, view_precisions(plan, i, draws=_FEW_DRAWS, seed=asked.seed)
        pairs, views = known[key]
        information.append(max(pairs, key=lambda one: one.se))
        if section.decides:
            seen = (ContrastInformation(se=pairs[view.pair].se * view.factor, df=view.df) for view in views)
            chances.append(min(exact_equivalence(plan, i, one, 0.0) for one in seen))
    return tuple(information), min(chances)


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
