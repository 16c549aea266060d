"""Robust means and standard deviations: Algorithm A, Algorithm S, Q method and Hampel estimator, simple
starts.

In: values, or standard deviations, or values per laboratory.  Out: numbers that a few wild values cannot move
far.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy import special

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray

_MOST_STEPS = 5000


class StopRule(Enum):
    """When an iteration ends.

    THIRD_FIGURE : the standards' rule for work by hand: no change in the third significant figure of the
        standard deviation and in the equivalent figure of the mean.
    FIXED_POINT : on to the point where nothing changes at all, which fulfils the rule at any number of
        figures and does not depend on where the iteration began.
    """

    THIRD_FIGURE = "third significant figure"
    FIXED_POINT = "fixed point"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlgorithmA:
    """Robust mean x* and standard deviation s* of ISO 13528 (ISO 5725-5), with the iterations it took."""

    mean: float
    sd: float
    iterations: int

    def __str__(self) -> str:
        return f"robust mean {self.mean:.6g}, robust SD {self.sd:.4g} ({self.iterations} iterations)"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlgorithmS:
    """Robust pooled standard deviation w* with the limit factor eta and the adjustment factor xi that were
    used.
    """

    sd: float
    eta: float
    xi: float
    iterations: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HampelMean:
    """Hampel's mean for a given standard deviation; `solutions` are all roots of its equation."""

    mean: float
    solutions: tuple[float, ...]


def _checked(values: Sequence[float] | FloatArray, *, least: int, what: str) -> FloatArray:
    found = np.asarray(values, dtype=np.float64).ravel()
    if found.size < least:
        raise EstimationError(f"{what}: found {found.size} values, expected at least {least}.")
    if not np.all(np.isfinite(found)):
        bad = int(np.flatnonzero(~np.isfinite(found))[0]) + 1
        raise EstimationError(
            f"{what}: value {bad} of {found.size} is {found[bad - 1]}, expected a finite number. "
            "Leave it out with a reason."
        )
    return found


def scaled_mad(values: Sequence[float] | FloatArray) -> float:
    """MADe = 1.483 median |x - median x|; 0 where more than half of the values are equal.

    References
    ----------
    ISO 13528:2022, C.2.2.
    """
    x = _checked(values, least=1, what="scaled median absolute deviation")
    return float(1.483 * np.median(np.abs(x - np.median(x))))


def normalised_iqr(values: Sequence[float] | FloatArray) -> float:
    """nIQR = 0.7413 (Q3 - Q1), quartiles by linear interpolation between order statistics.

    References
    ----------
    ISO 13528:2022, C.2.3 (which leaves the definition of the quartiles open).
    """
    x = _checked(values, least=2, what="normalised interquartile range")
    low, high = np.quantile(x, [0.25, 0.75])
    return float(0.7413 * (high - low))


def _start(x: FloatArray) -> float:
    """A first s* that is zero only where all values are equal: ties can make MADe, and even nIQR, zero."""
    mean_deviation = math.sqrt(math.pi / 2) * float(np.mean(np.abs(x - np.median(x))))
    return scaled_mad(x) or normalised_iqr(x) or mean_deviation


