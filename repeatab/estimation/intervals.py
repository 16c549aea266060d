"""Intervals for variances in balanced layouts: combinations of independent mean squares.

In: mean squares, their degrees of freedom and the coefficients of a combination.  Out: limits of variances.

chi-square (exact) for one mean square; modified large-sample for sums (Graybill & Wang 1980, JASA 75,
869-873) and for sums and differences (Ting, Burdick, Graybill, Jeyaratnam & Lu 1990, J. Stat. Comput. Simul.
35, 135-143); generalised pivotal for ratios and other functions (Weerahandi 1993, JASA 88, 899-905; Hamada &
Weerahandi 2000, J. Qual. Technol. 32, 241-253). Formulas as in Burdick & Graybill (1992).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import special

from repeatab.cells import FloatArray


def chi_square_limits(ms: FloatArray, df: float, *, level: float) -> tuple[FloatArray, FloatArray]:
    """Exact limits of a variance whose estimate `ms` has `df` degrees of freedom."""
    tail = (1 - level) / 2
    return ms * df / special.chdtri(df, tail), ms * df / special.chdtri(df, 1 - tail)


def combination_limits(
    coefficients: FloatArray, ms: FloatArray, df: FloatArray, *, level: float
) -> tuple[FloatArray, FloatArray]:
    """Modified large-sample limits of sum_i c_i E(ms_i), not truncated at zero.

    Parameters
    ----------
    coefficients : (rows,) of either sign; ms : (..., rows); df : (rows,).
    level : two-sided confidence.

    Notes
    -----
    The limits meet their defining property: the lower limit of a difference of two mean squares is zero
    exactly where their F ratio stands on its upper tail point.
    """
    tail = (1 - level) / 2
    plus, minus = np.flatnonzero(coefficients > 0), np.flatnonzero(coefficients < 0)
    above = [(coefficients[i] * ms[..., i], float(df[i])) for i in plus]
    below = [(-coefficients[i] * ms[..., i], float(df[i])) for i in minus]
    estimate = _total([x for x, _ in above], ms) - _total([x for x, _ in below], ms)
    lower = estimate - np.sqrt(_variance(above, below, ms, tail))
    upper = estimate + np.sqrt(_variance(below, above, ms, tail))
    return lower, upper


def _total(parts: list[FloatArray], like: FloatArray) -> FloatArray:
    total: FloatArray = sum(parts[1:], start=parts[0]) if parts else np.zeros(like.shape[:-1])
    return total


_Terms = list[tuple[FloatArray, float]]


def _variance(near: _Terms, far: _Terms, ms: FloatArray, tail: float) -> FloatArray:
    """The squared half width on the side on which the `near` terms shrink and the `far` terms grow; a term is its
    values and their degrees of freedom."""
    g = [1 - n / float(special.chdtri(n, tail)) for _, n in near]
    h = [m / float(special.chdtri(m, 1 - tail)) - 1 for _, m in far]
    parts = [(x * w) ** 2 for (x, _), w in zip(near + far, g + h, strict=True)]
    for q, (x, n) in enumerate(near):
        for r, (z, m) in enumerate(far):
            f = float(special.fdtri(n, m, 1 - tail))
            parts.append(((f - 1) ** 2 - g[q] ** 2 * f**2 - h[r] ** 2) / f * x * z)
        if not far:
            # A pure sum: Graybill and Wang's limits have no cross terms among the near ones.
            continue
        for t in range(q + 1, len(near)):
            z, k = near[t]
            both = n + k
            pooled = (1 - both / float(special.chdtri(both, tail))) ** 2 * both**2 / (n * k)
            cross = (pooled - g[q] ** 2 * n / k - g[t] ** 2 * k / n) / (len(near) - 1)
            parts.append(cross * x * z)
    return np.maximum(_total(parts, ms), 0.0)


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
