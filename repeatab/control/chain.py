"""A chart in motion as a Markov chain: from its steps to average and distribution of the run length.

In: where the chart is after its first points, and the matrix of one step (states, or nodes of a quadrature,
that have not signalled).  Out: average run length, survival, steady state.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray

LONGEST_KNOWN = 1e13
_DENSE = 1500
_LONGEST = 200_000
_SETTLED = 1e-11


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """`early`: P(N > t) for t = 0 … T − 1.  `start`: (m,) mass over the states after point T, its sum P(N >
    T).

    `step`: (m, m) dense or sparse, row = from, column = to. For a quadrature the mass sits on the nodes and
    need not be positive everywhere; sums are still probabilities.
    """

    early: FloatArray
    start: FloatArray
    step: Any

    def remaining(self) -> FloatArray:
        """Return the expected number of further points until a signal, from each state; inf where it is beyond
        what double precision can tell from for ever.
        """
        size = self.start.size
        if size <= _DENSE:
            dense = self.step if isinstance(self.step, np.ndarray) else self.step.toarray()
            try:
                found: FloatArray = np.linalg.solve(np.eye(size) - dense, np.ones(size))
            except np.linalg.LinAlgError:
                return np.full(size, np.inf)
        else:
            found = _solve_sparse(self.step, size)
        # A step keeps its mass to about 1e-16, so that a longer run length would be rounding error.
        known = np.all(np.isfinite(found)) and float(found.min()) >= 0 and float(found.max()) < LONGEST_KNOWN
        return found if known else np.full(size, np.inf)

    def average(self) -> float:
        """Return the average run length, counting the point that signals; inf if beyond `LONGEST_KNOWN`."""
        remaining = self.remaining()
        if np.isinf(remaining[0]):
            return math.inf if self.start.sum() > 0 else float(self.early.sum())
        return float(self.early.sum() + self.start @ remaining)

    def survival(self) -> tuple[FloatArray, float]:
        """Return P(N > t) for t = 0, 1, … until its fall has settled, and the constant hazard from there
        on.
        """
        transpose = self.step.T.copy() if isinstance(self.step, np.ndarray) else self.step.T.tocsr()
        return survival_until_settled(self.early, self.start, lambda mass: transpose @ mass)

    def settled(self) -> FloatArray:
        """Return the distribution over states, given no signal, after many points without one."""
        transpose = self.step.T.copy() if isinstance(self.step, np.ndarray) else self.step.T.tocsr()
        mass = self.start / self.start.sum()
        for _ in range(_LONGEST):
            following: FloatArray = transpose @ mass
            following = following / following.sum()
            if float(np.abs(following - mass).sum()) < 1e-13:
                return following
            mass = following
        raise EstimationError("run length: no steady state within reach; ask for the zero-state run length.")


def survival_until_settled(
    early: FloatArray, start: FloatArray, forward: Callable[[FloatArray], FloatArray]
) -> tuple[FloatArray, float]:
    """Step the mass on until the hazard 1 − P(N > t + 1)/P(N > t) no longer changes, or the tail is below
    1e-14.
    """
    values, mass = [*map(float, early), float(start.sum())], start
    hazard, calm = math.nan, 0
    while len(values) < _LONGEST and values[-1] > 1e-14:
        mass = forward(mass)
        values.append(float(mass.sum()))
        latest = 1 - values[-1] / values[-2]
        # 1 − ratio is only good to 1e-16 absolutely: a hazard of one in a million cannot settle more finely.
        calm = calm + 1 if abs(latest - hazard) <= _SETTLED * abs(latest) + 4e-16 else 0
        hazard = latest
        if calm >= 20:
            break
    return np.array(values), hazard if math.isfinite(hazard) else 1.0


def _solve_sparse(step: Any, size: int) -> FloatArray:
    from scipy.sparse import identity
    from scipy.sparse.linalg import gmres

    found, failed = gmres(
        identity(size, format="csr") - step, np.ones(size), rtol=1e-12, restart=80, maxiter=200
    )
    if failed:
        raise EstimationError(
            f"run length: the chain of {size} states did not converge; choose fewer run rules together."
        )
    return np.asarray(found, dtype=np.float64)
