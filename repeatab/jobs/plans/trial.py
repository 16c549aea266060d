"""Candidates of a planned comparison tried out: which is worth recommending, and what it can show at every offset.

In: the comparison, beliefs, costs and limits.  Out: Trial: all candidates, the simulated ones, the recommended one.
Every candidate is weighed by integration first; those on the front are simulated through the study's estimators.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from repeatab.base.errors import StudyError
from repeatab.base.progress import Progress
from repeatab.jobs.plans.candidates import budgets_of, candidates_of
from repeatab.jobs.plans.comparison import AskedComparison, moved_levels
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.jobs.plans.weighing import Weighed
from repeatab.planning.cost import front
from repeatab.planning.joint_verdicts import JointChance, draws_within, joint_chances
from repeatab.planning.layouts import LayoutKind

# Enough for a choice.
_MOST_SIMULATED, _MOST_BETWEEN = 6, 4
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0)


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
    found, left_out = candidates_of(asked, beliefs, options)
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
        single=single, searched=0 if asked.looks else len(budgets_of(found, options.target)),
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
