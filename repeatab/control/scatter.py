"""Centre and standard deviation of a base period, by the method that the limits name.

In: results in order, and which of them are kept.  Out: Centre and scatter with their degrees of freedom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import BoolArray, FloatArray

# 1 / Φ⁻¹(3/4): the median distance from the median of normal values, turned into σ.
_MEDIAN_TO_SIGMA = 1.482602218505602
# Small-sample factors that leave the scaled median distance without bias; from ten values on n / (n − 0.8).
# Source: Croux & Rousseeuw (1992), Computational Statistics 1, 411-428 (values from memory; a simulation
# agrees).
_SMALL_SAMPLE = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}
# The variance of the scaled median distance is that of a standard deviation with this share of the values.
_MEDIAN_EFFICIENCY = 0.3675


class ScatterMethod(Enum):
    """How the standard deviation of single results is taken from a base period."""

    MOVING_RANGE = "mean moving range of neighbours"
    STANDARD_DEVIATION = "standard deviation"
    MEDIAN_DEVIATION = "median distance from the median"


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseScatter:
    """Centre and standard deviation of the results of a base period, in their unit.

    df: degrees of freedom of the standard deviation; None for moving ranges, whose distribution is not
    chi-square. centre_variance: variance of the centre over σ² (1/n for the mean).
    """

    centre: float
    sd: float
    df: float | None
    centre_variance: float
    count: int
    method: ScatterMethod


def base_scatter(values: FloatArray, kept: BoolArray, method: ScatterMethod) -> BaseScatter:
    """Return centre and scatter of the kept results; moving ranges never span a result that was left out.

    Raises
    ------
    EstimationError
        Fewer than two kept results (or pairs of neighbours), or no scatter at all.
    """
    used = values[kept]
    if used.size < 2:
        raise EstimationError(f"base period: found {used.size} results, expected at least 2.")
    match method:
        case ScatterMethod.MOVING_RANGE:
            centre, sd, df, variance = float(used.mean()), _moving_range_sd(values, kept), None, 1 / used.size
        case ScatterMethod.STANDARD_DEVIATION:
            centre, sd = float(used.mean()), float(used.std(ddof=1))
            df, variance = float(used.size - 1), 1 / used.size
        case ScatterMethod.MEDIAN_DEVIATION:
            centre, sd = float(np.median(used)), median_sd(used)
            df, variance = _MEDIAN_EFFICIENCY * used.size, math.pi / 2 / used.size
    if not sd > 0:
        raise EstimationError(
            f"base period: the {method.value} of {used.size} results is zero. Look for rounded or repeated "
            "results, "
            "or choose another way to take the scatter."
        )
    return BaseScatter(
        centre=centre, sd=sd, df=df, centre_variance=variance, count=int(used.size), method=method
    )


def median_sd(values: FloatArray) -> float:
    """Return the standard deviation from the median distance from the median, without bias for normal
    values.
    """
    n = values.size
    factor = _SMALL_SAMPLE.get(n, n / (n - 0.8))
    return factor * _MEDIAN_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def _moving_range_sd(values: FloatArray, kept: BoolArray) -> float:
    neighbours = kept[1:] & kept[:-1]
    if not neighbours.any():
        raise EstimationError(
            "base period: no two neighbouring results are left to take a moving range from."
        )
    # The mean range of two normal values is 2/√π σ.
    return float(np.abs(np.diff(values))[neighbours].mean()) * math.sqrt(math.pi) / 2
