"""Scatter ratio: the ratio of two standard deviations with its interval.

In: sums of squares of independent results, or paired results.  Out: ratio and limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from repeatab.base.errors import LayoutError
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterRatio:
    """sd_a / sd_b, the two standard deviations, their degrees of freedom, and the interval of the ratio."""

    sd_a: float
    sd_b: float
    df_a: int
    df_b: int
    interval: Interval

    @property
    def ratio(self) -> float:
        return self.sd_a / self.sd_b


def independent_ratio(ss_a: float, df_a: int, ss_b: float, df_b: int, *, level: float) -> ScatterRatio:
    """Ratio of standard deviations of independent results, with the exact F interval.

    Raises
    ------
    LayoutError
        One side has no degrees of freedom, or no scatter at all.
    """
    _require(df_a, df_b, ss_a, ss_b)
    variance = (ss_a / df_a) / (ss_b / df_b)
    tail = (1 - level) / 2
    lower = np.sqrt(variance / special.fdtri(df_a, df_b, 1 - tail))
    upper = np.sqrt(variance / special.fdtri(df_a, df_b, tail))
    return ScatterRatio(
        sd_a=float(np.sqrt(ss_a / df_a)), sd_b=float(np.sqrt(ss_b / df_b)), df_a=df_a, df_b=df_b,
        interval=Interval(
            lower=float(lower), upper=float(upper), level=level, method=IntervalMethod.F_RATIO
        ),
    )  # fmt: skip


def paired_ratio(a: FloatArray, b: FloatArray, *, fitted: int, level: float) -> ScatterRatio:
    """Ratio of standard deviations of paired results, which are correlated.

    The limits are the ratios q at which a + q b and a - q b are just significantly correlated (Pitman 1939 and
    Morgan 1939, Biometrika 31, 9-12 and 13-19).

    Parameters
    ----------
    a, b : (sets,) residuals about the fitted means.
    fitted : number of means fitted to each (1, or 2 with an order effect).

    Raises
    ------
    LayoutError
        Fewer than three degrees of freedom, or no scatter at all.
    """
    df = len(a) - fitted
    _require(df - 1, df - 1, float(a @ a), float(b @ b))
    variance = float(a @ a) / float(b @ b)
    r2 = float(a @ b) ** 2 / (float(a @ a) * float(b @ b))
    t2 = float(special.stdtrit(df - 1, (1 + level) / 2)) ** 2
    k = 1 + 2 * (1 - r2) * t2 / (df - 1)
    root = np.sqrt(k**2 - 1)
    # k - root = 1 / (k + root), without the cancellation.
    lower, upper = np.sqrt(variance / (k + root)), np.sqrt(variance * (k + root))
    return ScatterRatio(
        sd_a=float(np.sqrt(a @ a / df)), sd_b=float(np.sqrt(b @ b / df)), df_a=df, df_b=df,
        interval=Interval(
            lower=float(lower), upper=float(upper), level=level, method=IntervalMethod.PITMAN_MORGAN
        ),
    )  # fmt: skip


def _require(df_a: int, df_b: int, ss_a: float, ss_b: float) -> None:
    if df_a < 1 or df_b < 1:
        raise LayoutError(
            "the ratio of standard deviations needs at least two sets on each rig. Run more sets."
        )
    if ss_a <= 0 or ss_b <= 0:
        raise LayoutError(
            "one of the two shows no scatter at all, so the ratio of standard deviations is open."
        )
