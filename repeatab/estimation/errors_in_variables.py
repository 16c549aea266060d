"""Errors in variables: the straight line of one rig's level means on another's, both with error.

In: points with error variances, or results of whole sets by level on two rigs.  Out: maximum likelihood slope and
intercept, with the scatter of both taken from the repeats. Their intervals are in shift_or_gain.

Ordinary regression takes the reference rig for exact and so makes every slope too small. Here each point has an
error variance in x and in y (and a covariance, where the same sets ran on both), known up to one factor.
Sources: Deming (1943), Statistical Adjustment of Data, Wiley; York (1966), Can. J. Phys. 44, 1079-1086; York,
Evensen, Martinez & Delgado (2004), Am. J. Phys. 72, 367-375 (weights of single points, correlated errors);
Fuller (1987), Measurement Error Models, Wiley, sections 1.1 and 1.3 (reliability, error ratio from repeats).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.cells import FloatArray, IntArray

_STEPS = 500
_SETTLED = 1e-12
_NONE = 1e-12


class _Trouble(IntEnum):
    """Why there is no line."""

    NONE = 0
    ALIKE = 1
    CANCEL = 2
    UPRIGHT = 3
    OPEN = 4


_SAID = {
    _Trouble.ALIKE: "the levels are all alike on the reference rig, or a point has no error at all, so there is no "
    "slope to weigh.",
    _Trouble.CANCEL: "the errors of the two rigs cancel, so no point can be weighed. Check that the results are not "
    "copies of each other.",
    _Trouble.UPRIGHT: "the line stands upright, so the slope is open. Run levels that lie further apart.",
    _Trouble.OPEN: "the slope is open. Run levels that lie further apart.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """y = intercept + slope * x.

    se_slope, se_intercept : standard errors if the error variances are what they were said to be.
    misfit : sum of squared weighted distances, chi-square with points - 2 degrees of freedom if they are.
    centre : weighted mean of x, about which slope and level are nearly independent.
    """

    slope: float
    intercept: float
    se_slope: float
    se_intercept: float
    misfit: float
    centre: float


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
class _Lines:
    """Many lines side by side; what Line holds, as (lines,) arrays. Where `trouble` is not NONE there is no line."""

    slope: FloatArray
    intercept: FloatArray
    se_slope: FloatArray
    se_intercept: FloatArray
    misfit: FloatArray
    centre: FloatArray
    trouble: IntArray

    def one(self, which: int) -> Line:
        """A line alone.

        Raises
        ------
        EstimationError
            There is none.
        """
        trouble = _Trouble(self.trouble[which])
        if trouble is not _Trouble.NONE:
            raise EstimationError(f"a line with errors in both variables: {_SAID[trouble]}")
        return Line(
            slope=float(self.slope[which]), intercept=float(self.intercept[which]),
            se_slope=float(self.se_slope[which]), se_intercept=float(self.se_intercept[which]),
            misfit=float(self.misfit[which]), centre=float(self.centre[which]),
        )  # fmt: skip


def fit_line(
    x: FloatArray, y: FloatArray, *, var_x: FloatArray, var_y: FloatArray, cov: FloatArray | None = None
) -> Line:
    """Maximum likelihood line through points with errors in both variables.

    With one error ratio for all points this is the line of Deming; with equal variances, of least squares
    perpendicular to the line (Pearson 1901).

    Parameters
    ----------
    x, y : (points,) ; var_x, var_y : (points,) error variances, at least one of the two above zero everywhere.
    cov : (points,) error covariances; zero if not given.

    Raises
    ------
    LayoutError
        Fewer than three points.
    EstimationError
        The points have no spread, or the slope does not settle (it is open).
    """
    if len(x) < 3:
        raise LayoutError(
            f"a line with errors in both variables: found {len(x)} points, expected three or more."
        )
    cov = np.zeros_like(x) if cov is None else cov
    parts = (np.asarray(part, dtype=float)[np.newaxis] for part in (x, y, var_x, var_y, cov))
    return _fit_lines(_Points(*parts)).one(0)


class _Points(NamedTuple):
    """(lines, points) places and error variances."""

    x: FloatArray
    y: FloatArray
    var_x: FloatArray
    var_y: FloatArray
    cov: FloatArray

    def of(self, lines: IntArray) -> _Points:
        return _Points(*(part[lines] for part in self))


def _fit_lines(points: _Points) -> _Lines:
    """Lines through many sets of at least three points, all of one size; see `fit_line`."""
    trouble = np.full(len(points.x), _Trouble.NONE)
    weighed = (points.var_x + points.var_y > 0).all(axis=1)
    trouble[(np.ptp(points.x, axis=1) == 0) | ~weighed] = _Trouble.ALIKE
    cancel = (points.cov**2 > (1 - _NONE) * points.var_x * points.var_y).any(axis=1)
    trouble[cancel & (trouble == _Trouble.NONE)] = _Trouble.CANCEL
    # What has no line may divide by zero on the way.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        slope = _slopes(points, trouble)
        return _lines(slope, points, trouble)


def _slopes(points: _Points, trouble: IntArray) -> FloatArray:
    """York's steps from the slope at a common error ratio to the one at each point's own; fills in `trouble`."""
    slope = _common_ratio_slopes(points, trouble)
    moving = np.flatnonzero(trouble == _Trouble.NONE)
    for _ in range(_STEPS):
        if not len(moving):
            return slope
        before = slope[moving]
        weight, u, v, pull, good = _york(before, points.of(moving))
        bottom = _dot(weight * pull, u)
        moved = _dot(weight * pull, v) / bottom
        trouble[moving[~good]] = _Trouble.CANCEL
        trouble[moving[good & (bottom == 0)]] = _Trouble.OPEN
        slope[moving] = moved
        settled = np.abs(moved - before) <= _SETTLED * (1 + np.abs(before))
        moving = moving[~settled & good & (bottom != 0)]
    trouble[moving] = _Trouble.OPEN
    return slope


def _york(
    slope: FloatArray, points: _Points
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Weights, centred x and y, how far each point's true x lies from the centre (York et al. 2004), and whether the
    points can be weighed."""
    x, y, var_x, var_y, cov = points
    slope = slope[:, np.newaxis]
    square = slope * slope
    error = var_y + square * var_x - 2 * slope * cov
    good: NDArray[np.bool_] = np.all(error > _NONE * (var_y + square * var_x), axis=1)
    weight = 1 / error
    share = weight / weight.sum(axis=1, keepdims=True)
    u, v = (part - _dot(share, part)[:, np.newaxis] for part in (x, y))
    return weight, u, v, weight * (u * var_y + slope * v * var_x - (slope * u + v) * cov), good


