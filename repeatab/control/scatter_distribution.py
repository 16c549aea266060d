"""How an estimated standard deviation scatters about the true one, for normal results.

In: the number of base results or degrees of freedom.  Out: false-alarm rates, factors and quadrature nodes.

The mean moving range of n results has no simple distribution. Its characteristic function follows from n − 1
steps of a transfer integral; rates and density come from it by Fourier inversion (Gil-Pelaez 1951).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray
from repeatab.control.quadrature import legendre

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
    return _MovingRangeRate.up_to(reduced, count)(reduced)


@dataclass(frozen=True, slots=True)
class _MovingRangeRate:
    """P(|new − centre| > reduced × sd) = 2 P(Z / reduced + W < 0), Z normal and W the estimated over the true
    sd.

    A function of the reduced factor, from one transform of W at `u`.
    """

    u: FloatArray
    weighted: FloatArray

    @classmethod
    def up_to(cls, widest: float, count: int) -> _MovingRangeRate:
        upper = 6.5 * widest + 10
        unit, weight = legendre(math.ceil(100 + 2 * upper))
        u = upper / 2 * (unit + 1)
        return cls(u, np.imag(_moving_range_transform(count, u)) * weight * upper / 2 / u)

    def __call__(self, reduced: float) -> float:
        return max(0.0, 1 - 2 / math.pi * float(self.weighted @ np.exp(-0.5 * (self.u / reduced) ** 2)))


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

    widen = math.sqrt(1 + centre_variance)
    found = _MovingRangeRate.up_to(_WIDEST, count)

    def miss(log_factor: float) -> float:
        return math.log(max(found(math.exp(log_factor) / widen), 1e-15) / rate)

    if miss(math.log(_WIDEST)) > 0:
        raise EstimationError(
            f"prediction limits: the moving ranges of {count} base results cannot give limits that "
            f"{rate:.2%} of new "
            "results exceed. Use the standard deviation, or more base results."
        )
    return math.exp(float(brentq(miss, math.log(_NARROWEST), math.log(_WIDEST), xtol=1e-9)))


def ratio_range(*, df: float | None, count: int) -> tuple[float, float]:
    """Return the range outside which estimated over true standard deviation practically never lies.

    Raises
    ------
    EstimationError
        The moving range of fewer than eight results.
    """
    if df is not None:
        from scipy.stats import chi

        return float(chi.ppf(1e-10, df)) / math.sqrt(df), float(chi.isf(1e-10, df)) / math.sqrt(df)
    if count < _LEAST_FOR_DENSITY:
        raise EstimationError(
            f"estimated limits: found {count} base results, expected at least {_LEAST_FOR_DENSITY} for "
            "moving "
            "ranges. Use the standard deviation, or trial prediction limits."
        )
    spread = 0.95 / math.sqrt(count)
    return max(0.02, 1 - 5.5 * spread), 1 + 8 * spread


def ratio_density(ratio: FloatArray, *, df: float | None, count: int) -> FloatArray:
    """Return the density of estimated over true standard deviation at (n,) ratios."""
    if df is None:
        return _moving_range_density(count, ratio)
    from scipy.stats import chi

    return np.asarray(chi.pdf(ratio * math.sqrt(df), df) * math.sqrt(df), dtype=np.float64)


def _moving_range_density(count: int, ratio: FloatArray) -> FloatArray:
    upper = max(80.0, 9 * math.sqrt(count))
    unit, weight = legendre(200)
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
    a = u[:, None] / ((count - 1) * _MEAN_RANGE_OF_TWO)
    # The kernel depends on |x − y| alone: one step is a convolution, done for all u at once.
    size = 2 * x.size
    apart = np.minimum(np.arange(size), size - np.arange(size)) * _STEP
    kernel = np.fft.fft(np.exp(1j * a * apart), axis=1)
    after = np.ones((u.size, x.size), dtype=np.complex128)
    for _ in range(count - 1):
        held = mass * after
        spread = np.fft.ifft(kernel * np.fft.fft(held, n=size, axis=1), axis=1)[:, : x.size]
        after = spread + (_STEP * 1j / 6) * a * held
    found: NDArray[np.complex128] = after @ mass
    return found
