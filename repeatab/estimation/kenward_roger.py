"""Kenward-Roger: covariance and degrees of freedom of fixed effects from few data.

In: Moments at the REML estimate (with the Kenward-Roger pieces).  Out: the adjusted covariance of the fixed
coefficients and, for a contrast, standard error and degrees of freedom.
All sums run over matrices of the size of the dense block. A component estimated at zero stays in: leaving it
out can turn 2 degrees of freedom into 20.
Source: Kenward & Roger (1997), Biometrics 53, 983-997; for a single contrast their degrees of freedom reduce
to 2 / A2 and the scale factor to one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.moments import Moments


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedCovariance:
    """model, adjusted : (groups, p, p) covariance of the coefficients before and after the small-sample
    adjustment; sensitivity : (groups, K + 1, p, p), the pieces P_k of the paper (negative definite);
    variance : (groups, K + 1, K + 1) asymptotic covariance of the components."""

    model: FloatArray
    adjusted: FloatArray
    sensitivity: FloatArray
    variance: FloatArray

    def take(self, groups: IntArray) -> FixedCovariance:
        """Of some of the groups."""
        return FixedCovariance(
            model=self.model[groups], adjusted=self.adjusted[groups],
            sensitivity=self.sensitivity[groups], variance=self.variance[groups],
        )  # fmt: skip


def fixed_covariance(here: Moments) -> FixedCovariance:
    """Adjusted covariance of the fixed coefficients."""
    assert here.first is not None
    assert here.second is not None
    model = np.linalg.inv(here.fixed_inverse).astype(np.float64)
    variance = 2 * _inverse_information(here.expected)
    inner = np.einsum("gjk,gjkxy->gxy", variance, here.second)
    adjusted = model + 2 * model @ inner @ model
    return FixedCovariance(model=model, adjusted=adjusted, sensitivity=-here.first, variance=variance)


def contrast_precision(covariance: FixedCovariance, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Standard error and degrees of freedom of contrasts.

    Parameters
    ----------
    weights : (groups or 1, contrasts, p) of the coefficients.

    Returns
    -------
    se, df : (groups, contrasts).
    """
    through = weights @ covariance.model
    full = np.broadcast_to(weights, through.shape)
    spread = np.einsum("gcx,gcx->gc", through, full)
    parts = np.einsum("gcx,gkxy,gcy->gck", through, covariance.sensitivity, through) / spread[:, :, None]
    a2 = np.einsum("gcj,gjk,gck->gc", parts, covariance.variance, parts)
    adjusted = np.einsum("gcx,gxy,gcy->gc", full, covariance.adjusted, full)
    return np.sqrt(adjusted), 2 / a2


def _inverse_information(expected: FloatArray) -> FloatArray:
    """Inverse of tr(P V_j P V_k), scaled first: its entries span many orders where a component is large."""
    root = np.sqrt(np.diagonal(expected, 0, 1, 2))
    outer = root[:, :, None] * root[:, None, :]
    inverse: FloatArray = np.linalg.inv(expected / outer) / outer
    return inverse
