"""Equal scatter: whether groups share one variance, from sums of squares and their degrees of freedom.

In: sums of squares per rig.  Out: the test and each rig's own standard deviation.
Source: Bartlett (1937), Proc. R. Soc. A 160, 268-282. For results that are far from normal it rejects too
often, so the report also says whether the residuals are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray
from repeatab.estimation.intervals import chi_square_limits
from repeatab.judgement.capability import Scatter


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualityOfScatter:
    """Bartlett's statistic with its p value, and the groups' own standard deviations."""

    statistic: float
    df: int
    p: float
    scatters: tuple[Scatter, ...]

    @property
    def worst(self) -> int:
        """The group that scatters most."""
        return int(np.argmax([scatter.sd for scatter in self.scatters]))


def equality_of_scatter(ss: FloatArray, df: FloatArray, *, level: float) -> EqualityOfScatter | None:
    """Compare two or more groups; None where a group has no degrees of freedom or no scatter at all.

    Parameters
    ----------
    ss : (groups,) sums of squares; df : (groups,) their degrees of freedom.
    """
    if len(ss) < 2 or (df < 1).any() or (ss <= 0).any():
        return None
    variance, total = ss / df, float(df.sum())
    pooled = float(ss.sum()) / total
    raw = total * math.log(pooled) - float(df @ np.log(variance))
    statistic = raw / (1 + (float((1 / df).sum()) - 1 / total) / (3 * (len(ss) - 1)))
    low, high = np.empty(len(ss)), np.empty(len(ss))
    for i, free in enumerate(df):
        low[i], high[i] = (
            float(x[0]) for x in chi_square_limits(variance[i : i + 1], float(free), level=level)
        )
    scatters = tuple(
        Scatter(
            sd=math.sqrt(v),
            interval=Interval(
                lower=math.sqrt(a), upper=math.sqrt(b), level=level, method=IntervalMethod.CHI_SQUARE
            ),
        )
        for v, a, b in zip(variance, low, high, strict=True)
    )
    p = float(special.chdtrc(len(ss) - 1, statistic))
    return EqualityOfScatter(statistic=statistic, df=len(ss) - 1, p=p, scatters=scatters)
