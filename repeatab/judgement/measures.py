"""Measures of capability that follow from two standard deviations: percent of total, of tolerance,
categories.

In: standard deviations.  Out: numbers, with the convention named.
Source: automotive measurement-systems handbook, chapters II and III (from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from repeatab.cells import FloatArray

CATEGORY_FACTOR = 1.41
"""The handbook's number, kept as printed; √2 to three digits."""

ENOUGH_CATEGORIES = 5
"""The handbook's least number of distinct categories."""


def percent_of_total(grr_variance: ArrayLike, part_variance: ArrayLike) -> FloatArray:
    """R&R in percent of the total variation, as a ratio of standard deviations; 100 where no part scatter
    is."""
    grr, part = np.asarray(grr_variance, np.float64), np.asarray(part_variance, np.float64)
    return np.asarray(100 * np.sqrt(grr / (grr + part)), np.float64)


def percent_of_tolerance(grr: float, width: float, *, multiplier: float) -> float:
    """`multiplier` R&R standard deviations in percent of the tolerance width."""
    return 100 * multiplier * grr / width


def categories_of_ratio(percent: float) -> float:
    """Distinct categories, not truncated, that belong to R&R in percent of the total variation."""
    share = (percent / 100) ** 2
    return math.inf if share == 0 else CATEGORY_FACTOR * math.sqrt(max(0.0, (1 - share) / share))


def distinct_categories(part: float, grr: float) -> int:
    """Number of part classes that the measurement can tell apart: 1.41 PV / R&R, truncated, at least 1.

    A value of 1 says that the measurement tells no parts apart.
    """
    return max(1, math.floor(CATEGORY_FACTOR * part / grr))
