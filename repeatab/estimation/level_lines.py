"""Level lines: the straight line of one rig's level means on another's, both with error.

In: results of whole sets by level on two rigs.  Out: slope and intercept (errors_in_variables), with the scatter of
both rigs taken from the repeats. Their intervals are in shift_or_gain.
Source: Fuller (1987), Measurement Error Models, Wiley, sections 1.1 and 1.3 (reliability, error ratio from repeats).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray
from repeatab.estimation.errors_in_variables import Line, Points, Trouble, fit_line, fit_lines


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelLine:
    """The line through the level means of two rigs, y on rig a against x on the reference rig b.

    offset : difference of the rigs at the centre of the levels; intercept + (slope - 1) * centre.
    error_ratio : variance of one result on a over that on b, about what set and level explain.
    reliability : share of the scatter of the level means of b that is true difference between levels.
    levels : number of levels that both rigs ran.
    """

    slope: float
    intercept: float
    offset: float
    centre: float
    error_ratio: float
    reliability: float
    levels: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPoints:
    """Level means of two rigs with their error covariance per result.

    x, y : (levels,) means on the reference rig and on the other; n_x, n_y : (levels,) results behind them.
    n_both : (levels,) sets behind both means.
    var_x, var_y, cov : error variances and covariance of single results; only their ratios mean something where
        `from_repeats` is false.
    """

    x: FloatArray
    y: FloatArray
    n_x: FloatArray
    n_y: FloatArray
    n_both: FloatArray
    var_x: float
    var_y: float
    cov: float
    from_repeats: bool


def level_points(a: FloatArray, b: FloatArray, *, paired: bool, ratio: float | None = None) -> LevelPoints:
    """Level means of two rigs and the error covariance from the repeats (the sets).

    What a set shares over all levels shifts the line and does not bend it, so errors are what is left of the
    results after level and set; where each set ran at one level only, what is left after level.

    Parameters
    ----------
    a, b : (sets, levels) results of whole sets on rig a and on the reference rig b; missing: nan. The columns
        are the same levels.
    paired : rows of `a` and `b` are the same sets.
    ratio : error variance on a over that on b where the lab states it; else it comes from the repeats.

    Raises
    ------
    LayoutError
        Fewer than three levels ran on both rigs, or there are no repeats and no stated ratio.
    """
    n_y, n_x = (np.isfinite(v).sum(axis=0) for v in (a, b))
    shared = (n_x > 0) & (n_y > 0)
    if shared.sum() < 3:
        raise LayoutError(
            f"level dependence: {shared.sum()} level(s) ran on both rigs, expected three or more."
        )
    a, b = a[:, shared], b[:, shared]
    left = [_left_over(v) for v in (a, b)]
    var_y, var_x = (_variance(found, df) for found, df in left)
    from_repeats = math.isfinite(var_x)
    cov = _covariance(left[0][0], left[1][0], min(left[0][1], left[1][1])) if paired else 0.0
    if ratio is not None:
        var_x, var_y, cov = (var_x, ratio * var_x, 0.0) if from_repeats and var_x > 0 else (1.0, ratio, 0.0)
    if not (var_x + var_y > 0) or not np.isfinite(var_x + var_y):
        raise LayoutError(
            "level dependence: no level has repeats on each rig, so the errors of the two rigs cannot be told "
            "from the line. Run several sets at each level, or state the ratio of the error variances."
        )
    both = (np.isfinite(a) & np.isfinite(b)).sum(axis=0) if paired else np.zeros(a.shape[1])
    return LevelPoints(
        x=_level_means(b), y=_level_means(a), n_x=n_x[shared].astype(float),
        n_y=n_y[shared].astype(float), n_both=both.astype(float), var_x=var_x, var_y=var_y, cov=cov,
        from_repeats=from_repeats,
    )  # fmt: skip


def level_line(a: FloatArray, b: FloatArray, *, paired: bool, ratio: float | None = None) -> LevelLine:
    """The line of rig a's level means on those of the reference rig b; arguments as `level_points`."""
    found = level_points(a, b, paired=paired, ratio=ratio)
    # A mean over n_y sets and one over n_x share the error of the sets they have in common.
    line = fit_line(
        found.x, found.y, var_x=found.var_x / found.n_x, var_y=found.var_y / found.n_y,
        cov=found.cov * found.n_both / (found.n_x * found.n_y),
    )  # fmt: skip
    return LevelLine(
        slope=line.slope, intercept=line.intercept, centre=line.centre,
        offset=line.intercept + (line.slope - 1) * line.centre,
        error_ratio=found.var_y / found.var_x if found.var_x > 0 else math.inf,
        reliability=_reliability(found, line), levels=len(found.x),
    )  # fmt: skip


