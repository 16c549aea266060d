"""Beliefs: what is taken as true of a standard deviation, with its uncertainty.

In: a standard deviation and a range, or degrees of freedom.  Out: possible variances.
A range is read as the exact interval of a standard deviation that came from so many degrees of freedom: the pivot
df s^2 / sigma^2 is chi-square.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import StudyError
from repeatab.cells import FloatArray

_LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterBelief:
    """A standard deviation; df is None where it is taken as known."""

    sd: float
    df: float | None = None

    @classmethod
    def ranged(cls, sd: float, low: float, high: float) -> ScatterBelief:
        """From a value and its 95 % range.

        Raises
        ------
        StudyError
            The value does not lie within the range, or the range is none.
        """
        if not 0 <= low <= sd <= high or high == 0:
            raise StudyError(
                f"scatter: found sd {sd:g} with range {low:g} to {high:g}, expected 0 <= low <= sd <= high and high "
                "above 0."
            )
        return cls(sd=sd, df=df_of_range(low, high))

    def variances(self, draws: int, rng: np.random.Generator) -> FloatArray:
        """(draws,) possible variances; evenly placed quantiles in random order, so that few draws suffice."""
        if self.df is None or self.sd == 0:
            return np.full(draws, self.sd**2)
        from scipy import special

        place = (rng.permutation(draws) + 0.5) / draws
        return np.asarray(self.sd**2 * self.df / special.chdtri(self.df, place))


def df_of_range(low: float, high: float) -> float | None:
    """The degrees of freedom whose exact 95 % interval has this ratio of limits; None where the two agree."""
    if low == high:
        return None
    from scipy import optimize, special

    tail = (1 - _LEVEL) / 2

    def excess(log_df: float) -> float:
        df = math.exp(log_df)
        found = 0.5 * math.log(float(special.chdtri(df, tail) / special.chdtri(df, 1 - tail)))
        return found - math.log(high / low)

    few, many = math.log(0.5), math.log(1e6)
    if low == 0 or excess(few) < 0:
        return 0.5
    return math.exp(optimize.brentq(excess, few, many)) if excess(many) < 0 else None