def algorithm_a(values: Sequence[float] | FloatArray, *, stop: StopRule = StopRule.FIXED_POINT) -> AlgorithmA:
    """Robust mean and standard deviation by Algorithm A.

    Start: median and MADe. Each step draws values beyond x* ± 1.5 s* to these limits, then takes x* as their
    mean and s* as 1.134 times their standard deviation. Breakdown near 25 % of wild values on one side.

    Parameters
    ----------
    values : at least three, in any order.
    stop : see StopRule. Where most values are equal the iteration goes to s* = 0, and 0 is given.

    Raises
    ------
    EstimationError
        Fewer than three values, or one that is not finite.

    References
    ----------
    ISO 13528:2022, C.3.1; ISO 5725-5:1998, 6.2.
    """
    x = _checked(values, least=3, what="Algorithm A")
    # About the median, so that a large common part (a torque of 900 N m with 0.1 N m scatter) costs no
    # digits.
    offset = float(np.median(x))
    x = x - offset
    mean, sd = 0.0, _start(x)
    floor = 1e-13 * float(np.max(np.abs(x)))
    for iteration in range(1, _MOST_STEPS):
        if sd <= floor:
            return AlgorithmA(mean=offset + mean, sd=0.0, iterations=iteration - 1)
        drawn = np.clip(x, mean - 1.5 * sd, mean + 1.5 * sd)
        latest = float(drawn.mean()), 1.134 * float(drawn.std(ddof=1))
        if _settled((mean, sd), latest, stop, offset=offset):
            return AlgorithmA(mean=offset + latest[0], sd=latest[1], iterations=iteration)
        mean, sd = latest
    raise AssertionError("Algorithm A did not settle")  # it contracts; reaching this is a defect of ours


def _settled(
    before: tuple[float, float], after: tuple[float, float], stop: StopRule, *, offset: float
) -> bool:
    if stop is StopRule.FIXED_POINT:
        return max(abs(after[0] - before[0]), abs(after[1] - before[1])) <= 1e-13 * after[1]
    if after[1] <= 0:
        return True
    # Rounded to the decimal place of the third significant figure of s*, mean and s* both stay as they are.
    place = 2 - math.floor(math.log10(after[1]))
    same_mean = round(offset + after[0], place) == round(offset + before[0], place)
    return same_mean and round(after[1], place) == round(before[1], place)


def algorithm_s_factors(df: float) -> tuple[float, float]:
    """Limit factor eta and adjustment factor xi of Algorithm S for standard deviations with `df` degrees
    of freedom.

    eta^2 = chi2_0.90(df)/df: a normal sample's SD exceeds eta sigma with probability 0.10.
    xi^-2 = P(chi2(df + 2) < df eta^2) + 0.10 eta^2: makes the drawn-in mean square unbiased.

    Raises
    ------
    EstimationError
        df not positive.

    References
    ----------
    ISO 5725-5:1998, 6.3 and its table of factors; ISO 13528:2022, C.4.
    """
    if not df > 0:
        raise EstimationError(f"Algorithm S: found {df} degrees of freedom, expected a positive number.")
    eta2 = float(special.chdtri(df, 0.1)) / df
    xi = 1 / math.sqrt(float(special.chdtr(df + 2, df * eta2)) + 0.1 * eta2)
    return math.sqrt(eta2), xi


