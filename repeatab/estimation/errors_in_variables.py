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

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.cells import FloatArray

_STEPS = 500
_SETTLED = 1e-12
_NONE = 1e-12
_CANCEL = (
    "a line with errors in both variables: the errors of the two rigs cancel, so no point can be weighed. Check "
    "that the results are not copies of each other."
)


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
    if np.ptp(x) == 0 or not (var_x + var_y > 0).all():
        raise EstimationError(
            "a line with errors in both variables: the levels are all alike on the reference rig, or a point "
            "has no error at all, so there is no slope to weigh."
        )
    if (cov**2 > (1 - _NONE) * var_x * var_y).any():
        raise EstimationError(_CANCEL)
    return _line(_slope(x, y, var_x, var_y, cov), x, y, var_x, var_y, cov)


def _slope(x: FloatArray, y: FloatArray, var_x: FloatArray, var_y: FloatArray, cov: FloatArray) -> float:
    """York's steps from the slope at a common error ratio to the one at each point's own."""
    slope = _common_ratio_slope(x, y, var_x, var_y, cov)
    for _ in range(_STEPS):
        weight, u, v, pull = _york(slope, x, y, var_x, var_y, cov)
        bottom = float((weight * pull) @ u)
        if bottom == 0:
            break
        moved = float((weight * pull) @ v) / bottom
        if abs(moved - slope) <= _SETTLED * (1 + abs(slope)):
            return moved
        slope = moved
    raise EstimationError(
        "a line with errors in both variables: the slope is open. Run levels that lie further apart."
    )


def _york(
    slope: float, x: FloatArray, y: FloatArray, var_x: FloatArray, var_y: FloatArray, cov: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Weights, centred x and y, and how far each point's true x lies from the centre (York et al. 2004)."""
    error = var_y + slope**2 * var_x - 2 * slope * cov
    if not (error > _NONE * (var_y + slope**2 * var_x)).all():
        raise EstimationError(_CANCEL)
    weight = 1 / error
    share = weight / weight.sum()
    u, v = x - share @ x, y - share @ y
    return weight, u, v, weight * (u * var_y + slope * v * var_x - (slope * u + v) * cov)


def _line(
    slope: float, x: FloatArray, y: FloatArray, var_x: FloatArray, var_y: FloatArray, cov: FloatArray
) -> Line:
    weight, u, v, pull = _york(slope, x, y, var_x, var_y, cov)
    share = weight / weight.sum()
    centre = float(share @ x)
    true_x = centre + pull
    middle = float(share @ true_x)
    var_slope = 1 / float(weight @ (true_x - middle) ** 2)
    return Line(
        slope=slope, intercept=float(share @ y) - slope * centre, se_slope=math.sqrt(var_slope),
        se_intercept=math.sqrt(1 / float(weight.sum()) + middle**2 * var_slope),
        misfit=float(weight @ (v - slope * u) ** 2), centre=centre,
    )  # fmt: skip


def _common_ratio_slope(
    x: FloatArray, y: FloatArray, var_x: FloatArray, var_y: FloatArray, cov: FloatArray
) -> float:
    """The slope if all points had the error covariance of the average, which has a closed form."""
    share = 1 / (var_x + var_y)
    share = share / share.sum()
    u, v = x - share @ x, y - share @ y
    xx, yy, xy = float(share @ u**2), float(share @ v**2), float(share @ (u * v))
    ex, ey, exy = float(share @ var_x), float(share @ var_y), float(share @ cov)
    a, b, c = xy * ex - xx * exy, xx * ey - ex * yy, exy * yy - xy * ey
    root = math.sqrt(max(b**2 - 4 * a * c, 0.0))
    # The minimum is the root (-b + root) / 2a, written so that nothing cancels.
    if b >= 0:
        return -2 * c / (b + root) if b + root > 0 else 0.0
    if a == 0:
        raise EstimationError(
            "a line with errors in both variables: the line stands upright, so the slope is open. Run levels that "
            "lie further apart."
        )
    return (root - b) / (2 * a)


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
        return _less_both_means(values), (values.shape[0] - 1) * (values.shape[1] - 1)
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
    centred: FloatArray = values - values.mean()
    centred -= centred.mean(axis=0)
    centred -= centred.mean(axis=1, keepdims=True)
    return centred


def _variance(left: FloatArray, df: int) -> float:
    return float(np.nansum(left**2)) / df if df > 0 else math.nan


def _covariance(left_a: FloatArray, left_b: FloatArray, df: int) -> float:
    return float(np.nansum(left_a * left_b)) / df if df > 0 else 0.0
