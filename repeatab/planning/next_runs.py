"""What to run next: the number of sets of each arm that would bring a verdict, or that none within reach would.

In: a planned comparison, the beliefs after the study so far, and what there is to spend.  Out: the numbers needed
under each belief and the curve behind them.
Where one arm has more sets already, new ones go to the other until both have as many: there a set narrows the
difference more. So one number says both: the sets of the arm that has fewer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repeatab.planning.verdict_probability import (
    Belief,
    PlannedComparison,
    VerdictProbability,
    expected_half_width,
    smallest_number,
    strides,
    verdict_probabilities,
)

# With more sets than this per arm a monthly check is no longer what is asked; common practice, no source.
_REACH = 40
_CURVE = (1, 2, 4, 8, 16, 32)
# A median width needs fewer draws than a probability.
_WIDTH_DRAWS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Beliefs:
    """No difference and the observed one, each at the estimated variances and at their upper limits."""

    none: Belief
    observed: Belief
    none_wide: Belief
    observed_wide: Belief

    def named(self) -> tuple[tuple[str, Belief], ...]:
        return (
            ("no difference", self.none),
            ("no difference, scatter at its upper limit", self.none_wide),
            ("the observed difference", self.observed),
            ("the observed difference, scatter at its upper limit", self.observed_wide),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """Sets needed in all under one belief, of the arm that has fewer; None where no number within reach suffices.

    further : of these, still to run; beside : further sets of the arm that has more already.
    """

    belief: str
    sets: int | None
    further: int | None
    beside: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """What `sets` sets per arm would give."""

    sets: int
    none: VerdictProbability
    observed: VerdictProbability
    half_width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MoreRuns:
    """The numbers needed under each belief, and the probabilities against the number of sets.

    present : sets run so far of the arm with fewer; lead : by how many the other has more; reach : the largest number
        looked at.
    """

    present: int
    lead: int
    reach: int
    target: float
    needed: tuple[Needed, ...]
    curve: tuple[CurvePoint, ...]
    draws: int

    def further(self, sets: int) -> tuple[int, int]:
        """Further sets of the arm with fewer, and of the other, for so many sets of the one with fewer."""
        return sets - self.present, max(0, sets - self.present - self.lead)


def further_within(sets_at_hand: int | None, *, arms: int, lead: int) -> int | None:
    """Further sets of the arm with fewer, if there are so many in all; arms : 1 where each set runs at both."""
    if sets_at_hand is None or arms == 1 or sets_at_hand <= lead:
        return sets_at_hand
    return (sets_at_hand + lead) // 2


def what_to_run_next(
    plan: PlannedComparison,
    beliefs: Beliefs,
    *,
    present: int,
    further_at_most: int | None,
    target: float,
    seed: int,
    draws: int = 2000,
    lead: int = 0,
) -> MoreRuns:
    """Search the number of sets.

    Parameters
    ----------
    present : sets so far, of the arm with fewer; lead : by how many the other has more. `plan.arrange` takes the number
        for the arm with fewer, and gives the other as many, or those that it has if these are more.
    further_at_most : sets of the arm with fewer still to be had; None if not stated.
    target : wanted probability of a verdict. seed : every number of sets uses the same streams: curves are smooth.
    """
    reach = present + (_REACH if further_at_most is None else min(further_at_most, _REACH))

    known: dict[tuple[int, Belief], VerdictProbability] = {}

    def at(sets: int, *wanted: Belief) -> list[VerdictProbability]:
        """In one pass what is not known yet: most of a small study's time goes by whatever is drawn."""
        new = [belief for belief in dict.fromkeys(wanted) if (sets, belief) not in known]
        if new:
            rngs = (np.random.default_rng([seed, sets]) for _ in new)
            found = verdict_probabilities(plan, sets, list(zip(new, rngs, strict=False)), draws=draws)
            known.update(zip(((sets, belief) for belief in new), found, strict=True))
        return [known[sets, belief] for belief in wanted]

    below = [belief for _, belief in beliefs.named()]
    for sets in strides(present + 1, reach):
        below = [b for b, found in zip(below, at(sets, *below), strict=True) if found.decided < target]
    needed = []
    for name, belief in beliefs.named():
        found = smallest_number(
            lambda sets, belief=belief: at(sets, belief)[0].decided,  # type: ignore[misc]
            at_least=present + 1,
            at_most=reach,
            target=target,
        )
        further = None if found is None else found - present
        beside = None if further is None else max(0, further - lead)
        needed.append(Needed(belief=name, sets=found, further=further, beside=beside))

    def point(sets: int) -> CurvePoint:
        rng = np.random.default_rng([seed, sets])
        width = expected_half_width(plan, sets, beliefs.none, draws=_WIDTH_DRAWS, rng=rng)
        none, observed = at(sets, beliefs.none, beliefs.observed)
        return CurvePoint(sets=sets, none=none, observed=observed, half_width=width)

    shown = sorted({present + step for step in (0, *_CURVE) if 2 <= present + step <= reach})
    return MoreRuns(
        present=present, lead=lead, reach=reach, target=target, needed=tuple(needed), draws=draws,
        curve=tuple(point(sets) for sets in shown),
    )  # fmt: skip
