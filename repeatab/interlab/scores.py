"""Performance scores of participants, the assigned value behind them, and what a score means.

In: results, assigned value and their uncertainties.  Out: scores, as arrays of the same shape as the results.
Not here: homogeneity and stability of what was sent round (homogeneity), wear of travelling sets (drift).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray

_NEGLIGIBLE_SHARE = 0.3


class Signal(Enum):
    """What a score says; the words are those of ISO 13528, 9.4."""

    ACCEPTABLE = "acceptable"
    WARNING = "warning signal"
    ACTION = "action signal"


class AssignedBasis(Enum):
    """Where an assigned value comes from."""

    ROBUST_CONSENSUS = "robust consensus of the participants"
    WEIGHTED_CONSENSUS = "weighted consensus of the participants"
    REFERENCE_LABORATORY = "reference laboratory"
    STATED = "stated value"


@dataclass(frozen=True, slots=True, kw_only=True)
class AssignedValue:
    """The value that results are compared with, its standard uncertainty and where it comes from."""

    value: float
    standard_uncertainty: float
    basis: AssignedBasis


def robust_assigned_value(mean: float, sd: float, laboratories: int) -> AssignedValue:
    """Assigned value from a robust mean: u(x_pt) = 1.25 s* / sqrt(p).

    Raises
    ------
    EstimationError
        No laboratory, or a negative or non-finite standard deviation.

    References ---------- ISO 13528:2022, 7.7.3. The factor 1.25 is the standard error of a median over that
    of a mean, so on the safe side.
    """
    if laboratories < 1 or not (math.isfinite(sd) and sd >= 0):
        raise EstimationError(
            f"assigned value: found s* = {sd} from {laboratories} laboratories, expected s* >= 0 "
            "from at least one."
        )
    return AssignedValue(
        value=mean,
        standard_uncertainty=1.25 * sd / math.sqrt(laboratories),
        basis=AssignedBasis.ROBUST_CONSENSUS,
    )


def _positive(value: float, name: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise EstimationError(
            f"{name}: found {value}, expected a positive number. The standard deviation for "
            "proficiency assessment is "
            "the organiser's decision."
        )
    return value


def _uncertainty(value: FloatArray | float, name: str) -> FloatArray:
    found = np.asarray(value, dtype=np.float64)
    if np.any(found < 0):
        raise EstimationError(
            f"{name}: found {float(found.min()):g}, expected an uncertainty of at least zero."
        )
    return found


def _ratio(difference: FloatArray, combined: FloatArray, name: str) -> FloatArray:
    if np.any(combined == 0):
        raise EstimationError(f"{name} score: both uncertainties are zero, so the score is not defined.")
    return np.asarray(difference / combined, dtype=np.float64)


def negligible_beside(u_pt: float, sigma_pt: float) -> bool:
    """Whether u(x_pt) < 0.3 sigma_pt, so that z needs no correction (ISO 13528:2022, 9.2.1).

    Raises
    ------
    EstimationError
        sigma_pt not positive.
    """
    return u_pt < _NEGLIGIBLE_SHARE * _positive(sigma_pt, "sigma_pt")


def z_score(x: FloatArray, x_pt: float, sigma_pt: float) -> FloatArray:
    """z = (x - x_pt) / sigma_pt.

    Parameters
    ----------
    x : results of the participants, any shape; NaN stays NaN.

    Raises
    ------
    EstimationError
        sigma_pt not positive.

    References
    ----------
    ISO 13528:2022, 9.4.
    """
    return np.asarray((np.asarray(x) - x_pt) / _positive(sigma_pt, "sigma_pt"), dtype=np.float64)


def z_prime_score(x: FloatArray, x_pt: float, sigma_pt: float, u_pt: FloatArray | float) -> FloatArray:
    """z' = (x - x_pt) / sqrt(sigma_pt^2 + u(x_pt)^2); `u_pt` may differ per participant (drift of
    travelling sets).

    Raises
    ------
    EstimationError
        sigma_pt not positive, or a negative uncertainty.

    References
    ----------
    ISO 13528:2022, 9.5.
    """
    combined = np.hypot(_positive(sigma_pt, "sigma_pt"), _uncertainty(u_pt, "u(x_pt)"))
    return np.asarray((np.asarray(x) - x_pt) / combined, dtype=np.float64)


def zeta_score(x: FloatArray, x_pt: float, u_x: FloatArray, u_pt: FloatArray | float) -> FloatArray:
    """zeta = (x - x_pt) / sqrt(u(x)^2 + u(x_pt)^2), standard uncertainties.

    Valid where the assigned value does not depend on the participant's result.

    Raises
    ------
    EstimationError
        A negative uncertainty, or both zero.

    References
    ----------
    ISO 13528:2022, 9.6.
    """
    combined = np.hypot(_uncertainty(u_x, "u(x)"), _uncertainty(u_pt, "u(x_pt)"))
    return _ratio(np.asarray(x) - x_pt, combined, "zeta")


def e_n_score(x: FloatArray, x_pt: float, U_x: FloatArray, U_pt: FloatArray | float) -> FloatArray:
    """E_n = (x - x_pt) / sqrt(U(x)^2 + U(x_pt)^2), expanded uncertainties with k = 2.

    Raises
    ------
    EstimationError
        A negative uncertainty, or both zero.

    References
    ----------
    ISO 13528:2022, 9.7.
    """
    combined = np.hypot(_uncertainty(U_x, "U(x)"), _uncertainty(U_pt, "U(x_pt)"))
    return _ratio(np.asarray(x) - x_pt, combined, "E_n")


def signal_of_z(score: float) -> Signal:
    """|z| up to 2 acceptable, from 3 action signal, between them warning signal (z, z' and zeta).

    References
    ----------
    ISO 13528:2022, 9.4.2.
    """
    size = abs(score)
    if size >= 3:
        return Signal.ACTION
    return Signal.WARNING if size > 2 else Signal.ACCEPTABLE