def algorithm_s(
    sds: Sequence[float] | FloatArray, df: float, *, stop: StopRule = StopRule.FIXED_POINT
) -> AlgorithmS:
    """Robust pooled value of standard deviations (or of ranges of two, df = 1) by Algorithm S.

    Start: the median. Each step draws values above eta w* to that limit and takes w* as xi times their root
    mean square.

    Parameters
    ----------
    sds : (p,) standard deviations, none negative, all with the same number of degrees of freedom.
    df : that number.

    Raises
    ------
    EstimationError
        No value, a negative or non-finite one, or df not positive.

    References
    ----------
    ISO 13528:2022, C.4; ISO 5725-5:1998, 6.3.
    """
    w = _checked(sds, least=1, what="Algorithm S")
    if np.any(w < 0):
        raise EstimationError(
            f"Algorithm S: found a standard deviation of {w.min():g}, which cannot be negative."
        )
    eta, xi = algorithm_s_factors(df)
    # More than half of the cells without scatter: the median says nothing, the root mean square still does.
    pooled = float(np.median(w)) or math.sqrt(float(np.mean(w**2)))
    floor = 1e-13 * float(w.max())
    for iteration in range(1, _MOST_STEPS):
        if pooled <= floor:
            return AlgorithmS(sd=0.0, eta=eta, xi=xi, iterations=iteration - 1)
        latest = xi * math.sqrt(float(np.mean(np.minimum(w, eta * pooled) ** 2)))
        if _settled((0.0, pooled), (0.0, latest), stop, offset=0.0):
            return AlgorithmS(sd=latest, eta=eta, xi=xi, iterations=iteration)
        pooled = latest
    raise AssertionError("Algorithm S did not settle")  # it contracts; reaching this is a defect of ours


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pairs:
    """Absolute differences of pairs of results, how far rounding may move each, and the weight of each."""

    difference: FloatArray
    rounding: FloatArray
    weight: FloatArray

    @classmethod
    def of(cls, left: FloatArray, right: FloatArray, weight: FloatArray) -> _Pairs:
        difference = np.abs(left - right)
        rounding = 1e-10 * difference + 2e-15 * (np.abs(left) + np.abs(right))
        return cls(difference=difference, rounding=rounding, weight=weight)

    def jumps(self) -> tuple[FloatArray, FloatArray, float]:
        """The cumulative distribution: places above 0, heights there, height at 0.

        Decimal readings that lie equally far apart differ in the last binary digit; they are one place.
        """
        order = np.argsort(self.difference)
        difference, rounding = self.difference[order], self.rounding[order]
        starts = np.concatenate([[True], np.diff(difference) > rounding[1:]])
        steps = np.bincount(np.cumsum(starts) - 1, weights=self.weight[order])
        heights = np.cumsum(np.asarray(steps, dtype=np.float64))
        places = difference[starts]
        if places[0] <= rounding[0]:
            return places[1:], heights[1:], float(heights[0])
        return places, heights, 0.0


def _quantile_of_differences(pairs: _Pairs, *, share: float, normal_at: tuple[float, float]) -> float:
    """Invert the smoothed cumulative distribution at share + (1 - share) H(0), as a normal standard
    deviation.
    """
    places, heights, at_zero = pairs.jumps()
    if places.size == 0:
        return 0.0
    smooth = np.concatenate([[0.0], [0.5 * heights[0]], 0.5 * (heights[1:] + heights[:-1])])
    found = np.interp(share + (1 - share) * at_zero, smooth, np.concatenate([[0.0], places]))
    level, slope = normal_at
    return float(found / (math.sqrt(2) * special.ndtri(level + slope * at_zero)))


def q_method(laboratories: Sequence[Sequence[float] | FloatArray]) -> float:
    """Robust standard deviation s* from the differences between laboratories, by the Q method.

    With one value per laboratory this is the standard deviation for proficiency assessment; with several
    results per laboratory it is a robust reproducibility standard deviation. Neither mean nor SD of a
    laboratory enters. Breakdown at half of the laboratories.

    Parameters
    ----------
    laboratories : raw results of each laboratory, one or more.

    Raises
    ------
    EstimationError
        Fewer than three laboratories, an empty one, or a value that is not finite.

    References
    ----------
    ISO 13528:2022, C.5.2; Mueller & Uhlig (2001), J. Amer. Statist. Assoc. 96, 1353-1363.
    """
    cells = [_checked(cell, least=1, what="Q method") for cell in laboratories]
    if len(cells) < 3:
        raise EstimationError(f"Q method: found {len(cells)} laboratories, expected at least 3.")
    values = np.concatenate(cells)
    owner = np.repeat(np.arange(len(cells)), [cell.size for cell in cells])
    size = np.array([cell.size for cell in cells], dtype=np.float64)
    first, second = np.triu_indices(values.size, k=1)
    between = owner[first] != owner[second]
    first, second = first[between], second[between]
    weights = 2 / (size[owner[first]] * size[owner[second]] * len(cells) * (len(cells) - 1))
    pairs = _Pairs.of(values[first], values[second], weights)
    return _quantile_of_differences(pairs, share=0.25, normal_at=(0.625, 0.375))


