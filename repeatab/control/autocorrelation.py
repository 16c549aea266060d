"""Whether neighbouring results resemble each other, and what to chart when they do.

In: results in order.  Out: Autocorrelation (test), FirstOrder (model), residuals that the usual charts may
judge.

Limits from moving ranges are far too narrow when neighbours resemble each other: a slow wander of temperature
or of the reference pads then signals as if the rig had changed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray, series

_LEAST = 5
_MOST_EXACT = 400
_STEP = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Autocorrelation:
    """Correlation of neighbours in a series of `count` results.

    lag_one: as estimated, which is about −1/count for independent results.  p: probability of a value as far
    from zero correlation in either direction, were the results independent and normal.
    """

    lag_one: float
    p: float
    count: int

    def __str__(self) -> str:
        return (
            f"correlation of neighbouring results {self.lag_one:.2f} (p = {self.p:.3f}, {self.count} results)"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstOrder:
    """x = centre + carry × (x before − centre) + e, with e normal of standard deviation `step_sd`.

    carry: by exact maximum likelihood, then corrected for its bias in few results.  sd: of the results
    themselves.
    """

    centre: float
    carry: float
    step_sd: float
    count: int

    @property
    def sd(self) -> float:
        """Standard deviation of the results about the centre."""
        return self.step_sd / math.sqrt(1 - self.carry**2)

    def false_alarms_if_ignored(self, *, limit: float = 3.0) -> float:
        """Return the share of points in control beyond limits that came from moving ranges.

        Neighbours that resemble each other have moving ranges too small by √(1 − carry).
        """
        return 2 * float(ndtr(-limit * math.sqrt(1 - self.carry)))

    def residuals(self, values: ArrayLike, *, before: float | None = None) -> FloatArray:
        """Return what each result adds to what the one before made one expect, in units of the results.

        In control these are independent with standard deviation `step_sd`; chart them about zero. `before` is
        the result before the first; without one the first residual is scaled to the same standard deviation.
        A shift of the results shows fully in the first residual only and then as (1 − carry) times the shift.
        """
        x = series(values, what="results", least=0) - self.centre
        if x.size == 0:
            return x
        found = np.empty_like(x)
        found[1:] = x[1:] - self.carry * x[:-1]
        found[0] = (
            x[0] * math.sqrt(1 - self.carry**2)
            if before is None
            else x[0] - self.carry * (before - self.centre)
        )
        return found


def autocorrelation(values: ArrayLike) -> Autocorrelation:
    """Return the lag-one correlation of a series and its p value, exact for few normal results.

    The statistic is a ratio of quadratic forms; its distribution for independent normal results follows by
    Imhof's inversion, or for more than 400 results from its exact mean and variance (Moran 1948).

    Raises
    ------
    InputError, EstimationError
        A value is missing; fewer than five results; no scatter.

    References
    ----------
    Imhof (1961), Biometrika 48, 419-426; Moran (1948), Biometrika 35, 255-260.
    """
    x = series(values, what="autocorrelation", least=_LEAST)
    d = x - x.mean()
    total = float(d @ d)
    if not total > 0:
        raise EstimationError("autocorrelation: all results are equal. Look for rounded or repeated results.")
    lag_one = float(d[1:] @ d[:-1]) / total
    above = _probability_above(lag_one, x.size)
    return Autocorrelation(lag_one=lag_one, p=min(1.0, 2 * min(above, 1 - above)), count=int(x.size))


def first_order(values: ArrayLike) -> FirstOrder:
    """Return the first-order model of a base period, by exact Gaussian likelihood with a bias correction.

    The likelihood estimate of the carry-over is too small by about (1 + 3 carry)/n; it is corrected and kept
    below 0.99.

    Raises
    ------
    InputError, EstimationError
        A value is missing; fewer than five results; no scatter.

    References
    ----------
    Marriott & Pope (1954), Biometrika 41, 390-402 (bias); Alwan & Roberts (1988), J. Business & Economic
    Statistics 6, 87-95 (charting residuals).
    """
    x = series(values, what="first-order model", least=_LEAST)
    if not float(np.ptp(x)) > 0:
        raise EstimationError(
            "first-order model: all results are equal. Look for rounded or repeated results."
        )
    carry = _likeliest_carry(x)
    corrected = float(np.clip(carry + (1 + 3 * carry) / x.size, -0.99, 0.99))
    centre, sum_of_squares = _profile(x, corrected)
    return FirstOrder(
        centre=centre, carry=corrected, step_sd=math.sqrt(sum_of_squares / (x.size - 2)), count=int(x.size)
    )


def _likeliest_carry(x: FloatArray) -> float:
    from scipy.optimize import minimize_scalar

    def loss(carry: float) -> float:
        return x.size * math.log(_profile(x, carry)[1]) - math.log1p(-carry * carry)

    return float(minimize_scalar(loss, bounds=(-0.999, 0.999), method="bounded", options={"xatol": 1e-10}).x)


def _profile(x: FloatArray, carry: float) -> tuple[float, float]:
    """Return the best centre for a carry-over, and the sum of squares of the residuals about it."""
    first = math.sqrt(1 - carry * carry)
    y = np.concatenate([[first * x[0]], x[1:] - carry * x[:-1]])
    ones = np.concatenate([[first], np.full(x.size - 1, 1 - carry)])
    centre = float(ones @ y / (ones @ ones))
    rest = y - centre * ones
    return centre, float(rest @ rest)


def _probability_above(lag_one: float, n: int) -> float:
    """P(r > lag_one) for n independent normal results."""
    from scipy.stats import norm

    if n > _MOST_EXACT:
        sd = (n - 2) / (n * math.sqrt(n - 1))
        return float(norm.sf((lag_one + 1 / n) / sd))
    return positive_probability(_neighbour_weights(n) - lag_one)


@cache
def _neighbour_weights(n: int) -> FloatArray:
    """Eigenvalues of Σ d_i d_(i+1) for n results less their mean, without that of the mean's direction."""
    form = np.zeros((n, n))
    form[np.arange(n - 1), np.arange(1, n)] = form[np.arange(1, n), np.arange(n - 1)] = 0.5
    # The centring matrix on both sides, without multiplying matrices: rows and columns less their means.
    centred = form - form.mean(axis=0)[None, :]
    centred -= centred.mean(axis=1)[:, None]
    weights = np.linalg.eigvalsh((centred + centred.T) / 2)
    found: FloatArray = np.delete(weights, int(np.argmin(np.abs(weights))))
    found.flags.writeable = False
    return found


def positive_probability(weights: FloatArray) -> float:
    """Return P(Σ weight × χ²₁ > 0) for independent chi-squares, by Imhof's inversion formula.

    On the logarithmic scale the integrand is smooth, falls like u at the left and like u^(−n/2) at the right, so that
    sums at equal steps converge faster than any power: a step of 0.1 leaves less than 1e-10.
    """
    scaled = weights / np.abs(weights).max()
    u = np.exp(np.arange(-30.0, 120.0 / max(1, scaled.size) + 10, _STEP))
    angle, damping = np.zeros(u.size), np.zeros(u.size)
    for part in np.array_split(scaled, max(1, scaled.size // 64)):
        x = np.multiply.outer(u, part)
        angle += 0.5 * np.arctan(x).sum(axis=1)
        damping += 0.25 * np.log1p(x**2).sum(axis=1)
    integral = _STEP * float((np.sin(angle) * np.exp(-damping)).sum())
    return min(1.0, max(0.0, 0.5 + integral / math.pi))
