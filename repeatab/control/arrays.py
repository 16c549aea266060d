"""The arrays that flow through the charts, checked once at the door.

In: anything array-like.  Out: one-dimensional (or points × coordinates) arrays of finite numbers.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from repeatab.base.errors import EstimationError, InputError

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]


def series(values: ArrayLike, *, what: str, least: int = 1) -> FloatArray:
    """Return `values` as a one-dimensional array of at least `least` finite numbers.

    Raises
    ------
    InputError
        Not one-dimensional, or a value is missing or infinite.
    EstimationError
        Fewer than `least` values.
    """
    found = np.asarray(values, dtype=np.float64)
    if found.ndim != 1:
        raise InputError(f"{what}: found an array of {found.ndim} dimensions, expected one value per point.")
    _refuse_gaps(found, what)
    if found.size < least:
        raise EstimationError(f"{what}: found {found.size} values, expected at least {least}.")
    return found


def points_by_coordinate(values: ArrayLike, *, what: str, least: int = 1) -> FloatArray:
    """Return `values` as an array (points, coordinates) of finite numbers, with at least `least` points."""
    found = np.asarray(values, dtype=np.float64)
    if found.ndim != 2 or found.shape[1] == 0:
        raise InputError(
            f"{what}: found shape {found.shape}, expected one row per point and one column per section."
        )
    _refuse_gaps(found, what)
    if found.shape[0] < least:
        raise EstimationError(f"{what}: found {found.shape[0]} points, expected at least {least}.")
    return found


def _refuse_gaps(found: FloatArray, what: str) -> None:
    bad = np.argwhere(~np.isfinite(found))
    if bad.size:
        place = ", ".join(str(int(i) + 1) for i in bad[0])
        raise InputError(
            f"{what}, point {place}: found {found[tuple(bad[0])]}, expected a finite number. "
            "Leave a rejected result out before charting, with its reason."
        )