def q_method_repeatability(laboratories: Sequence[Sequence[float] | FloatArray]) -> float:
    """Robust repeatability standard deviation from the differences within laboratories, by the Q method.

    Laboratories with one result do not take part.

    Raises
    ------
    EstimationError
        No laboratory with two results, or a value that is not finite.

    References
    ----------
    ISO 13528:2022, C.5.2.
    """
    cells = [_checked(cell, least=1, what="Q method") for cell in laboratories]
    cells = [cell for cell in cells if cell.size > 1]
    if not cells:
        raise EstimationError("Q method: no laboratory gave two results, so there is no scatter within one.")
    indices = [np.triu_indices(cell.size, k=1) for cell in cells]
    pairs = _Pairs.of(
        np.concatenate([cell[first] for cell, (first, _) in zip(cells, indices, strict=True)]),
        np.concatenate([cell[second] for cell, (_, second) in zip(cells, indices, strict=True)]),
        np.concatenate([np.full(first.size, 1 / (first.size * len(cells))) for first, _ in indices]),
    )
    return _quantile_of_differences(pairs, share=0.5, normal_at=(0.75, 0.25))


def hampel_mean(values: Sequence[float] | FloatArray, sd: float) -> HampelMean:
    """Hampel's mean of `values` for the standard deviation `sd`, by the standard's exact finite-step
    procedure.

    Solves sum psi((x_i - x*) / sd) = 0 with psi rising to 1.5, level to 3, falling to zero at 4.5. The sum is
    piecewise linear in x*, so its roots are found exactly between the nodes x_i ± 1.5, 3 and 4.5 sd. Of
    several roots the one nearest to the median counts, and the median itself where two are equally near.

    Raises
    ------
    EstimationError
        No value, one that is not finite, or a negative or non-finite `sd`.

    References
    ----------
    ISO 13528:2022, C.5.3.
    """
    x = _checked(values, least=1, what="Hampel mean")
    median = float(np.median(x))
    if not (math.isfinite(sd) and sd >= 0):
        raise EstimationError(f"Hampel mean: found a standard deviation of {sd}, expected zero or more.")
    if sd == 0:
        return HampelMean(mean=median, solutions=(median,))
    nodes = np.unique(x[:, None] + sd * np.array([-4.5, -3.0, -1.5, 1.5, 3.0, 4.5]))
    sums = _hampel_psi((x[:, None] - nodes) / sd).sum(axis=0)
    roots = _roots_of_polygon(nodes, np.where(np.abs(sums) < 1e-12 * x.size, 0.0, sums))
    nearest = np.abs(roots - median)
    best = np.flatnonzero(nearest <= nearest.min() + 1e-12 * sd)
    mean = float(roots[best[0]]) if best.size == 1 else median
    return HampelMean(mean=mean, solutions=tuple(float(root) for root in roots))


def _hampel_psi(q: FloatArray) -> FloatArray:
    size = np.abs(q)
    rising_or_level = np.minimum(size, 1.5)
    return np.asarray(
        np.sign(q) * np.clip(np.minimum(rising_or_level, 4.5 - size), 0.0, None), dtype=np.float64
    )


def _roots_of_polygon(nodes: FloatArray, sums: FloatArray) -> FloatArray:
    """Roots of the piecewise linear function through (nodes, sums); the middle where it is zero along a
    piece.

    Beyond the outer nodes the function is zero for want of any value, which is no solution.
    """
    roots = []
    for index in range(nodes.size - 1):
        left, right = float(sums[index]), float(sums[index + 1])
        if left == 0 and right == 0:
            roots.append((nodes[index] + nodes[index + 1]) / 2)
        elif left == 0 and index > 0 and sums[index - 1] != 0:
            roots.append(nodes[index])
        elif left * right < 0:
            roots.append(nodes[index] - left * (nodes[index + 1] - nodes[index]) / (right - left))
    return np.array(roots, dtype=np.float64)
