"""How an estimated standard deviation scatters about the true one, for normal results.

In: the number of base results or degrees of freedom.  Out: false-alarm rates, factors and quadrature nodes.

The mean moving range of n results has no simple distribution. Its characteristic function follows from n − 1
steps of a transfer integral; rates and density come from it by Fourier inversion (Gil-Pelaez 1951).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray

_EDGE, _STEP = 7.5, 0.05
_LEAST_FOR_DENSITY = 8
# Factors outside are never limits, and beyond the widest the inversion loses its digits.
_NARROWEST, _WIDEST = 0.05, 16.0
_MEAN_RANGE_OF_TWO = 2 / math.sqrt(math.pi)


def rate_beyond(factor: float, *, df: float | None, count: int, centre_variance: float) -> float:
    """Return the probability that a new result lies more than `factor` estimated standard deviations from the
    estimated centre, averaged over base periods.

    Parameters
    ----------
    df : degrees of freedom of the standard deviation; None for the mean moving range of `count` results.
    centre_variance : variance of the centre over that of a result (1/count for the mean).
    """
    from scipy.stats import t

    reduced = factor / math.sqrt(1 + centre_variance)
    if df is not None:
        return float(2 * t.sf(reduced, df))
    # P(|new − centre| > factor × sd) = 2 P(Z / reduced + W < 0) with W the estimated over the true sd.
    upper = 6.5 * reduced + 10
    unit, weight = np.polynomial.legendre.leggauss(160)
    u, w = upper / 2 * (unit + 1), upper / 2 * weight
    turned = np.imag(_moving_range_transform(count, u)) * np.exp(-0.5 * (u / reduced) ** 2) / u
    return max(0.0, 1 - 2 / math.pi * float(w @ turned))


def prediction_factor(rate: float, *, df: float | None, count: int, centre_variance: float) -> float:
    """Return the factor for which `rate_beyond` is `rate`.

    Exact for mean and standard deviation (Student) and for mean and moving range (found by inversion).

    Raises
    ------
    EstimationError
        So few results that their moving range cannot give so small a rate.
    """
    from scipy.optimize import brentq
    from scipy.stats import t

    if df is not None:
        return float(t.isf(rate / 2, df)) * math.sqrt(1 + centre_variance)

    def miss(log_factor: float) -> float:
        found = rate_beyond(math.exp(log_factor), df=None, count=count, centre_variance=centre_variance)
        return math.log(max(found, 1e-15) / rate)

    if miss(math.log(_WIDEST)) > 0:
        raise EstimationError(
            f"prediction limits: the moving ranges of {count} base results cannot give limits that "
            f"{rate:.2%} of new "
            "results exceed. Use the standard deviation, or more base results."
        )
    return math.exp(float(brentq(miss, math.log(_NARROWEST), math.log(_WIDEST), xtol=1e-9)))


def ratio_nodes(*, df: float | None, count: int, nodes: int) -> tuple[FloatArray, FloatArray]:
    """Return (nodes,) values of estimated over true standard deviation, and their probabilities.

    Raises
    ------
    EstimationError
        The moving range of fewer than eight results.
    """
    unit, weight = np.polynomial.legendre.leggauss(nodes)
    if df is not None:
        from scipy.stats import chi

        low, high = chi.ppf(1e-10, df) / math.sqrt(df), chi.isf(1e-10, df) / math.sqrt(df)
        ratio = (low + high) / 2 + (high - low) / 2 * unit
        density = chi.pdf(ratio * math.sqrt(df), df) * math.sqrt(df)
    else:
        if count < _LEAST_FOR_DENSITY:
            raise EstimationError(
                f"estimated limits: found {count} base results, expected at least {_LEAST_FOR_DENSITY} for "
                "moving "
                "ranges. Use the standard deviation, or trial prediction limits."
            )
        spread = 0.95 / math.sqrt(count)
        low, high = max(0.02, 1 - 5.5 * spread), 1 + 8 * spread
        ratio = (low + high) / 2 + (high - low) / 2 * unit
        density = _moving_range_density(count, ratio)
    probability = density * weight * (high - low) / 2
    return ratio, probability / probability.sum()


def _moving_range_density(count: int, ratio: FloatArray) -> FloatArray:
    upper = max(80.0, 9 * math.sqrt(count))
    unit, weight = np.polynomial.legendre.leggauss(200)
    u, w = upper / 2 * (unit + 1), upper / 2 * weight
    transform = _moving_range_transform(count, u)
    turned = np.exp(-1j * ratio[:, None] * u[None, :]) @ (transform * w)
    density: FloatArray = np.maximum(0.0, np.real(turned) / math.pi)
    return density


def _moving_range_transform(count: int, u: FloatArray) -> NDArray[np.complex128]:
    """Characteristic function of the mean moving range of `count` standard normal values over its mean.

    The kernel exp(i a |x − y|) has a kink at y = x, always on a node, so that equal steps need only the one
    correction term of the Euler-Maclaurin sum to reach the fourth order in the step.
    """
    x = np.arange(-_EDGE, _EDGE + _STEP / 2, _STEP)
    mass = _STEP * np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi)
    apart = np.abs(np.subtract.outer(np.arange(x.size), np.arange(x.size)))
    distances = _STEP * np.arange(x.size)
    found = np.empty(u.size, dtype=np.complex128)
    for k, value in enumerate(u):
        a = value / ((count - 1) * _MEAN_RANGE_OF_TWO)
        kernel = np.exp(1j * a * distances)[apart]
        after = np.ones(x.size, dtype=np.complex128)
        for _ in range(count - 1):
            held = mass * after
            after = kernel @ held + (_STEP * 1j * a / 6) * held
        found[k] = mass @ after
    return found
