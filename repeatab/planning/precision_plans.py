"""Precision plans: how well a round robin would know its repeatability and reproducibility standard deviations.

In: laboratories, results per cell, the ratio of the two standard deviations.  Out: relative uncertainty of each.
Source: ISO 5725-1:1994, 6.3.2: with a probability of 95 % the estimate s lies within sigma (1 ± A).
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from scipy import special

from repeatab.cells import FloatArray

_POINT, _NODES = 1.96, 200


def uncertainty_of_repeatability(laboratories: int, results: int) -> float:
    """A_r: for p laboratories with n results in each cell, n at least 2."""
    return _POINT * math.sqrt(1 / (2 * laboratories * (results - 1)))


def uncertainty_of_reproducibility(laboratories: int, results: int, ratio: float) -> float:
    """A_R; ratio : gamma, reproducibility over repeatability standard deviation, at least 1."""
    return float(uncertainties_of_reproducibility(laboratories, results, np.array([ratio]))[0])


def uncertainties_of_reproducibility(laboratories: int, results: int, ratio: FloatArray) -> FloatArray:
    """(ratios,) A_R at each ratio."""
    p, n, square = laboratories, results, ratio**2
    top = p * (1 + n * (square - 1)) ** 2 + (n - 1) * (p - 1)
    return np.asarray(_POINT * np.sqrt(top / (2 * square**2 * n**2 * (p - 1) * p)))


def chance_within(laboratories: int, results: int, ratio: float, share: float) -> float:
    """Probability that s_R lies within `share` of its true value.

    s_R^2 = (MS_L + (n - 1) MS_r) / n, or MS_r where MS_L is smaller, the mean squares being independent chi-squares
    over their degrees of freedom p - 1 and p (n - 1), times 1 + n (ratio^2 - 1) and 1.
    """
    p, n = laboratories, results
    expected = 1 + n * (ratio**2 - 1)
    x, w = _rule()
    within = special.chdtri(p * (n - 1), (1 - x) / 2) / (p * (n - 1))

    def below(limit: float) -> float:
        """P(s_R^2 <= limit): MS_L at most what limit leaves, and MS_r itself at most the limit."""
        left = np.maximum(n * limit - (n - 1) * within, 0.0)
        chance = special.chdtr(p - 1, (p - 1) * left / expected)
        return float((chance * (within <= limit)) @ w / 2)

    low, high = ((1 - share) * ratio) ** 2 if share < 1 else 0.0, ((1 + share) * ratio) ** 2
    return below(high) - below(low)


@cache
def _rule() -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(_NODES)
    return x, w
