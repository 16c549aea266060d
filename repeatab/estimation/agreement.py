"""Agreement of two rigs on the same pad sets: limits of agreement and the concordance coefficient.

In: one result per set on each rig, matched by set.  Out: the limits between which most differences lie, each with
its interval; Lin's coefficient with its interval.
Sets that ran on one rig only have no place here, and matching by row order is no matching.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy import special

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray
from repeatab.estimation.concordance_limits import concordance_limits


class LimitInterval(Enum):
    """How the interval of a limit is formed.

    EXACT : the limit is a quantile of normal differences, whose pivot is noncentral t (Owen 1968, Technometrics
        10, 445-478).
    APPROXIMATE : t with the standard error s * sqrt(3 / n) (Bland & Altman 1986, Lancet 327, 307-310).
    """

    EXACT = "exact"
    APPROXIMATE = "approximate"


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreementLimits:
    """Mean difference and limits mean -/+ factor * sd, in the unit of the result, each with its interval."""

    mean: float
    sd: float
    df: int
    factor: float
    mean_interval: Interval
    lower_interval: Interval
    upper_interval: Interval

    @property
    def lower(self) -> float:
        return self.mean - self.factor * self.sd

    @property
    def upper(self) -> float:
        return self.mean + self.factor * self.sd

    def __str__(self) -> str:
        return (
            f"differences between {self.lower:.4g} ({self.lower_interval}) and {self.upper:.4g} "
            f"({self.upper_interval}), mean {self.mean:.4g}"
        )


def agreement_limits(
    difference: FloatArray,
    *,
    level: float,
    factor: float = 1.96,
    method: LimitInterval = LimitInterval.EXACT,
) -> AgreementLimits:
    """Limits of agreement from the differences of sets that ran on both rigs.

    Parameters
    ----------
    difference : (sets,) result on one rig minus result on the other, set by set.
    level : confidence of each interval.
    factor : 1.96 for the middle 95 percent of normal differences; the paper of 1986 itself used 2.

    Raises
    ------
    LayoutError
        Fewer than two sets.
    EstimationError
        All differences are equal, so that there are no limits.
    """
    sets = len(difference)
    if sets < 2:
        raise LayoutError(
            f"limits of agreement: {sets} set(s) ran on both rigs, expected at least two, and twenty or more for "
            "limits that are worth having. Run more sets on both."
        )
    return limits_of(
        float(np.mean(difference)), float(np.std(difference, ddof=1)), leverage=1 / sets, df=sets - 1,
        level=level, factor=factor, method=method,
    )  # fmt: skip


def limits_of(
    mean: float,
    sd: float,
    *,
    leverage: float,
    df: int,
    level: float,
    factor: float = 1.96,
    method: LimitInterval = LimitInterval.EXACT,
) -> AgreementLimits:
    """The same where the mean comes from a model (the order of the two runs taken out).

    Parameters
    ----------
    mean, sd : of the differences; sd from `df` degrees of freedom.
    leverage : variance of the mean per unit variance of one difference, 1 / sets without an order effect.
    """
    if not sd > 0:
        raise EstimationError(
            "limits of agreement: the differences of all sets are equal. Check that the two rigs' results are "
            "not copies of each other."
        )
    half = float(special.stdtrit(df, (1 + level) / 2)) * sd * math.sqrt(leverage)
    low, high = _limit_interval(sd, leverage, df, level, factor, method)
    words = {
        LimitInterval.EXACT: IntervalMethod.NONCENTRAL_T,
        LimitInterval.APPROXIMATE: IntervalMethod.LIMIT_APPROXIMATE,
    }[method]
    return AgreementLimits(
        mean=mean, sd=sd, df=df, factor=factor,
        mean_interval=Interval(
            lower=mean - half, upper=mean + half, level=level, method=IntervalMethod.STUDENT
        ),
        lower_interval=Interval(lower=mean - high, upper=mean - low, level=level, method=words),
        upper_interval=Interval(lower=mean + low, upper=mean + high, level=level, method=words),
    )  # fmt: skip


def _limit_interval(
    sd: float, leverage: float, df: int, level: float, factor: float, method: LimitInterval
) -> tuple[float, float]:
    """Ends of the upper limit's interval, counted from the mean difference."""
    tail = (1 - level) / 2
    if method is LimitInterval.APPROXIMATE:
        half = float(special.stdtrit(df, 1 - tail)) * sd * math.sqrt(3 * leverage)
        return factor * sd - half, factor * sd + half
    # (mean - limit) / (sd * root) is noncentral t about factor / root, turned around.
    root = math.sqrt(leverage)
    from scipy import stats

    # Not special.nctdtrit, which is good to six or seven digits only where the library is a few years old.
    low, high = (float(stats.nct.ppf(p, df, factor / root)) for p in (tail, 1 - tail))
    return low * root * sd, high * root * sd


@dataclass(frozen=True, slots=True, kw_only=True)
class Concordance:
    """Lin's coefficient with its interval, and what lowers it.

    correlation : how closely the pairs follow some straight line.
    accuracy : how near that line is to equality; coefficient = correlation * accuracy.
    """

    coefficient: float
    correlation: float
    accuracy: float
    interval: Interval

    def __str__(self) -> str:
        return f"concordance {self.coefficient:.3f} ({self.interval}), correlation {self.correlation:.3f}"


def concordance(a: FloatArray, b: FloatArray, *, level: float) -> Concordance:
    """Lin's concordance coefficient of sets that ran on both rigs.

    Like every correlation it depends on how much the sets differ among themselves: a lot of very even pads
    gives a low value on rigs that agree. It informs; limits and margins decide.

    Parameters
    ----------
    a, b : (sets,) results of the same sets on the two rigs. Moments have divisor n, as in the paper.

    Raises
    ------
    LayoutError
        Fewer than four sets.
    EstimationError
        One rig shows no scatter at all, or the two agree exactly.

    References
    ----------
    Lin (1989), Biometrics 45, 255-268, with the correction of 2000, Biometrics 56, 324-325; for the interval see
    concordance_limits.
    """
    sets = len(a)
    if sets < 4:
        raise LayoutError(
            f"concordance: {sets} set(s) ran on both rigs, expected at least four. Run more sets on both."
        )
    shift = float(np.mean(a) - np.mean(b))
    (aa, ab), (_, bb) = np.cov(a, b, ddof=0).tolist()
    if min(aa, bb) <= 0 or aa + bb - 2 * ab + shift**2 <= 0:
        raise EstimationError(
            "concordance: one rig shows no scatter at all, or both agree exactly in every set. Check that the "
            "results are not copies of each other."
        )
    spread = aa + bb + shift**2
    coefficient, correlation = 2 * ab / spread, ab / math.sqrt(aa * bb)
    lower, upper = concordance_limits(np.cov(a, b), shift, sets, level=level)
    return Concordance(
        coefficient=coefficient, correlation=correlation, accuracy=2 * math.sqrt(aa * bb) / spread,
        interval=Interval(lower=lower, upper=upper, level=level, method=IntervalMethod.FEW_PAIRS),
    )  # fmt: skip
