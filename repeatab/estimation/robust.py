"""Robust means and standard deviations: Algorithm A, Algorithm S and the simple starts of ISO 13528.

In: values, or standard deviations.  Out: numbers that a few wild values cannot move far.
Not here: the Q method and Hampel's mean (q_hampel).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy import special

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray

_MOST_STEPS = 100_000
# Plain steps between two leaps; most samples settle before the first leap.
_LEAP_EVERY = 40


class StopRule(Enum):
    """When an iteration ends.

    THIRD_FIGURE : the standards' rule for work by hand: no change in the third significant figure of the
        standard deviation and in the equivalent figure of the mean.
    FIXED_POINT : on to the point where nothing changes at all, which fulfils the rule at any number of
        figures and does not depend on where the iteration began.
    """

    THIRD_FIGURE = "third significant figure"
    FIXED_POINT = "fixed point"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlgorithmA:
    """Robust mean x* and standard deviation s* of ISO 13528 (ISO 5725-5), with the iterations it took."""

    mean: float
    sd: float
    iterations: int

    def __str__(self) -> str:
        return f"robust mean {self.mean:.6g}, robust SD {self.sd:.4g} ({self.iterations} iterations)"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlgorithmS:
    """Robust pooled standard deviation w* with the limit factor eta and the adjustment factor xi that were
    used.
    """

    sd: float
    eta: float
    xi: float
    iterations: int


def checked_values(values: Sequence[float] | FloatArray, *, least: int, what: str) -> FloatArray:
    """The values as a flat array; EstimationError for fewer than `least` or one that is not finite."""
    found = np.asarray(values, dtype=np.float64).ravel()
    if found.size < least:
        raise EstimationError(f"{what}: found {found.size} values, expected at least {least}.")
    if not np.all(np.isfinite(found)):
        bad = int(np.flatnonzero(~np.isfinite(found))[0]) + 1
        raise EstimationError(
            f"{what}: value {bad} of {found.size} is {found[bad - 1]}, expected a finite number. "
            "Leave it out with a reason."
        )
    return found


def scaled_mad(values: Sequence[float] | FloatArray) -> float:
    """MADe = 1.483 median |x - median x|; 0 where more than half of the values are equal.

    References
    ----------
    ISO 13528:2022, C.2.2.
    """
    x = checked_values(values, least=1, what="scaled median absolute deviation")
    return float(1.483 * np.median(np.abs(x - np.median(x))))


def normalised_iqr(values: Sequence[float] | FloatArray) -> float:
    """nIQR = 0.7413 (Q3 - Q1), quartiles by linear interpolation between order statistics.

    References
    ----------
    ISO 13528:2022, C.2.3 (which leaves the definition of the quartiles open).
    """
    x = checked_values(values, least=2, what="normalised interquartile range")
    low, high = np.quantile(x, [0.25, 0.75])
    return float(0.7413 * (high - low))


def _start(x: FloatArray) -> float:
    """A first s* that is zero only where all values are equal: ties can make MADe, and even nIQR, zero."""
    mean_deviation = math.sqrt(math.pi / 2) * float(np.mean(np.abs(x - np.median(x))))
    return scaled_mad(x) or normalised_iqr(x) or mean_deviation


def algorithm_a(values: Sequence[float] | FloatArray, *, stop: StopRule = StopRule.FIXED_POINT) -> AlgorithmA:
    """Robust mean and standard deviation by Algorithm A.

    Start: median and MADe. Each step draws values beyond x* ± 1.5 s* to these limits, then takes x* as their
    mean and s* as 1.134 times their standard deviation. Breakdown near 25 % of wild values on one side.

    Parameters
    ----------
    values : at least three, in any order.
    stop : see StopRule. Where most values are equal the iteration goes to s* = 0, and 0 is given.

    Raises
    ------
    EstimationError
        Fewer than three values, or one that is not finite.

    References
    ----------
    ISO 13528:2022, C.3.1; ISO 5725-5:1998, 6.2.
    """
    x = checked_values(values, least=3, what="Algorithm A")
    # About the median, so that a large common part (a torque of 900 N m with 0.1 N m scatter) costs no
    # digits.
    offset = float(np.median(x))
    x = x - offset
    mean, sd = 0.0, _start(x)
    floor = 1e-13 * float(np.max(np.abs(x)))
    for iteration in range(1, _MOST_STEPS):
        if sd <= floor:
            return AlgorithmA(mean=offset + mean, sd=0.0, iterations=iteration - 1)
        drawn = np.clip(x, mean - 1.5 * sd, mean + 1.5 * sd)
        latest = float(drawn.mean()), 1.134 * float(drawn.std(ddof=1))
        if _settled((mean, sd), latest, stop, offset=offset):
            return AlgorithmA(mean=offset + latest[0], sd=latest[1], iterations=iteration)
        mean, sd = latest if iteration % _LEAP_EVERY else _leap(x, *latest)
    raise AssertionError("Algorithm A did not settle")  # a leap ends every slow stretch: a defect of ours


def _leap(x: FloatArray, mean: float, sd: float) -> tuple[float, float]:
    """Go at once where plain steps of Algorithm A creep, which they do where about a quarter lies beyond.

    While the same values stay inside the limits, x* = m + d s* with m their mean, and s*^2 solves a linear
    equation: its solution is the fixed point unless a limit passes a value on the way there; then the leap
    ends at that value.
    """
    outside = np.abs(x - mean) > 1.5 * sd
    inner = x[~outside]
    if not outside.any() or inner.size == 0:
        return mean, sd
    m = float(inner.mean())
    d = 1.5 * float(np.sum(np.sign(x - mean)[outside])) / inner.size
    if abs(d) >= 1.5:
        return mean, sd
    room = (x.size - 1) / 1.134**2 - 2.25 * float(np.count_nonzero(outside)) - inner.size * d**2
    target = math.sqrt(float(np.sum((inner - m) ** 2)) / room) if room > 0 else math.inf
    # The standard deviation at which each value lies on a limit.
    limit = np.where(x > m, (x - m) / (1.5 + d), (m - x) / (1.5 - d))
    sd = _bounded(target, float(limit[~outside].max()), float(limit[outside].min()))
    return m + d * sd, sd


def _bounded(target: float, low: float, high: float) -> float:
    """The target, or a hair beyond the bound that lies before it."""
    if target > high:
        return high * (1 + 1e-12)
    return low * (1 - 1e-12) if target < low else target


def _settled(
    before: tuple[float, float], after: tuple[float, float], stop: StopRule, *, offset: float
) -> bool:
    if stop is StopRule.FIXED_POINT:
        return max(abs(after[0] - before[0]), abs(after[1] - before[1])) <= 1e-13 * after[1]
    if after[1] <= 0:
        return True
    # Rounded to the decimal place of the third significant figure of s*, mean and s* both stay as they are.
    place = 2 - math.floor(math.log10(after[1]))
    same_mean = round(offset + after[0], place) == round(offset + before[0], place)
    return same_mean and round(after[1], place) == round(before[1], place)


def algorithm_s_factors(df: float) -> tuple[float, float]:
    """Limit factor eta and adjustment factor xi of Algorithm S for standard deviations with `df` degrees
    of freedom.

    eta^2 = chi2_0.90(df)/df: a normal sample's SD exceeds eta sigma with probability 0.10.
    xi^-2 = P(chi2(df + 2) < df eta^2) + 0.10 eta^2: makes the drawn-in mean square unbiased.

    Raises
    ------
    EstimationError
        df not positive.

    References
    ----------
    ISO 5725-5:1998, 6.3 and its table of factors; ISO 13528:2022, C.4.
    """
    if not df > 0:
        raise EstimationError(f"Algorithm S: found {df} degrees of freedom, expected a positive number.")
    eta2 = float(special.chdtri(df, 0.1)) / df
    xi = 1 / math.sqrt(float(special.chdtr(df + 2, df * eta2)) + 0.1 * eta2)
    return math.sqrt(eta2), xi


def algorithm_s(
    sds: Sequence[float] | FloatArray, df: float, *, stop: StopRule = StopRule.FIXED_POINT
) -> AlgorithmS:
    """Robust pooled value of standard deviations (or of ranges of two, df = 1) by Algorithm S.

    Start: the median. Each step draws values above eta w* to that limit and takes w* as xi times their root
    mean square.

    Parameters
    ----------
    sds : (p,) standard deviations, none negative, all with the same number of degrees of freedom.
    df : that number.

    Raises
    ------
    EstimationError
        No value, a negative or non-finite one, or df not positive.

    References
    ----------
    ISO 13528:2022, C.4; ISO 5725-5:1998, 6.3.
    """
    w = checked_values(sds, least=1, what="Algorithm S")
    if np.any(w < 0):
        raise EstimationError(
            f"Algorithm S: found a standard deviation of {w.min():g}, which cannot be negative."
        )
    eta, xi = algorithm_s_factors(df)
    # More than half of the cells without scatter: the median says nothing, the root mean square still does.
    pooled = float(np.median(w)) or math.sqrt(float(np.mean(w**2)))
    floor = 1e-13 * float(w.max())
    for iteration in range(1, _MOST_STEPS):
        if pooled <= floor:
            return AlgorithmS(sd=0.0, eta=eta, xi=xi, iterations=iteration - 1)
        latest = xi * math.sqrt(float(np.mean(np.minimum(w, eta * pooled) ** 2)))
        if _settled((0.0, pooled), (0.0, latest), stop, offset=0.0):
            return AlgorithmS(sd=latest, eta=eta, xi=xi, iterations=iteration)
        pooled = latest if iteration % _LEAP_EVERY else _leap_pooled(w, latest, eta, xi)
    raise AssertionError("Algorithm S did not settle")  # a leap ends every slow stretch: a defect of ours


def _leap_pooled(w: FloatArray, pooled: float, eta: float, xi: float) -> float:
    """As `_leap`, for Algorithm S: w*^2 solves a linear equation while the same values lie above the
    limit."""
    above = w > eta * pooled
    if not above.any() or above.all():
        return pooled
    room = w.size / xi**2 - float(np.count_nonzero(above)) * eta**2
    target = math.sqrt(float(np.sum(w[~above] ** 2)) / room) if room > 0 else math.inf
    return _bounded(target, float(w[~above].max()) / eta, float(w[above].min()) / eta)
