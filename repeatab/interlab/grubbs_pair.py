"""The distribution of Grubbs' statistic for a pair of extreme values, without simulation and without a table.

In: the number of values p and the statistic U = SS without the two largest (or two smallest) / SS.
Out: P(U < u) for a normal sample, and the critical values that ISO 5725-2 tabulates.

How. Set two of the p values aside and let W be the sum of squares of the other p - 2 about their own mean.
The two values, taken from that mean, have two degrees of freedom: their part of the sum of squares is Q, with
Q/W independent of the direction theta, and P(Q/W > x) = (1 + x)^(-(p-3)/2). U = W / (W + Q). The two are the
largest pair if the smaller exceeds the largest of the others, M sqrt(W) above their mean, M being the
studentised maximum of p - 2 values, independent of W and Q. So
    P(U < u) = C(p, 2) E_theta E_M [(1 + max((1-u)/u, M^2 / g(theta)^2))^(-(p-3)/2)],
with g(theta) the smaller value over sqrt(Q), where positive. The distribution of M follows from that of one
value less (Grubbs 1950, Ann. Math. Stat. 21, 27-58, section 3).
"""

from __future__ import annotations

from functools import cache
from math import comb, lgamma

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray

# Halving both steps moves no critical value up to p = 40 by more than 3e-6.
_GRID = 2401
_ANGLES = 120


@cache
def _largest_of(n: int) -> tuple[FloatArray, FloatArray]:
    """Angles phi and P(sin-scaled studentised maximum of n normal values <= sin phi), n >= 3.

    The maximum is sqrt((n-1)/n) sin(phi) in units of the root sum of squares. In phi the density of one value
    is proportional to cos(phi)^(n-3), which stays finite at n = 3 where the density in sin(phi) does not.
    """
    phi = np.linspace(np.arcsin(1 / (n - 1)), np.pi / 2, _GRID)
    constant = n * np.exp(lgamma((n - 1) / 2) - lgamma((n - 2) / 2)) / np.sqrt(np.pi)
    # The others lie below the maximum: their own studentised maximum, seen from their own mean, is bounded.
    sine = np.minimum(1.0, np.sqrt(n / (n - 2)) * np.tan(np.minimum(phi, 1.5707)))
    density = constant * np.cos(phi) ** (n - 3) * _below(n - 1, sine)
    steps = (density[1:] + density[:-1]) / 2 * np.diff(phi)
    total = np.concatenate([[0.0], np.cumsum(steps)])
    return phi, total / total[-1]


def _below(n: int, sine: FloatArray) -> FloatArray:
    """P(scaled studentised maximum of n values <= sine); for n = 2 it is 1 always."""
    if n == 2:
        return (sine >= 1 - 1e-12).astype(np.float64)
    phi, probability = _largest_of(n)
    return np.interp(np.arcsin(sine), phi, probability, left=0.0, right=1.0)


def pair_probability(u: float, p: int) -> float:
    """P(U < u) for the pair at one end (the largest, or the smallest) of p normal values.

    Raises
    ------
    EstimationError
        Fewer than four values: nothing is left to compare the pair with.
    """
    if p < 4:
        raise EstimationError(
            f"Grubbs' test for a pair: found {p} cell means, expected at least 4; the pair needs two others."
        )
    if u <= 0:
        return 0.0
    if u >= 1:
        return 1.0
    edge = np.arctan(1 / np.sqrt(1 - 2 / p))
    node, weight = np.polynomial.legendre.leggauss(_ANGLES)
    theta = edge * (node + 1) / 2
    g = (np.cos(theta) / np.sqrt(1 - 2 / p) - np.sin(theta)) / np.sqrt(2)
    maximum, mass = _studentised_maximum(p - 2)
    ratio = np.maximum((1 - u) / u, (maximum[None, :] / g[:, None]) ** 2)
    inner = (1 + ratio) ** (-(p - 3) / 2) @ mass
    # Both signs of theta, uniform on the circle: 2 edge / (2 pi) times the mean over (0, edge).
    return float(comb(p, 2) * (edge / np.pi) * np.sum(weight * inner) / 2)


def _studentised_maximum(n: int) -> tuple[FloatArray, FloatArray]:
    """Values of (max - mean) / sqrt(SS) of n normal values and their probabilities."""
    if n == 2:
        return np.array([np.sqrt(0.5)]), np.array([1.0])
    phi, probability = _largest_of(n)
    middle = (phi[1:] + phi[:-1]) / 2
    return np.sqrt((n - 1) / n) * np.sin(middle), np.diff(probability)


@cache
def pair_critical(p: int, *, alpha: float) -> float:
    """Critical value of Grubbs' test for the two largest or the two smallest of p values: small U is
    significant.

    Two-sided over the two ends, as ISO 5725-2:1994 table 5: each end has probability alpha / 2.

    Raises
    ------
    EstimationError
        Fewer than four values.
    """
    from scipy.optimize import brentq

    found: float = brentq(
        lambda u: pair_probability(u, p) - alpha / 2, 1e-12, 1 - 1e-9, xtol=1e-12, rtol=1e-10
    )
    return found
