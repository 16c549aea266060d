"""Even draws: chi-square values spread evenly over their distribution, so that an interval needs no seed.

In: degrees of freedom.  Out: values that stand in for those of a random generator, the same at every call.

Richtmyer's sequence: the fractions of k sqrt(prime), a prime for each variable drawn, turned into quantiles. The
share of them beyond a point is wrong by about 1 / draws, where random draws are wrong by 1 / sqrt(draws).
Source: Richtmyer (1951), The evaluation of definite integrals, and a quasi-Monte Carlo method, Los Alamos report
LA-1342 (from memory); Niederreiter (1992), Random Number Generation and Quasi-Monte Carlo Methods, SIAM, ch. 3.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Protocol

import numpy as np
from scipy import special

from repeatab.cells import FloatArray


class ChiSquareSource(Protocol):
    """Whatever draws chi-square values: a random generator, or EvenDraws."""

    def chisquare(self, df: float, size: int) -> FloatArray: ...


class EvenDraws:
    """Gives, call after call, the next variable of a sequence that fills the space of all of them evenly."""

    def __init__(self) -> None:
        self._drawn = 0

    def chisquare(self, df: float, size: int) -> FloatArray:
        """(size,) values of one more variable."""
        self._drawn += 1
        return _values(self._drawn - 1, float(df), size)


@lru_cache(maxsize=256)
def _values(variable: int, df: float, size: int) -> FloatArray:
    share = (np.sqrt(_prime(variable)) * (np.arange(size) + 1)) % 1.0
    # A whole number of steps would give a share of zero, whose quantile is infinite.
    found = special.chdtri(df, np.clip(share, 0.25 / size, 1 - 0.25 / size))
    found.flags.writeable = False
    return np.asarray(found, np.float64)


def _prime(place: int) -> int:
    known = [2]
    while len(known) <= place:
        known.append(next(n for n in range(known[-1] + 1, 10**6) if all(n % p for p in known)))
    return known[place]
