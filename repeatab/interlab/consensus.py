"""Consensus of results that carry their own uncertainties, when laboratories differ by more than they state.

In: values with standard uncertainties.  Out: Consensus: value, standard uncertainty, between-laboratory SD.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from repeatab.base.errors import EstimationError, StudyError
from repeatab.cells import FloatArray


class ConsensusMethod(Enum):
    """How the between-laboratory variance is found; the value is the word in a study file."""

    MANDEL_PAULE = "mandel-paule"
    DERSIMONIAN_LAIRD = "dersimonian-laird"
    REML = "reml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Consensus:
    """Weighted mean with weights 1 / (u_i^2 + between_sd^2) and its standard uncertainty 1 / sqrt(sum of
    weights).

    heterogeneity : Cochran's Q of the values about their mean with weights 1 / u_i^2; chi-square with p - 1
        degrees of freedom where nothing beyond the stated uncertainties scatters.
    """

    value: float
    standard_uncertainty: float
    between_sd: float
    heterogeneity: float
    laboratories: int
    method: ConsensusMethod

    def __str__(self) -> str:
        return (
            f"consensus {self.value:.6g}, standard uncertainty {self.standard_uncertainty:.3g}, "
            f"between laboratories {self.between_sd:.3g} ({self.method.value}, {self.laboratories} "
            "laboratories)"
        )


def consensus_method(text: str) -> ConsensusMethod:
    """The method a study file or a caller names.

    Raises
    ------
    StudyError
        An unknown word.
    """
    try:
        return ConsensusMethod(text)
    except ValueError:
        raise StudyError.unknown_choice(
            "consensus method", text, allowed=[method.value for method in ConsensusMethod]
        ) from None


def consensus(
    values: Sequence[float] | FloatArray,
    standard_uncertainties: Sequence[float] | FloatArray,
    method: ConsensusMethod | str = ConsensusMethod.MANDEL_PAULE,
) -> Consensus:
    """Random-effects consensus value.

    Parameters
    ----------
    values, standard_uncertainties : (p,) results and their standard uncertainties (k = 1), p >= 2, the same
        unit.
    method : "mandel-paule", "dersimonian-laird" or "reml".

    Raises
    ------
    EstimationError
        Fewer than two values, unequal lengths, numbers that are not finite, an uncertainty that is not
        positive.
    StudyError
        An unknown method.

    References ---------- Mandel & Paule (1970), Anal. Chem. 42, 1194-1197; DerSimonian & Laird (1986),
    Control. Clin. Trials 7, 177-188; Viechtbauer (2005), J. Educ. Behav. Stat. 30, 261-293 (REML).
    """
    chosen = consensus_method(method) if isinstance(method, str) else method
    y = np.asarray(values, dtype=np.float64).ravel()
    u = np.asarray(standard_uncertainties, dtype=np.float64).ravel()
    _refuse(y, u)
    # About the median, so that a large common part costs no digits in sums of squares.
    offset = float(np.median(y))
    model = _Model(y=y - offset, variance=u**2)
    between = {
        ConsensusMethod.MANDEL_PAULE: model.mandel_paule,
        ConsensusMethod.DERSIMONIAN_LAIRD: model.dersimonian_laird,
        ConsensusMethod.REML: model.reml,
    }[chosen]()
    mean, weight = model.mean(between)
    return Consensus(
        value=offset + mean,
        standard_uncertainty=1 / math.sqrt(float(weight.sum())),
        between_sd=math.sqrt(between),
        heterogeneity=model.q(0.0),
        laboratories=y.size,
        method=chosen,
    )


def _refuse(y: FloatArray, u: FloatArray) -> None:
    if y.size != u.size:
        raise EstimationError(
            f"consensus: found {y.size} values and {u.size} uncertainties, expected as many of each."
        )
    if y.size < 2:
        raise EstimationError(f"consensus: found {y.size} values, expected at least two.")
    for index, (value, uncertainty) in enumerate(zip(y, u, strict=True), start=1):
        if not (math.isfinite(value) and math.isfinite(uncertainty) and uncertainty > 0):
            raise EstimationError(
                f"consensus: result {index} is {value} with standard uncertainty {uncertainty}, "
                "expected a finite value "
                "and a positive uncertainty. A result without a stated uncertainty can enter a "
                "robust mean instead."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Model:
    """y_i = mu + between + error, errors with known variances."""

    y: FloatArray
    variance: FloatArray

    def mean(self, between: float) -> tuple[float, FloatArray]:
        weight = 1 / (self.variance + between)
        return float(np.sum(weight * self.y) / weight.sum()), weight

    def q(self, between: float) -> float:
        mean, weight = self.mean(between)
        return float(np.sum(weight * (self.y - mean) ** 2))

    @property
    def _far(self) -> float:
        """A between variance at which every criterion lies beyond its root."""
        return 10 * float(np.sum((self.y - self.y.mean()) ** 2)) + 1e-300

    def mandel_paule(self) -> float:
        df = self.y.size - 1
        return self._root(lambda between: self.q(between) - df) if self.q(0.0) > df else 0.0

    def dersimonian_laird(self) -> float:
        _, weight = self.mean(0.0)
        scale = weight.sum() - np.sum(weight**2) / weight.sum()
        return max(0.0, float((self.q(0.0) - (self.y.size - 1)) / scale))

    def reml(self) -> float:
        """The between variance of greatest restricted likelihood; several stationary points are compared."""
        grid = np.concatenate([[0.0], np.geomspace(1e-8, 1.0, 200) * self._far])
        slopes = [self._restricted_slope(between) for between in grid]
        found = [0.0]
        for left, right, rising, falling in zip(grid, grid[1:], slopes, slopes[1:], strict=False):
            if rising > 0 >= falling:
                found.append(self._root(self._restricted_slope, float(left), float(right)))
        return max(found, key=self._restricted_log_likelihood)

    def _restricted_slope(self, between: float) -> float:
        mean, weight = self.mean(between)
        trace = weight.sum() - np.sum(weight**2) / weight.sum()
        return float(np.sum(weight**2 * (self.y - mean) ** 2) - trace) / 2

    def _restricted_log_likelihood(self, between: float) -> float:
        _, weight = self.mean(between)
        return float(np.sum(np.log(weight)) - np.log(weight.sum()) - self.q(between)) / 2

    def _root(self, function: Callable[[float], float], low: float = 0.0, high: float | None = None) -> float:
        from scipy.optimize import brentq

        found: float = brentq(function, low, self._far if high is None else high, xtol=1e-300, rtol=1e-14)
        return found
