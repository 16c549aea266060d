"""Verdict probability: how likely a comparison of two means is to end in a verdict, given a number of sets.

In: a way to lay out n sets per arm, the estimators of the study, the margin, and what is believed about offset
and scatter.  Out: the probability of each verdict, with its Monte Carlo error.
The data are simulated and judged by the very functions that judge a study.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from repeatab.cells import FloatArray
from repeatab.estimation.pairs import Pair
from repeatab.judgement.comparison import Bounds, decide, evidence_of, limits_over
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout
from repeatab.simulate import simulate_block


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrangement:
    """A design laid out: `first` (cells,) marks the cells of the first of the two arms."""

    block: Block
    layout: Layout
    first: FloatArray


@dataclass(frozen=True, kw_only=True)
class PlannedComparison:
    """A comparison as it would be run and judged.

    arrange : number of sets per arm -> the design.
    pairs : the study's own estimators.
    alpha : error rate of the difference claim (adjusted where the study adjusts it).
    beyond_only : whether a difference settles the matter only where all of it lies beyond the margin.
    """

    arrange: Callable[[int], Arrangement]
    pairs: Callable[[Block], Sequence[Pair]]
    bounds: Bounds
    confidence: float
    alpha: float
    beyond_only: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """What is taken as true: mean of the second arm, ratio or difference of the first to it, and the variances
    of the estimated sources (repeatability last)."""

    reference_mean: float
    effect: float
    variances: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictProbability:
    """Probabilities of the verdicts over `draws` simulated studies."""

    equivalent: float
    different: float
    draws: int

    @property
    def decided(self) -> float:
        return self.equivalent + self.different

    @property
    def monte_carlo_error(self) -> float:
        """Standard error of `decided`."""
        return float(np.sqrt(max(self.decided * (1 - self.decided), 0.25 / self.draws) / self.draws))


def verdict_probability(
    plan: PlannedComparison, sets: int, belief: Belief, *, draws: int, rng: np.random.Generator
) -> VerdictProbability:
    """Simulate `draws` studies of `sets` sets per arm and judge each."""
    return verdict_probabilities(plan, sets, [(belief, rng)], draws=draws)[0]


def verdict_probabilities(
    plan: PlannedComparison,
    sets: int,
    beliefs: Sequence[tuple[Belief, np.random.Generator]],
    *,
    draws: int,
) -> list[VerdictProbability]:
    """Several beliefs, each with draws of its own, in one pass of the estimators."""
    pairs = _simulated(plan, sets, beliefs, draws=draws)
    found = decide(evidence_of(pairs, plan.bounds), confidence=plan.confidence, alpha=plan.alpha)
    different = found.different & found.beyond if plan.beyond_only else found.different
    shares = (verdict.reshape(len(beliefs), draws).mean(axis=1) for verdict in (found.equivalent, different))
    return [
        VerdictProbability(equivalent=float(equivalent), different=float(differs), draws=draws)
        for equivalent, differs in zip(*shares, strict=True)
    ]


def expected_half_width(
    plan: PlannedComparison, sets: int, belief: Belief, *, draws: int, rng: np.random.Generator
) -> float:
    """Median half width of the interval that the equivalence claim rests on, on the scale of the bounds."""
    pairs = _simulated(plan, sets, [(belief, rng)], draws=draws)
    low, high = limits_over(pairs, plan.bounds, 2 * plan.confidence - 1)
    return float(np.median((high - low) / 2))


def _simulated(
    plan: PlannedComparison,
    sets: int,
    beliefs: Sequence[tuple[Belief, np.random.Generator]],
    *,
    draws: int,
) -> Sequence[Pair]:
    """The study's estimators on the draws of one belief after the other."""
    design = plan.arrange(sets)
    drawn = []
    for belief, rng in beliefs:
        mean = belief.reference_mean
        first_mean = mean * belief.effect if plan.bounds.of_ratio else mean + belief.effect
        means = np.where(design.first > 0, first_mean, mean)
        variances = np.array(belief.variances)
        drawn.append(simulate_block(design.block, design.layout, variances, means, draws, rng))
    if len(drawn) == 1:
        return plan.pairs(drawn[0])
    together = replace(
        drawn[0], mean=np.concatenate([block.mean for block in drawn]),
        cross=np.concatenate([block.cross for block in drawn]), groups=np.arange(len(drawn) * draws),
    )  # fmt: skip
    return plan.pairs(together)


def strides(at_least: int, at_most: int) -> Iterator[int]:
    """The numbers that a search looks at on its way upwards, each step twice the one before."""
    step, number = 1, at_least
    while number <= at_most:
        yield number
        number = min(number + step, at_most) if number < at_most else number + 1
        step *= 2


def smallest_number(
    probability: Callable[[int], float], *, at_least: int, at_most: int, target: float
) -> int | None:
    """The smallest number of sets whose probability reaches the target, or None up to `at_most`.

    The probability grows with the number of sets but for Monte Carlo error. The search strides upwards, since
    large studies cost most to simulate, and then halves the last stride.
    """
    low, high = at_least, at_least
    for high in strides(at_least, at_most):
        if probability(high) >= target:
            break
        low = high + 1
    else:
        return None
    while low < high:
        middle = (low + high) // 2
        if probability(middle) >= target:
            high = middle
        else:
            low = middle + 1
    return high
