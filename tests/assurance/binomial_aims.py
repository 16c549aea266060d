"""Aims for rates and what a simulation can say against them: exact binomial bounds at 99.9 %.

In: counts.  Out: whether they can come from a rate within the aim; lines of a table.
"""

from __future__ import annotations

import platform

import numpy as np
import scipy
from scipy import stats

import repeatab as rb

BEYOND_CHANCE = 0.001
COVER_AT_LEAST, COVER_AT_MOST = 0.94, 0.97
ERROR_AT_MOST = 0.05


def can_be_at_least(count: int, draws: int, rate: float) -> bool:
    """Whether so few can come from a rate of at least this."""
    return bool(stats.binom.cdf(count, draws, rate) >= BEYOND_CHANCE)


def can_be_at_most(count: int, draws: int, rate: float) -> bool:
    """Whether so many can come from a rate of at most this."""
    return bool(stats.binom.sf(count - 1, draws, rate) >= BEYOND_CHANCE)


def percent(count: float, draws: int, digits: int = 1) -> str:
    return f"{100 * count / draws:.{digits}f}"


def provenance(date: str, seed: int, draws: str, made_by: str) -> list[str]:
    """The lines that say how a table came about."""
    versions = f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}"
    return [
        f"{date}, seed {seed}, {draws}, {versions}; repeatab {rb.__version__}.",
        f"Made by `python tests/assurance/{made_by} {date}`.",
    ]
