"""The Q method and Hampel's mean of ISO 13528: robust up to half of the laboratories; they need raw results.

In: values per laboratory, or values and their standard deviation.  Out: a standard deviation, a mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray
from repeatab.estimation.robust import checked_values


@dataclass(frozen=True, slots=True, kw_only=True)
class HampelMean:
    """Hampel's mean for a given standard deviation; `solutions` are all roots of its equation."""

    mean: float
    solutions: tuple[float, ...]


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
    cells = [checked_values(cell, least=1, what="Q method") for cell in laboratories]
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
    cells = [checked_values(cell, least=1, what="Q method") for cell in laboratories]
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
    x = checked_values(values, least=1, what="Hampel mean")
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
