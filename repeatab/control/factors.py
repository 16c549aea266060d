"""Factors of the mean, range and standard-deviation charts, from their definitions.

In: the number of results per subgroup.  Out: the factors by their usual names.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.quadrature import legendre

_NODES = 240
_STEP = 1 / 32


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartFactors:
    """Chart factors for subgroups of `n` normal results, three-sigma limits; names as in ISO 7870-2.

    c4: mean of the standard deviation over σ.  d2, d3: mean and standard deviation of the range over σ.
    Limits of the mean: A σ, A2 × mean range, A3 × mean standard deviation about the centre.
    Limits of the standard deviation: B3, B4 × its mean; B5, B6 × σ.  Of the range: D3, D4 × its mean; D1, D2
    × σ. E2 × mean (moving) range: limits of single results.
    """

    n: int
    c4: float
    d2: float
    d3: float
    A: float
    A2: float
    A3: float
    B3: float
    B4: float
    B5: float
    B6: float
    D1: float
    D2: float
    D3: float
    D4: float
    E2: float


def chart_factors(n: int) -> ChartFactors:
    """Return the chart factors for subgroups of `n` results, n ≥ 2 (no upper end), good to about 1e-10.

    Raises
    ------
    EstimationError
        `n` is not a whole number of at least 2.

    References
    ----------
    ISO 7870-2:2013, table 2; Tippett (1925), Biometrika 17, 364-387 (distribution of the range).
    """
    if isinstance(n, bool) or int(n) != n or n < 2:
        raise EstimationError(f"chart factors: found n = {n}, expected a whole number of at least 2 results.")
    n = int(n)
    c4 = sd_bias(n - 1)
    d2, d3 = range_moments(n)
    spread = math.sqrt(1 - c4 * c4)
    root = math.sqrt(n)
    return ChartFactors(
        n=n, c4=c4, d2=d2, d3=d3,
        A=3 / root, A2=3 / (d2 * root), A3=3 / (c4 * root),
        B3=max(0.0, 1 - 3 * spread / c4), B4=1 + 3 * spread / c4,
        B5=max(0.0, c4 - 3 * spread), B6=c4 + 3 * spread,
        D1=max(0.0, d2 - 3 * d3), D2=d2 + 3 * d3,
        D3=max(0.0, 1 - 3 * d3 / d2), D4=1 + 3 * d3 / d2,
        E2=3 / d2,
    )  # fmt: skip


def sd_bias(df: float) -> float:
    """Return the mean of a standard deviation with `df` degrees of freedom, divided by σ (c4 of n = df +
    1).
    """
    return math.sqrt(2 / df) * math.exp(float(gammaln((df + 1) / 2) - gammaln(df / 2)))


def range_moments(n: int) -> tuple[float, float]:
    """Return mean and standard deviation of the range of `n` standard normal values.

    E R = ∫ P(R > r) dr and E R² = ∫ 2 r P(R > r) dr, with P(R ≤ r) = n ∫ φ(x) [Φ(x + r) − Φ(x)]ⁿ⁻¹ dx: the
    inner integrand is analytic and vanishes at both ends, where equal steps converge faster than any power.
    """
    edge = math.sqrt(2 * math.log(n)) + 8
    nodes, weights = legendre(_NODES)
    r, w = edge * (nodes + 1), edge * weights
    x = np.arange(-edge, 9.0, _STEP)
    density = np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi)
    inside = ndtr(x[None, :] + r[:, None]) - ndtr(x)[None, :]
    beyond = 1 - n * _STEP * (inside ** (n - 1) @ density)
    mean = float(w @ beyond)
    square = float(w @ (2 * r * beyond))
    return mean, math.sqrt(square - mean * mean)
