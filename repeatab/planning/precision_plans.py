"""Precision plans: how well a round robin would know its repeatability and reproducibility standard deviations.

In: laboratories, results per cell, the ratio of the two standard deviations.  Out: relative uncertainty of each.
Source: ISO 5725-1:1994, 6.3.2: with a probability of 95 % the estimate s lies within sigma (1 ± A).
"""

from __future__ import annotations

import math

_POINT = 1.96


def uncertainty_of_repeatability(laboratories: int, results: int) -> float:
    """A_r: for p laboratories with n results in each cell, n at least 2."""
    return _POINT * math.sqrt(1 / (2 * laboratories * (results - 1)))


def uncertainty_of_reproducibility(laboratories: int, results: int, ratio: float) -> float:
    """A_R; ratio : gamma, reproducibility over repeatability standard deviation, at least 1."""
    p, n, square = laboratories, results, ratio**2
    top = p * (1 + n * (square - 1)) ** 2 + (n - 1) * (p - 1)
    return _POINT * math.sqrt(top / (2 * square**2 * n**2 * (p - 1) * p))
