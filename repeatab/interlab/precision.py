"""Repeatability, between-laboratory and reproducibility standard deviations of one level, with intervals.

In: LevelCells.  Out: Precision.
Not here: robust counterparts (robust_precision), dependence on the level (level_dependence).
"""

# ruff: noqa: N815 - s_L, s_R and R are the standard's symbols

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import EstimationError, NotSeparableError
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.interlab.level import Label, LevelCells

LIMIT_FACTOR = 2.8
"""ISO 5725-6:1994, 4.1.2: 1.96 sqrt(2) rounded, the 95 % limit for the difference of two results."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Precision of one level in the unit of the result.

    laboratories, results : the cells and the results that the numbers rest on.
    s_L : zero where the estimate of its square is negative; `raw_between_variance` keeps that estimate.
    r_limit, R_limit : repeatability and reproducibility limits, `limit_factor` times s_r and s_R.
    """

    level: Label
    laboratories: int
    results: int
    mean: float
    s_r: float
    s_L: float
    s_R: float
    raw_between_variance: float
    repeatability_df: int
    limit_factor: float
    s_r_interval: Interval
    s_L_interval: Interval
    s_R_interval: Interval

    @property
    def r_limit(self) -> float:
        return self.limit_factor * self.s_r

    @property
    def R_limit(self) -> float:
        return self.limit_factor * self.s_R


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleResultPrecision:
    """What a level with one result per laboratory can tell: s_R alone, s_r and s_L being one number in it."""

    level: Label
    laboratories: int
    mean: float
    s_R: float
    s_R_interval: Interval
    limit_factor: float

    @property
    def R_limit(self) -> float:
        return self.limit_factor * self.s_R


def precision(
    level: LevelCells, *, confidence: float = 0.95, limit_factor: float = LIMIT_FACTOR
) -> Precision:
    """s_r, s_L and s_R of one level, numbers of results per cell equal or not.

    s_r^2 = sum (n_i - 1) s_i^2 / sum (n_i - 1); s_d^2 = sum n_i (y_i - m)^2 / (p - 1), m the mean of all
    results; s_L^2 = (s_d^2 - s_r^2) / n', n' = (N - sum n_i^2 / N) / (p - 1); s_R^2 = s_r^2 + max(0, s_L^2).

    Parameters
    ----------
    level : the cells to count in; cells of one result add to the means only (`LevelCells.replicated` drops
        them).
    confidence : of the two-sided intervals, between 0 and 1. s_r: exact chi-square. s_L: Ting et al. (1990),
        s_R: Graybill & Wang (1980), both with the mean square of the unweighted cell means and the harmonic
        mean number of results where the numbers differ (Burdick & Graybill 1992, section 3.4).
    limit_factor : multiplies s_r and s_R to the limits r and R.

    Raises
    ------
    EstimationError
        Fewer than two laboratories.
    NotSeparableError
        No cell holds two results (`single_result_precision` then gives s_R alone).

    References
    ----------
    ISO 5725-2:1994, 7.4.
    """
    _need_two(level)
    df = level.degrees_of_freedom
    if df == 0:
        raise NotSeparableError(
            f"level '{level.level}': every laboratory gave one result, so repeatability and the "
            "scatter between "
            "laboratories are one number. Run at least two results per laboratory and level."
        )
    p, total = level.p, int(level.count.sum())
    mean = level.general_mean
    within = float(level.centred_ss.sum()) / df
    s_d2 = float(np.sum(level.count * (level.mean - mean) ** 2)) / (p - 1)
    average = (total - float(np.sum(level.count.astype(np.float64) ** 2)) / total) / (p - 1)
    raw = (s_d2 - within) / average
    n = level.harmonic_count
    return Precision(
        level=level.level,
        laboratories=p,
        results=total,
        mean=mean,
        s_r=math.sqrt(within),
        s_L=math.sqrt(max(0.0, raw)),
        s_R=math.sqrt(within + max(0.0, raw)),
        raw_between_variance=raw,
        repeatability_df=df,
        limit_factor=limit_factor,
        s_r_interval=_chi_square(within, df, confidence=confidence),
        s_L_interval=_combination(level, within, -1 / n, confidence=confidence),
        s_R_interval=_combination(level, within, 1 - 1 / n, confidence=confidence),
    )


def single_result_precision(
    level: LevelCells, *, confidence: float = 0.95, limit_factor: float = LIMIT_FACTOR
) -> SingleResultPrecision:
    """s_R of a level with one result per laboratory: the standard deviation of the results, exact
    chi-square interval.

    Raises
    ------
    EstimationError
        Fewer than two laboratories, or a cell with more than one result (`precision` then tells more).
    """
    _need_two(level)
    if np.any(level.count > 1):
        raise EstimationError(
            f"level '{level.level}': some laboratories gave several results; use the full precision analysis."
        )
    variance = float(np.var(level.mean, ddof=1))
    return SingleResultPrecision(
        level=level.level,
        laboratories=level.p,
        mean=float(level.mean.mean()),
        s_R=math.sqrt(variance),
        s_R_interval=_chi_square(variance, level.p - 1, confidence=confidence),
        limit_factor=limit_factor,
    )


def _need_two(level: LevelCells) -> None:
    if level.p < 2:
        raise EstimationError(
            f"level '{level.level}': found one laboratory ('{level.laboratories[0]}'), expected at "
            "least two; "
            "scatter between laboratories cannot be seen from one."
        )


def _chi_square(variance: float, df: int, *, confidence: float) -> Interval:
    from repeatab.estimation.intervals import chi_square_limits

    lower, upper = chi_square_limits(np.array(variance), df, level=confidence)
    return Interval(
        lower=math.sqrt(float(lower)),
        upper=math.sqrt(float(upper)),
        level=confidence,
        method=IntervalMethod.CHI_SQUARE,
    )


def _combination(level: LevelCells, within: float, share: float, *, confidence: float) -> Interval:
    """Interval for the square root of E(between MS)/n + share E(within MS), n the harmonic mean of the
    counts.

    The between mean square is that of the unweighted cell means, which stays near chi-square when the numbers
    differ; with equal numbers it is the usual one.
    """
    from repeatab.estimation.component_limits import component_combination_limits

    n = level.harmonic_count
    between = n * float(np.var(level.mean, ddof=1))
    lower, upper = component_combination_limits(
        np.array([1 / n, share]),
        np.array([between, within]),
        np.array([level.p - 1, level.degrees_of_freedom], dtype=np.float64),
        level=confidence,
    )
    return Interval(
        lower=math.sqrt(max(0.0, float(lower))),
        upper=math.sqrt(max(0.0, float(upper))),
        level=confidence,
        method=IntervalMethod.MODIFIED_LARGE_SAMPLE,
    )
