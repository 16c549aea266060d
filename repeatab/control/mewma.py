"""The multivariate EWMA chart: its statistic, its run length, and the limit for a stated run length.

In: runs × sections with centre and covariance; or number of sections and weight.  Out: MewmaSeries; limit;
ARL.

The statistic is T² = z' V⁻¹ z with V = weight/(2 − weight) × covariance. Its run length depends on a shift
only through the distance δ = √(shift' covariance⁻¹ shift). In control the length of z is a Markov process by
itself; after a shift z is followed along the shift and across it. Both integral equations are solved on
Gauss-Legendre nodes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaln, ive

from repeatab.base.errors import EstimationError, StudyError
from repeatab.control.arrays import FloatArray, points_by_coordinate
from repeatab.control.charts import Ewma
from repeatab.control.multivariate import distances
from repeatab.control.quadrature import legendre
from repeatab.control.run_length import average_run_length

# Least nodes, and nodes for each standard deviation of one step, that hold six digits.
_RADIAL, _ALONG, _ACROSS = (80, 5.0), (30, 4.8), (20, 2.8)
_WIDEST, _WIDEST_SHIFTED = 45.0, 16.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MewmaSeries:
    """Moving averages (runs, sections) as distances from the centre, and their T² (runs,) against `limit`."""

    averages: FloatArray
    t2: FloatArray
    limit: float

    @property
    def signals(self) -> tuple[int, ...]:
        """Runs, from 0, whose T² exceeds the limit."""
        return tuple(int(i) for i in np.flatnonzero(self.t2 > self.limit))


def mewma_series(
    runs: ArrayLike, *, centre: FloatArray, covariance: FloatArray, weight: float, limit: float
) -> MewmaSeries:
    """Return the moving average of each section with the common weight, and its T² with the final covariance.

    Parameters
    ----------
    runs : (runs, sections) in order.
    centre, covariance : (sections,) and (sections, sections), in control.
    limit : for T², from `mewma_limit`.

    Raises
    ------
    InputError, StudyError, EstimationError
        A value is missing; the weight is outside 0 to 1; the covariance is singular.

    References
    ----------
    Lowry, Woodall, Champ & Rigdon (1992), Technometrics 34, 46-53.
    """
    x = points_by_coordinate(runs, what="runs")
    _check(x.shape[1], weight)
    averages = np.empty_like(x)
    last = np.zeros(x.shape[1])
    for i, row in enumerate(x - centre):
        last = last + weight * (row - last)
        averages[i] = last
    spread = covariance * weight / (2 - weight)
    t2 = distances(averages, np.zeros(x.shape[1]), spread)
    return MewmaSeries(averages=averages, t2=t2, limit=limit)


def mewma_run_length(sections: int, *, weight: float, limit: float, shift: float = 0.0) -> float:
    """Return the zero-state average run length for a shift of length `shift` (in the metric of the
    covariance).

    Raises
    ------
    StudyError, EstimationError
        Weight or limit out of range, or too small a weight for the quadrature.

    References
    ----------
    Rigdon (1995), J. Statistical Computation and Simulation 52, 351-365; Runger & Prabhu (1996), Biometrika
    83, 701-706.
    """
    _check(sections, weight)
    if not (limit > 0 and shift >= 0 and math.isfinite(shift)):
        raise EstimationError(
            f"joint chart: found limit {limit} and shift {shift}, expected above 0 and at least 0."
        )
    radius = math.sqrt(limit / (weight * (2 - weight)))  # of z / weight, whose one-step scatter is 1
    if radius > (_WIDEST_SHIFTED if shift > 0 and sections > 1 else _WIDEST):
        raise EstimationError(
            f"joint chart: the weight {weight:g} is too small for its run length to be computed; use 0.02 "
            "or more."
        )
    keep = 1 - weight
    if shift == 0 or sections == 1:
        return _in_control(sections, keep, radius) if shift == 0 else _one_section(weight, limit, shift)
    return _shifted(sections, keep, radius, shift)


def mewma_limit(sections: int, *, weight: float, in_control: float) -> float:
    """Return the limit for T² that gives the in-control average run length `in_control`."""
    from scipy.optimize import brentq
    from scipy.stats import chi2

    _check(sections, weight)
    if not (math.isfinite(in_control) and in_control > 2):
        raise StudyError(f"in-control run length: found {in_control}, expected more than 2 points.")

    def miss(limit: float) -> float:
        return math.log(mewma_run_length(sections, weight=weight, limit=limit) / in_control)

    # A smaller weight needs a lower limit than independent points do; twice that is never needed.
    highest = float(chi2.isf(1 / in_control, sections)) * 1.05
    return float(brentq(miss, highest * 1e-3, highest, xtol=1e-10))


def _in_control(p: int, keep: float, radius: float) -> float:
    nodes, weights = _nodes(0.0, radius, _count(_RADIAL, radius))
    step = _length_density(nodes, keep * nodes, p) * weights
    remaining = np.linalg.solve(np.eye(nodes.size) - step, np.ones(nodes.size))
    first = _length_density(nodes, np.zeros(1), p)[0] * weights
    return 1 + float(first @ remaining)


def _one_section(weight: float, limit: float, shift: float) -> float:
    return average_run_length(Ewma(weight=weight, limit=math.sqrt(limit)), shift=shift)


def _shifted(p: int, keep: float, radius: float, shift: float) -> float:
    """Nodes in the half disc: u along the shift, and the length v across it, with p − 1 free directions."""
    # With u = radius × sin θ the edge of the disc leaves no root in the integrand, whatever the dimension.
    angle, angle_weight = _nodes(-math.pi / 2, math.pi / 2, _count(_ALONG, radius))
    u, u_weight = radius * np.sin(angle), radius * np.cos(angle) * angle_weight
    unit, unit_weight = _nodes(0.0, 1.0, _count(_ACROSS, radius))
    reach = radius * np.cos(angle)
    along = np.repeat(u, unit.size)
    across = np.outer(reach, unit).ravel()
    mass = np.outer(u_weight * reach, unit_weight).ravel()

    def row(a: FloatArray, b: FloatArray) -> FloatArray:
        normal = np.exp(-0.5 * (along[None, :] - keep * a[:, None] - shift) ** 2) / math.sqrt(2 * math.pi)
        return normal * _length_density(across, keep * b, p - 1) * mass

    remaining = np.linalg.solve(np.eye(along.size) - row(along, across), np.ones(along.size))
    return 1 + float(row(np.zeros(1), np.zeros(1))[0] @ remaining)


def _length_density(length: FloatArray, centre: FloatArray, p: int) -> FloatArray:
    """Density of the length of a p-dimensional standard normal vector about a point at distance `centre`.

    Rows: centres; columns: lengths. r^(p/2) c^(1 − p/2) exp(−(r² + c²)/2) I_{p/2−1}(r c), the square root of
    a noncentral chi-square.
    """
    r, c = length[None, :], centre[:, None]
    order = p / 2 - 1
    near = c < 1e-8
    safe = np.where(near, 1.0, c)
    off = r * (r / safe) ** order * np.exp(-0.5 * (r - safe) ** 2) * ive(order, r * safe)
    log_constant = order * math.log(2) + float(gammaln(p / 2))
    at_zero = np.exp((p - 1) * np.log(r) - 0.5 * r**2 - log_constant)
    found: FloatArray = np.where(near, at_zero, off)
    return found


def _count(rule: tuple[int, float], radius: float) -> int:
    return max(rule[0], math.ceil(rule[1] * radius))


def _nodes(low: float, high: float, count: int) -> tuple[FloatArray, FloatArray]:
    unit, weight = legendre(count)
    return (low + high) / 2 + (high - low) / 2 * unit, weight * (high - low) / 2


def _check(sections: int, weight: float) -> None:
    if sections < 1:
        raise StudyError(f"joint chart: found {sections} sections, expected at least 1.")
    if not 0 < weight <= 1:
        raise StudyError(f"weight: found {weight}, expected above 0 and at most 1 (0.05 to 0.3 is usual).")
