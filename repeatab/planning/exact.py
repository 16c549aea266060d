"""Exact: the probability of each verdict where it is an integral, without simulation.

In: the true offset, the true standard error of its estimate, degrees of freedom and the margin.  Out: the
probability of "equivalent" and of "different" when one t statistic decides.

The estimate is normal and the estimated variance an independent chi-square, so that each probability is an integral
of normal probabilities over one chi-square (Owen 1965, Biometrika 52, 437-446; Phillips 1990, J. Pharmacokin.
Biopharm. 18, 137-144).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from repeatab.cells import FloatArray

_NODES = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactVerdicts:
    """(offsets,) probabilities of the verdicts at each true offset."""

    equivalent: FloatArray
    different: FloatArray

    @property
    def undecided(self) -> FloatArray:
        return 1 - self.equivalent - self.different


def exact_verdicts(
    offset: FloatArray | float,
    *,
    low: float,
    high: float,
    se: float,
    df: float,
    confidence: float,
    alpha: float,
) -> ExactVerdicts:
    """Probabilities of the verdicts of one section that is judged by one t statistic.

    Parameters
    ----------
    offset : true offsets, in the unit of the result. low, high : the margin as bounds on the offset.
    se : true standard error of the estimated offset; df : degrees of freedom of its estimated variance.
    confidence : of each of the two one-sided tests; alpha : two-sided error rate of the difference claim.
    """
    delta = np.atleast_1d(np.asarray(offset, np.float64))[:, None]
    scale, weight = _scales(float(df))
    s = se * scale
    inner, outer = special.stdtrit(df, confidence) * s, special.stdtrit(df, 1 - alpha / 2) * s
    # Equivalent: the estimate lies between low + t s and high - t s.
    a, b = low + inner, high - inner
    between = _between(a, b, delta, se)
    # Different: beyond ± t s, and not where equivalence is shown at the same time.
    both = _between(a, np.minimum(b, -outer), delta, se) + _between(np.maximum(a, outer), b, delta, se)
    detected = special.ndtr((-outer - delta) / se) + special.ndtr((delta - outer) / se)
    return ExactVerdicts(equivalent=between @ weight, different=(detected - both) @ weight)


def _between(low: FloatArray, high: FloatArray, mean: FloatArray, se: float) -> FloatArray:
    found = special.ndtr((high - mean) / se) - special.ndtr((low - mean) / se)
    return np.where(high > low, found, 0.0)


@cache
def _scales(df: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of the estimated over the true standard error."""
    x, w = _rule()
    return np.sqrt(special.chdtri(df, (1 - x) / 2) / df), w / 2


@cache
def _rule() -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(_NODES)
    return x, w
