"""What to run next: the number of sets per arm that would bring a verdict, or that none within reach would.

In: a planned comparison, the beliefs after the study so far, and what there is to spend.  Out: the numbers needed
under each belief and the curve behind them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from repeatab.planning.verdict_probability import (
    Belief,
    PlannedComparison,
    VerdictProbability,
    expected_half_width,
    smallest_number,
    verdict_probability,
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
    """Sets per arm needed in all under one belief; None where no number within reach suffices."""

    belief: str
    sets: int | None
    further: int | None


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

    present : sets per arm run so far (of the arm with fewer); reach : the largest number looked at.
    """

    present: int
    reach: int
    target: float
    needed: tuple[Needed, ...]
    curve: tuple[CurvePoint, ...]
    draws: int


def what_to_run_next(
    plan: PlannedComparison,
    beliefs: Beliefs,
    *,
    present: int,
    further_at_most: int | None,
    target: float,
    seed: int,
    draws: int = 2000,
) -> MoreRuns:
    """Search the number of sets per arm.

    Parameters
    ----------
    present : sets per arm so far.
    further_at_most : sets per arm still to be had; None if not stated.
    target : wanted probability of a verdict.
    seed : of the simulation; every number of sets uses the same streams, so that curves are smooth.
    """
    reach = present + (_REACH if further_at_most is None else min(further_at_most, _REACH))

    @cache
    def at(sets: int, belief: Belief) -> VerdictProbability:
        return verdict_probability(plan, sets, belief, draws=draws, rng=np.random.default_rng([seed, sets]))

    needed = []
    for name, belief in beliefs.named():
        found = smallest_number(
            lambda sets, belief=belief: at(sets, belief).decided,  # type: ignore[misc]
            at_least=present + 1,
            at_most=reach,
            target=target,
        )
        further = None if found is None else found - present
        needed.append(Needed(belief=name, sets=found, further=further))
    steps = (0, *_CURVE)
    shown = sorted({present + step for step in steps if 2 <= present + step <= reach})
    curve = tuple(
        CurvePoint(
            sets=n,
            none=at(n, beliefs.none),
            observed=at(n, beliefs.observed),
            half_width=expected_half_width(
                plan, n, beliefs.none, draws=_WIDTH_DRAWS, rng=np.random.default_rng([seed, n])
            ),
        )
        for n in shown
    )
    return MoreRuns(
        present=present, reach=reach, target=target, needed=tuple(needed), curve=curve, draws=draws
    )
