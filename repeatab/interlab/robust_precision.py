"""Precision of one level by robust estimators, to be read beside the classical one.

In: LevelCells (Algorithms A and S), or raw results per laboratory (Q method and Hampel).  Out:
RobustPrecision. Not here: the estimators themselves (estimation.robust, estimation.q_hampel).
"""

# ruff: noqa: N815 - s_L, s_R and R are the standard's symbols

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from repeatab.cells import FloatArray
from repeatab.estimation.q_hampel import hampel_mean, q_method, q_method_repeatability
from repeatab.estimation.robust import algorithm_a, algorithm_s
from repeatab.interlab.level import Label, LevelCells, majority_count
from repeatab.interlab.precision import LIMIT_FACTOR


class RobustMethod(Enum):
    """Which estimators; the value is what the report prints."""

    ALGORITHMS_A_AND_S = "Algorithms A and S"
    Q_AND_HAMPEL = "Q method and Hampel estimator"


@dataclass(frozen=True, slots=True, kw_only=True)
class RobustPrecision:
    """Robust mean and precision of one level; s_r and s_L are None where no laboratory gave two results."""

    level: Label
    laboratories: int
    results: int
    mean: float
    s_r: float | None
    s_L: float | None
    s_R: float
    method: RobustMethod
    limit_factor: float

    @property
    def r_limit(self) -> float | None:
        return None if self.s_r is None else self.limit_factor * self.s_r

    @property
    def R_limit(self) -> float:
        return self.limit_factor * self.s_R


def robust_precision(level: LevelCells, *, limit_factor: float = LIMIT_FACTOR) -> RobustPrecision:
    """Algorithm A on the cell means, Algorithm S on the cell standard deviations.

    s_L^2 = s_d*^2 - s_r*^2 / n, not below zero; s_R^2 = s_r*^2 + s_L^2. Where numbers of results differ,
    Algorithm S takes the number of the majority of cells and n is the harmonic mean.

    Raises
    ------
    EstimationError
        Fewer than three laboratories.

    References
    ----------
    ISO 5725-5:1998, clause 6.
    """
    centre = algorithm_a(level.mean)
    s_r = s_L = None
    s_R = centre.sd
    if level.degrees_of_freedom > 0:
        inner = level.count > 1
        s_r = algorithm_s(level.sd[inner], majority_count(level) - 1).sd
        n = level.harmonic_count
        s_L = math.sqrt(max(0.0, centre.sd**2 - s_r**2 / n))
        s_R = math.hypot(s_r, s_L)
    return RobustPrecision(
        level=level.level,
        laboratories=level.p,
        results=int(level.count.sum()),
        mean=centre.mean,
        s_r=s_r,
        s_L=s_L,
        s_R=s_R,
        method=RobustMethod.ALGORITHMS_A_AND_S,
        limit_factor=limit_factor,
    )


def q_hampel_precision(
    level: Label, results: Mapping[Label, Sequence[float] | FloatArray], *, limit_factor: float = LIMIT_FACTOR
) -> RobustPrecision:
    """Q method on the raw results for s_R and s_r, Hampel's mean of the cell means; needs raw results.

    s_L^2 = s_R^2 - s_r^2, not below zero. Hampel's mean takes the Q method's standard deviation of the cell
    means.

    Raises
    ------
    InputError
        As LevelCells: an empty cell, a value that is not finite.
    EstimationError
        Fewer than three laboratories.

    References
    ----------
    ISO 13528:2022, C.5.
    """
    cells = LevelCells.from_results(level=level, results=results)
    raw = list(results.values())
    s_R = q_method(raw)
    s_r = q_method_repeatability(raw) if cells.degrees_of_freedom > 0 else None
    return RobustPrecision(
        level=level,
        laboratories=cells.p,
        results=int(cells.count.sum()),
        mean=hampel_mean(cells.mean, q_method([[value] for value in cells.mean])).mean,
        s_r=s_r,
        s_L=None if s_r is None else math.sqrt(max(0.0, s_R**2 - s_r**2)),
        s_R=s_R,
        method=RobustMethod.Q_AND_HAMPEL,
        limit_factor=limit_factor,
    )
