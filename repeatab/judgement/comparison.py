"""Comparison: the rules by which two means are called equivalent, different, or neither.

In: one or more Pairs (views of the scatter) and the lab's margin.  Out: per group the verdict, and the interval
that carries it. All rules work on many groups at once, so that planning simulates through the same code.

The rules, at confidence c and error rate alpha = 1 - c:
equivalent   the interval at 2c - 1 lies inside the margin (two one-sided tests, Schuirmann 1987, J.
             Pharmacokin. Biopharm. 15, 657-680); "detectable, too small to matter" if the interval at c also
             excludes no difference;
different    the interval at c excludes no difference and equivalence is not shown; "and it matters" if all of it
             lies beyond the margin, else "whether it exceeds the margin is open";
undecided    neither.
A verdict must hold under every view of the scatter that is given; otherwise it is undecided. So a difference that
one view calls detectable but too small to matter, and another calls open, is undecided.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from repeatab.base.margin import Margin, MarginUnit
from repeatab.cells import FloatArray
from repeatab.estimation.pairs import Pair, difference_limits, ratio_limits
from repeatab.outcome.verdict import Qualifier, Verdict

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """The margin as bounds `low` to `high` on the ratio mean_a / mean_b or on the difference mean_a - mean_b."""

    low: float
    high: float
    of_ratio: bool

    @property
    def none(self) -> float:
        """The value that stands for no difference."""
        return 1.0 if self.of_ratio else 0.0


def bounds_of(margin: Margin, *, logarithmic: bool = False) -> Bounds:
    """The bounds a margin stands for; in a logarithmic analysis a percent margin bounds the difference of logs.

    Raises
    ------
    StudyError
        An absolute margin is asked for in a logarithmic analysis.
    """
    if logarithmic:
        low, high = margin.ratio_bounds
        return Bounds(low=math.log(low), high=math.log(high), of_ratio=False)
    if margin.unit is MarginUnit.PERCENT:
        low, high = margin.ratio_bounds
        return Bounds(low=low, high=high, of_ratio=True)
    return Bounds(low=-margin.size, high=margin.size, of_ratio=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What the views of the scatter say together, arrays over groups.

    estimate : ratio or difference of the means, as the bounds have it.
    p_difference : two-sided probability under no difference, the largest of the views.
    p_inside : larger of the two one-sided probabilities that the truth is at a bound or outside it.
    p_inside_best : the same under the most favourable view instead of the least favourable.
    p_beyond : one-sided probability that the truth is at the nearer bound or inside it.
    """

    estimate: FloatArray
    p_difference: FloatArray
    p_inside: FloatArray
    p_inside_best: FloatArray
    p_beyond: FloatArray


def evidence_of(pairs: Sequence[Pair], bounds: Bounds) -> Evidence:
    """Weigh the pairs against the bounds; a probability is the least favourable over the views unless its name
    says otherwise."""
    views = [_view(pair, bounds) for pair in pairs]
    estimates = [_estimate(pair, bounds) for pair in pairs]
    sides = np.stack([np.sign(e - bounds.none) for e in estimates])
    agree = (sides == sides[0]).all(axis=0)
    p_difference = np.where(agree, np.max([v[0] for v in views], axis=0), 1.0)
    return Evidence(
        estimate=estimates[0],
        p_difference=p_difference,
        p_inside=np.max([v[1] for v in views], axis=0),
        p_inside_best=np.min([v[1] for v in views], axis=0),
        p_beyond=np.where(agree, np.max([v[2] for v in views], axis=0), 1.0),
    )


def _view(pair: Pair, bounds: Bounds) -> tuple[FloatArray, FloatArray, FloatArray]:
    p_none = 2 * np.minimum(*_one_sided(pair, bounds.none, bounds.of_ratio))
    above_low, below_low = _one_sided(pair, bounds.low, bounds.of_ratio)
    above_high, below_high = _one_sided(pair, bounds.high, bounds.of_ratio)
    return p_none, np.maximum(above_low, below_high), np.minimum(below_low, above_high)


def _one_sided(pair: Pair, bound: float, of_ratio: bool) -> tuple[FloatArray, FloatArray]:
    """Probabilities of data this far above, and this far below, if the truth were at the bound."""
    one = np.ones_like(pair.mean_a)
    ratio = bound * one if of_ratio else one
    value = pair.mean_a - ratio * pair.mean_b - (0.0 if of_ratio else bound)
    # With a negative reference mean a larger ratio is a smaller difference; friction is never negative, a
    # logarithm may be, but then bounds are on the difference.
    se, df = pair.precision(ratio)
    t = value / se
    # The larger probability is what the smaller leaves of 1: one evaluation gives both to the last digit.
    tail = special.stdtr(df, -np.abs(t))
    above = np.where(t > 0, tail, 1 - tail)
    return above, np.where(t > 0, 1 - tail, tail)


def _estimate(pair: Pair, bounds: Bounds) -> FloatArray:
    return pair.mean_a / pair.mean_b if bounds.of_ratio else pair.mean_a - pair.mean_b


@dataclass(frozen=True, slots=True, kw_only=True)
class Decisions:
    """Per group: equivalent, different (neither: undecided), detectable at all, beyond the margin for sure."""

    equivalent: BoolArray
    different: BoolArray
    detectable: BoolArray
    beyond: BoolArray

    @property
    def decided(self) -> BoolArray:
        return self.equivalent | self.different

    def verdict(self, group: int) -> tuple[Verdict, Qualifier]:
        """The verdict on one group in words."""
        if self.equivalent[group]:
            small = Qualifier.TOO_SMALL_TO_MATTER if self.detectable[group] else Qualifier.NONE
            return Verdict.EQUIVALENT, small
        if self.different[group]:
            return Verdict.DIFFERENT, Qualifier.IT_MATTERS if self.beyond[group] else Qualifier.MARGIN_OPEN
        return Verdict.UNDECIDED, Qualifier.NONE


def decide(evidence: Evidence, *, confidence: float, alpha: FloatArray | float) -> Decisions:
    """Apply the rules.

    Parameters
    ----------
    confidence : c of the two one-sided tests.
    alpha : error rate of the difference claim, adjusted for the number of claims where there are several.
    """
    equivalent = evidence.p_inside < 1 - confidence
    detectable = evidence.p_difference < alpha
    return Decisions(
        equivalent=equivalent,
        different=detectable & ~(evidence.p_inside_best < 1 - confidence),
        detectable=detectable,
        beyond=evidence.p_beyond < np.asarray(alpha) / 2,
    )


def holm_levels(p: FloatArray, alpha: float) -> FloatArray:
    """The error rate at which each of several claims is tested, and its interval printed (Holm 1979, Scand. J.
    Statist. 6, 65-70): alpha / (m - j) in the order of the probabilities until the first that fails, whose
    rate all later ones keep."""
    order = np.argsort(p, kind="stable")
    levels = np.empty(len(p))
    rate = alpha
    failed = False
    for rank, index in enumerate(order):
        if not failed:
            rate = alpha / (len(p) - rank)
            failed = bool(p[index] >= rate)
        levels[index] = rate
    return levels


def limits_over(pairs: Sequence[Pair], bounds: Bounds, level: float) -> tuple[FloatArray, FloatArray]:
    """The interval that holds under every view: from the lowest lower to the highest upper limit."""
    limits = ratio_limits if bounds.of_ratio else difference_limits
    found = [limits(pair, level) for pair in pairs]
    return np.min([low for low, _ in found], axis=0), np.max([high for _, high in found], axis=0)
