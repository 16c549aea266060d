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
    used = coefficients != 0
    c, s, n = coefficients[used], ms[..., used], df[used]
    estimate = s @ c
    plus, minus = c > 0, c < 0
    terms = np.abs(c) * s
    lower = estimate - np.sqrt(_variance(terms[..., plus], n[plus], terms[..., minus], n[minus], tail))
    upper = estimate + np.sqrt(_variance(terms[..., minus], n[minus], terms[..., plus], n[plus], tail))
    return lower, upper


def _variance(near: FloatArray, n: FloatArray, far: FloatArray, m: FloatArray, tail: float) -> FloatArray:
    """The squared half width on the side on which the `near` terms shrink and the `far` terms grow."""
    g = 1 - n / special.chdtri(n, tail)
    h = m / special.chdtri(m, 1 - tail) - 1
    total = (near**2) @ g**2 + (far**2) @ h**2
    for q in range(len(n)):
        for r in range(len(m)):
            f = special.fdtri(n[q], m[r], 1 - tail)
            cross = ((f - 1) ** 2 - g[q] ** 2 * f**2 - h[r] ** 2) / f
            total = total + cross * near[..., q] * far[..., r]
        if len(m) == 0:
            # A pure sum: Graybill and Wang's limits have no cross terms among the near ones.
            continue
        for t in range(q + 1, len(n)):
            both = n[q] + n[t]
            pooled = (1 - both / special.chdtri(both, tail)) ** 2 * both**2 / (n[q] * n[t])
            cross = (pooled - g[q] ** 2 * n[q] / n[t] - g[t] ** 2 * n[t] / n[q]) / (len(n) - 1)
            total = total + cross * near[..., q] * near[..., t]
    return np.maximum(total, 0.0)


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
