"""Errors in variables: the straight line through points that have errors in both directions.

In: points with error variances, one line's or many lines'.  Out: maximum likelihood slope and intercept. Where the
points come from results, and their errors from repeats, is in level_lines.

Ordinary regression takes the reference rig for exact and so makes every slope too small. Here each point has an
error variance in x and in y (and a covariance, where the same sets ran on both), known up to one factor.
Sources: Deming (1943), Statistical Adjustment of Data, Wiley; York (1966), Can. J. Phys. 44, 1079-1086; York,
Evensen, Martinez & Delgado (2004), Am. J. Phys. 72, 367-375 (weights of single points, correlated errors).
"""

from __future__ import annotations

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


class Trouble(IntEnum):
    """Why there is no line."""

    NONE = 0
    ALIKE = 1
    CANCEL = 2
    UPRIGHT = 3
    OPEN = 4


_SAID = {
    Trouble.ALIKE: "the levels are all alike on the reference rig, or a point has no error at all, so there is no "
    "slope to weigh.",
    Trouble.CANCEL: "the errors of the two rigs cancel, so no point can be weighed. Check that the results are not "
    "copies of each other.",
    Trouble.UPRIGHT: "the line stands upright, so the slope is open. Run levels that lie further apart.",
    Trouble.OPEN: "the slope is open. Run levels that lie further apart.",
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
class Lines:
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
        trouble = Trouble(self.trouble[which])
        if trouble is not Trouble.NONE:
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
    return fit_lines(Points(*parts)).one(0)


class Points(NamedTuple):
    """(lines, points) places and error variances."""

    x: FloatArray
    y: FloatArray
    var_x: FloatArray
    var_y: FloatArray
    cov: FloatArray

    def of(self, lines: IntArray) -> Points:
        """Of some of the lines."""
        return Points(*(part[lines] for part in self))


def fit_lines(points: Points) -> Lines:
    """Lines through many sets of at least three points, all of one size; see `fit_line`."""
    trouble = np.full(len(points.x), Trouble.NONE)
    weighed = (points.var_x + points.var_y > 0).all(axis=1)
    trouble[(np.ptp(points.x, axis=1) == 0) | ~weighed] = Trouble.ALIKE
    cancel = (points.cov**2 > (1 - _NONE) * points.var_x * points.var_y).any(axis=1)
    trouble[cancel & (trouble == Trouble.NONE)] = Trouble.CANCEL
    # What has no line may divide by zero on the way.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        slope = _slopes(points, trouble)
        return _lines(slope, points, trouble)


def _slopes(points: Points, trouble: IntArray) -> FloatArray:
    """York's steps from the slope at a common error ratio to the one at each point's own; fills in `trouble`."""
    slope = _common_ratio_slopes(points, trouble)
    moving = np.flatnonzero(trouble == Trouble.NONE)
    for _ in range(_STEPS):
        if not len(moving):
            return slope
        before = slope[moving]
        weight, u, v, pull, good = _york(before, points.of(moving))
        bottom = _dot(weight * pull, u)
        moved = _dot(weight * pull, v) / bottom
        trouble[moving[~good]] = Trouble.CANCEL
        trouble[moving[good & (bottom == 0)]] = Trouble.OPEN
        slope[moving] = moved
        settled = np.abs(moved - before) <= _SETTLED * (1 + np.abs(before))
        moving = moving[~settled & good & (bottom != 0)]
    trouble[moving] = Trouble.OPEN
    return slope


def _york(
    slope: FloatArray, points: Points
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


def _lines(slope: FloatArray, points: Points, trouble: IntArray) -> Lines:
    weight, u, v, pull, good = _york(slope, points)
    trouble[~good & (trouble == Trouble.NONE)] = Trouble.CANCEL
    share = weight / weight.sum(axis=1, keepdims=True)
    centre = _dot(share, points.x)
    true_x = centre[:, np.newaxis] + pull
    middle = _dot(share, true_x)
    var_slope = 1 / _dot(weight, (true_x - middle[:, np.newaxis]) ** 2)
    return Lines(
        slope=slope, intercept=_dot(share, points.y) - slope * centre, se_slope=np.sqrt(var_slope),
        se_intercept=np.sqrt(1 / weight.sum(axis=1) + middle * middle * var_slope),
        misfit=_dot(weight, (v - slope[:, np.newaxis] * u) ** 2), centre=centre, trouble=trouble,
    )  # fmt: skip


def _common_ratio_slopes(points: Points, trouble: IntArray) -> FloatArray:
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
    trouble[(b < 0) & (a == 0) & (trouble == Trouble.NONE)] = Trouble.UPRIGHT
    slope: FloatArray = np.where(b >= 0, rising, (root - b) / (2 * a))
    return slope


def _dot(first: FloatArray, second: FloatArray) -> FloatArray:
    """(lines,) products of (lines, points) rows, each as for that row alone."""
    product: FloatArray = (first[:, np.newaxis, :] @ second[:, :, np.newaxis])[:, 0, 0]
    return product
