"""Intervals for variances in balanced layouts: combinations of independent mean squares.

In: mean squares, their degrees of freedom and the coefficients of a combination.  Out: limits of variances.

chi-square (exact) for one mean square; modified large-sample for sums (Graybill & Wang 1980, JASA 75,
869-873) and for sums and differences (Ting, Burdick, Graybill, Jeyaratnam & Lu 1990, J. Stat. Comput. Simul.
35, 135-143); generalised pivotal for ratios and other functions (Weerahandi 1993, JASA 88, 899-905; Hamada &
Weerahandi 2000, J. Qual. Technol. 32, 241-253). Formulas as in Burdick & Graybill (1992).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special

from repeatab.cells import FloatArray


# Tail points by degrees of freedom, as in a printed table: groups and repeated fits of one layout ask for the same few.
@lru_cache(maxsize=4096)
def _chi_square_point(df: float, tail: float) -> float:
    return float(special.chdtri(df, tail))


@lru_cache(maxsize=4096)
def _f_point(df: float, denominator_df: float, probability: float) -> float:
    return float(special.fdtri(df, denominator_df, probability))


def chi_square_limits(ms: FloatArray, df: float, *, level: float) -> tuple[FloatArray, FloatArray]:
    """Exact limits of a variance whose estimate `ms` has `df` degrees of freedom."""
    tail = (1 - level) / 2
    return ms * (df / _chi_square_point(df, tail)), ms * (df / _chi_square_point(df, 1 - tail))


def combination_limits(
    coefficients: FloatArray, ms: FloatArray, df: FloatArray, *, level: float
) -> tuple[FloatArray, FloatArray]:
    """Modified large-sample limits of sum_i c_i E(ms_i), not truncated at zero.

    Parameters
    ----------
    coefficients : (rows,) of either sign, or (combinations, rows); ms : (..., rows); df : (rows,).
    level : two-sided confidence.

    Returns
    -------
    lower, upper : (...,), or (..., combinations).

    Notes
    -----
    The limits meet their defining property: the lower limit of a difference of two mean squares is zero
    exactly where their F ratio stands on its upper tail point.
    """
    wanted = np.atleast_2d(coefficients)
    widths = half_widths(wanted, df, level=level)
    across = np.ascontiguousarray(ms.T)
    estimate, (below, above) = wanted @ across, widths.of(across)
    lower, upper = (estimate - below).T, (estimate + above).T
    return (lower, upper) if coefficients.ndim == 2 else (lower[..., 0], upper[..., 0])


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfWidths:
    """Squared half widths as sums of products of mean squares. first, second : (products,) the rows multiplied;
    below, above : (combinations, products) what each product is multiplied with."""

    first: list[int]
    second: list[int]
    below: FloatArray
    above: FloatArray

    def of(self, across: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Below and above, (combinations, ...), from mean squares (rows, ...)."""
        products = self._products(across)
        return _root(self.below @ products), _root(self.above @ products)

    def above_one(self, k: int, across: FloatArray) -> FloatArray:
        """(...) above, for one of the combinations."""
        return _root(self.above[k] @ self._products(across))

    def _products(self, across: FloatArray) -> FloatArray:
        return across[self.first] * across[self.second]


def _root(squared: FloatArray) -> FloatArray:
    return np.sqrt(np.maximum(squared, 0.0))


def half_widths(coefficients: FloatArray, df: FloatArray, *, level: float) -> HalfWidths:
    """The half widths of (combinations, rows) of either sign."""
    tail = (1 - level) / 2
    free = df.tolist()
    points = _Points(
        tail=tail, df=free, shrinks=[1 - n / _chi_square_point(n, tail) for n in free],
        grows=[n / _chi_square_point(n, 1 - tail) - 1 for n in free],
    )  # fmt: skip
    pairs = [(i, j) for i in range(len(df)) for j in range(i, len(df))]
    place = {pair: at for at, pair in enumerate(pairs)}
    place |= {(j, i): at for (i, j), at in place.items()}
    below, above = [], []
    for row in coefficients.tolist():
        plus = [(i, c) for i, c in enumerate(row) if c > 0]
        minus = [(i, -c) for i, c in enumerate(row) if c < 0]
        below.append(_weights(plus, minus, points, place))
        above.append(_weights(minus, plus, points, place))
    first, second = zip(*pairs, strict=True)
    return HalfWidths(first=list(first), second=list(second), below=np.array(below), above=np.array(above))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Points:
    """The parts by which the mean squares of each row shrink and grow at the tail points of their chi-squares."""

    tail: float
    df: list[float]
    shrinks: list[float]
    grows: list[float]


_Terms = list[tuple[int, float]]


def _weights(near: _Terms, far: _Terms, points: _Points, place: dict[tuple[int, int], int]) -> list[float]:
    """The squared half width of one combination on the side on which the `near` rows shrink and the `far` rows grow: a
    number for each two rows, put where `place` says."""
    df, g, h = points.df, points.shrinks, points.grows
    weights = [0.0] * (len(df) * (len(df) + 1) // 2)
    for j, c in far:
        weights[place[j, j]] = (c * h[j]) ** 2
    for at, (i, c) in enumerate(near):
        weights[place[i, i]] = (c * g[i]) ** 2
        n = df[i]
        for j, other in far:
            f = _f_point(n, df[j], 1 - points.tail)
            weights[place[i, j]] = ((f - 1) ** 2 - g[i] ** 2 * f**2 - h[j] ** 2) / f * c * other
        if not far:
            # A pure sum: Graybill and Wang's limits have no cross terms among the near ones.
            continue
        for t, other in near[at + 1 :]:
            k = df[t]
            both = n + k
            pooled = (1 - both / _chi_square_point(both, points.tail)) ** 2 * both**2 / (n * k)
            cross = (pooled - g[i] ** 2 * n / k - g[t] ** 2 * k / n) / (len(near) - 1)
            weights[place[i, t]] = cross * c * other
    return weights


def generalised_limits(
    function: Callable[[FloatArray], FloatArray],
    ms: FloatArray,
    df: FloatArray,
    *,
    level: float,
    draws: int,
    rng: np.random.Generator,
) -> tuple[float, float]:
    """Generalised pivotal limits of a function of expected mean squares.

    Parameters
    ----------
    function : maps (draws, rows) of expected mean squares to (draws,) values.
    ms, df : (rows,) observed mean squares and their degrees of freedom.
    draws, rng : size and generator of the chi-square draws.
    """
    pivots = ms * df / rng.chisquare(df, size=(draws, len(df)))
    low, high = np.quantile(function(pivots), [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)
