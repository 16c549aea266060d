"""Pooled scatter: the ratio of two levels' standard deviations over several sections together.

In: what the means leave of whole sets by section.  Out: ScatterRatio, in which a set counts once however many
sections it ran.

Sections of one set hang together, so their sums of squares carry less than their number says. Each section is first
scaled by its own standard deviation over both levels, so that one that scatters widely does not decide alone.
different sets: F with the degrees of freedom that the correlation of the sections leaves (Satterthwaite 1946,
    Biometrics Bulletin 2, 110-114; for a sum over correlated sections Box 1954, Ann. Math. Stat. 25, 290-302).
the same sets at both levels: one sum of squares per set and level; the ratios at which the mean of a's sums less
    ratio^2 times b's leaves its t interval, which is on the wide side with few sets (the idea of Pitman 1939 and
    Morgan 1939 set by set; limits of a ratio of means: Fieller 1954, J. R. Stat. Soc. B 16, 175-185).
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from repeatab.base.errors import LayoutError
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray
from repeatab.estimation.scatter_ratio import ScatterRatio


def pooled_independent_ratio(
    a: FloatArray, df_a: int, b: FloatArray, df_b: int, *, level: float
) -> ScatterRatio:
    """Ratio of standard deviations over all sections, from different sets at the two levels.

    Parameters
    ----------
    a, b : (results, sections) residuals of whole sets (or of their repeats) at each level; missing ones nan.
    df_a, df_b : degrees of freedom of a section at each level.

    Returns
    -------
    ScatterRatio
        Standard deviations relative to the sections' own, so that only their ratio means something by itself.

    Raises
    ------
    LayoutError
        No degrees of freedom at a level, or a section without scatter.
    """
    scale = _scale(a, df_a, b, df_b)
    variance = [_mean_square(left / scale, df) for left, df in ((a, df_a), (b, df_b))]
    worth = _worth(np.concatenate([a, b]) / scale, df_a + df_b)
    free_a, free_b = df_a * worth, df_b * worth
    tail = (1 - level) / 2
    squared = variance[0] / variance[1]
    return ScatterRatio(
        sd_a=math.sqrt(variance[0]), sd_b=math.sqrt(variance[1]), df_a=round(free_a), df_b=round(free_b),
        interval=Interval(
            lower=math.sqrt(squared / float(special.fdtri(free_a, free_b, 1 - tail))),
            upper=math.sqrt(squared / float(special.fdtri(free_a, free_b, tail))),
            level=level, method=IntervalMethod.SATTERTHWAITE_F,
        ),
    )  # fmt: skip


def pooled_paired_ratio(a: FloatArray, b: FloatArray, *, fitted: int, level: float) -> ScatterRatio:
    """Ratio of standard deviations over all sections, from the same sets at both levels.

    Parameters
    ----------
    a, b : (sets, sections) residuals of the same sets at each level; missing ones nan in both.
    fitted : number of means fitted to each section (1, or 2 with an order effect).

    Raises
    ------
    LayoutError
        Fewer than three degrees of freedom, or a section without scatter.
    """
    sets = len(a)
    df = sets - fitted
    if df < 3:
        raise LayoutError("the pooled ratio of standard deviations needs more sets on both rigs.")
    scale = _scale(a, df, b, df)
    sums = [np.nansum((left / scale) ** 2, axis=1) for left in (a, b)]
    mean_a, mean_b = (float(part.mean()) for part in sums)
    away = [part - part.mean() for part in sums]
    # Residuals about fitted means sum to zero, so that products of two of them scatter by (df - 1) / df too little
    # about their own mean; Pitman and Morgan count df - 1 as well.
    t2 = float(special.stdtrit(df - 1, (1 + level) / 2)) ** 2 / ((df - 1) * sets)
    aa, bb, ab = (float(x @ y) for x, y in ((away[0],) * 2, (away[1],) * 2, away))
    lower, upper = _fieller(mean_a, mean_b, t2 * aa, t2 * bb, t2 * ab)
    inflated = sets / df / a.shape[1]
    return ScatterRatio(
        sd_a=math.sqrt(mean_a * inflated), sd_b=math.sqrt(mean_b * inflated), df_a=df, df_b=df,
        interval=Interval(
            lower=math.sqrt(max(lower, 0.0)), upper=math.sqrt(upper), level=level, method=IntervalMethod.SET_SUMS
        ),
    )  # fmt: skip


def _fieller(a: float, b: float, aa: float, bb: float, ab: float) -> tuple[float, float]:
    """Ends of the ratio a / b where (a - q b)^2 = aa - 2 q ab + q^2 bb; infinite where b is not clear of zero."""
    square = b**2 - bb
    if square <= 0:
        return 0.0, math.inf
    middle = (a * b - ab) / square
    root = math.sqrt(max(middle**2 - (a**2 - aa) / square, 0.0))
    return middle - root, middle + root


def _scale(a: FloatArray, df_a: int, b: FloatArray, df_b: int) -> FloatArray:
    """(sections,) standard deviation over both levels."""
    if min(df_a, df_b) < 1:
        raise LayoutError(
            "the pooled ratio of standard deviations needs at least two sets on each rig. Run more sets."
        )
    total = np.nansum(a**2, axis=0) + np.nansum(b**2, axis=0)
    if not (total > 0).all() or not np.nansum(a**2) > 0 or not np.nansum(b**2) > 0:
        raise LayoutError("a section or a rig shows no scatter at all, so the pooled ratio is open.")
    return np.asarray(np.sqrt(total / (df_a + df_b)))


def _mean_square(left: FloatArray, df: int) -> float:
    return float(np.nansum(left**2) / (df * left.shape[1]))


def _worth(left: FloatArray, df: int) -> float:
    """How many independent sections these are worth: between 1 and their number.

    Taken from the correlations as they were seen, which chance makes larger: with few sets the intervals are on the
    wide side.
    """
    filled = np.nan_to_num(left)
    covariance = filled.T @ filled / df
    trace = float(np.trace(covariance))
    return trace * trace / float((covariance * covariance).sum())