def drawn_lines(
    a: FloatArray, b: FloatArray, *, paired: bool, ratio: float | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slopes, intercepts and offsets (see LevelLine) of many draws of sets that ran at every level, nan where
    a draw gives no line.

    Parameters
    ----------
    a, b : (draws, sets, levels) results without missing ones, three levels or more; else as `level_points`.
    """
    # In memory level by level, as a single table is: sums are then formed in the same order.
    a, b = (np.ascontiguousarray(v.swapaxes(1, 2)) for v in (a, b))
    left = [_less_both_means(v) for v in (a, b)]
    df = [(v.shape[1] - 1) * (v.shape[2] - 1) for v in (a, b)]
    var_y, var_x = (
        _sum_of(v**2) / n if n > 0 else np.full(len(v), math.nan) for v, n in zip(left, df, strict=True)
    )
    cov = _sum_of(left[0] * left[1]) / min(df) if paired and min(df) > 0 else np.zeros(len(a))
    if ratio is not None:
        repeats = np.isfinite(var_x) & (var_x > 0)
        var_x = np.where(repeats, var_x, 1.0)
        var_y, cov = ratio * var_x, np.zeros(len(a))
    known = (var_x + var_y > 0) & np.isfinite(var_x + var_y)
    n_y, n_x, n_both = (float(n) for n in (a.shape[2], b.shape[2], a.shape[2] if paired else 0))
    level = np.ones(a.shape[1])
    lines = fit_lines(
        Points(
            b.mean(axis=2), a.mean(axis=2), np.where(known, var_x, 1.0)[:, np.newaxis] / (n_x * level),
            np.where(known, var_y, 1.0)[:, np.newaxis] / (n_y * level),
            np.where(known, cov, 0.0)[:, np.newaxis] * n_both / (n_x * n_y * level),
        )
    )  # fmt: skip
    none = ~known | (lines.trouble != Trouble.NONE)
    offset = lines.intercept + (lines.slope - 1) * lines.centre
    slope, intercept, offset = (np.where(none, math.nan, v) for v in (lines.slope, lines.intercept, offset))
    return slope, intercept, offset


def _sum_of(values: FloatArray) -> FloatArray:
    """(draws,) sums of all that a draw holds."""
    total: FloatArray = values.reshape(len(values), -1).sum(axis=1)
    return total


def _reliability(found: LevelPoints, line: Line) -> float:
    """(variance of the level means - their error variance) / variance of the level means, not below 0."""
    # Without repeats the points' distances from the line say how large the errors are.
    scale = 1.0 if found.from_repeats else line.misfit / (len(found.x) - 2)
    total = float(np.var(found.x, ddof=1))
    return max(0.0, 1 - scale * float(np.mean(found.var_x / found.n_x)) / total)


def _level_means(values: FloatArray) -> FloatArray:
    complete = np.isfinite(values).all()
    means: FloatArray = values.mean(axis=0) if complete else np.nanmean(values, axis=0)
    return means


def _left_over(values: FloatArray) -> tuple[FloatArray, int]:
    """What level and set leave of the results, missing ones as nan, and its degrees of freedom."""
    present = np.isfinite(values)
    if present.all() and values.shape[1] > 1:
        # A full table leaves what its two means leave, without solving for them.
        left = _less_both_means(values.T[np.newaxis])[0].T
        return left, (values.shape[0] - 1) * (values.shape[1] - 1)
    sets, levels = np.nonzero(present)
    columns = [np.eye(values.shape[1])[levels]]
    if present.sum(axis=1).max() > 1:
        columns.append(np.eye(values.shape[0])[sets])
    design = np.concatenate(columns, axis=1)
    y = values[present]
    centred = y - y.mean()
    solution, _, rank, _ = np.linalg.lstsq(design, centred, rcond=1e-10)
    left = np.full(values.shape, np.nan)
    left[present] = centred - design @ solution
    return left, len(y) - int(rank)


def _less_both_means(values: FloatArray) -> FloatArray:
    """What level and set leave of (draws, levels, sets) results."""
    whole = values.reshape(len(values), -1).mean(axis=1)
    centred: FloatArray = values - whole[:, np.newaxis, np.newaxis]
    centred -= centred.mean(axis=2, keepdims=True)
    centred -= centred.mean(axis=1, keepdims=True)
    return centred


def _variance(left: FloatArray, df: int) -> float:
    return float(np.nansum(left**2)) / df if df > 0 else math.nan


def _covariance(left_a: FloatArray, left_b: FloatArray, df: int) -> float:
    return float(np.nansum(left_a * left_b)) / df if df > 0 else 0.0
