"""Average-and-range method: R&R from ranges and means by hand arithmetic, as the automotive handbook gives
it.

In: results as (operators, parts, trials).  Out: EV, AV, R&R, PV and TV as standard deviations. For comparison
with older studies; the analysis of variance uses the data better and sees the interaction, which this method
leaves in AV and PV.
Source: automotive measurement-systems handbook, chapter III (from memory); factors from Duncan, Quality
Control and Industrial Statistics, table D3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray
from repeatab.control.factors import range_moments
from repeatab.judgement.measures import distinct_categories


@dataclass(frozen=True, slots=True, kw_only=True)
class AverageRange:
    """Standard deviations in the unit of the result: equipment (repeatability), appraiser, R&R, part, total.

    mean_range, operator_difference, part_range : what they were formed from.
    """

    ev: float
    av: float
    grr: float
    pv: float
    tv: float
    mean_range: float
    operator_difference: float
    part_range: float

    @property
    def percent_of_total(self) -> float:
        """R&R in percent of the total variation."""
        return 100 * self.grr / self.tv

    @property
    def categories(self) -> int:
        """Number of distinct categories, truncated."""
        return distinct_categories(self.pv, self.grr)

    def __str__(self) -> str:
        return (
            f"R&R {self.grr:.4g} (repeatability {self.ev:.4g}, operators {self.av:.4g}), "
            f"parts {self.pv:.4g}, total {self.tv:.4g}; "
            f"{self.percent_of_total:.1f} % of the total, {self.categories} categories"
        )


def range_divisor(size: int, ranges: float = math.inf) -> float:
    """Mean of `ranges` ranges of `size` normal results over their standard deviation: d2*, or d2 for many."""
    d2, d3 = range_moments(size)
    return math.sqrt(d2 * d2 + d3 * d3 / ranges)


def average_and_range(values: FloatArray) -> AverageRange:
    """Analyse a balanced study by ranges.

    Parameters
    ----------
    values : (operators, parts, trials), at least two of each.

    Raises
    ------
    LayoutError
        Fewer than two operators, parts or trials.
    """
    found = np.asarray(values, np.float64)
    if found.ndim != 3 or min(found.shape) < 2:
        raise LayoutError(
            f"average and range: found an array of shape {found.shape}, expected (operators, parts, trials) "
            "with at least two of each."
        )
    operators, parts, trials = found.shape
    mean_range = float(np.ptp(found, axis=2).mean())
    difference = float(np.ptp(found.mean(axis=(1, 2))))
    part_range = float(np.ptp(found.mean(axis=(0, 2))))
    # The mean range is taken over many subgroups (operators × parts), the other two are single ranges.
    ev = mean_range / range_divisor(trials)
    between = difference / range_divisor(operators, 1)
    av = math.sqrt(max(0.0, between**2 - ev**2 / (parts * trials)))
    pv = part_range / range_divisor(parts, 1)
    grr = math.hypot(ev, av)
    return AverageRange(
        ev=ev, av=av, grr=grr, pv=pv, tv=math.hypot(grr, pv),
        mean_range=mean_range, operator_difference=difference, part_range=part_range,
    )  # fmt: skip