def _lines(slope: FloatArray, points: _Points, trouble: IntArray) -> _Lines:
    weight, u, v, pull, good = _york(slope, points)
    trouble[~good & (trouble == _Trouble.NONE)] = _Trouble.CANCEL
    share = weight / weight.sum(axis=1, keepdims=True)
    centre = _dot(share, points.x)
    true_x = centre[:, np.newaxis] + pull
    middle = _dot(share, true_x)
    var_slope = 1 / _dot(weight, (true_x - middle[:, np.newaxis]) ** 2)
    return _Lines(
        slope=slope, intercept=_dot(share, points.y) - slope * centre, se_slope=np.sqrt(var_slope),
        se_intercept=np.sqrt(1 / weight.sum(axis=1) + middle * middle * var_slope),
        misfit=_dot(weight, (v - slope[:, np.newaxis] * u) ** 2), centre=centre, trouble=trouble,
    )  # fmt: skip


def _common_ratio_slopes(points: _Points, trouble: IntArray) -> FloatArray:
    """The slopes if all points had the error covariance of the average, which has a closed form."""
    x, y, var_x, var_y, cov = points
    share = 1 / (var_x + var_y)
    share = share / share.sum(axis=1, keepdims=True)
    u, v = (part - _dot(share, part)[:, np.newaxis] for part in (x, y))
    xx, yy, xy = _dot(share, u**2), _dot(share, v**2), _dot(share, u * v)
    ex, ey, exy = _dot(share, var_x), _dot(share, var_y), _dot(share, cov)
    a, b, c = xy * ex - xx * exy, xx * ey - ex * yy, exy * yy - xy * ey
    root = np.sqrt(np.maximum(b * b - 4 * a * c, 0.0))
    # The minimum is the root (-b + root) / 2a, written so that nothing cancels.
    rising = np.where(b + root > 0, -2 * c / (b + root), 0.0)
    trouble[(b < 0) & (a == 0) & (trouble == _Trouble.NONE)] = _Trouble.UPRIGHT
    slope: FloatArray = np.where(b >= 0, rising, (root - b) / (2 * a))
    return slope


def _dot(first: FloatArray, second: FloatArray) -> FloatArray:
    """(lines,) products of (lines, points) rows, each as for that row alone."""
    product: FloatArray = (first[:, np.newaxis, :] @ second[:, :, np.newaxis])[:, 0, 0]
    return product


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
    lines = _fit_lines(
        _Points(
            b.mean(axis=2), a.mean(axis=2), np.where(known, var_x, 1.0)[:, np.newaxis] / (n_x * level),
            np.where(known, var_y, 1.0)[:, np.newaxis] / (n_y * level),
            np.where(known, cov, 0.0)[:, np.newaxis] * n_both / (n_x * n_y * level),
        )
    )  # fmt: skip
    none = ~known | (lines.trouble != _Trouble.NONE)
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
