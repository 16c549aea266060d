"""How long a chart runs until it signals: the average, and the distribution with its quantiles.

In: a chart, and the shift (and scale) of the plotted points in their assumed standard deviations.
Out: average run length; RunLength.  Not here: choosing a chart's numbers (design).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import assert_never

import numpy as np
from scipy.special import ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray
from repeatab.control.chain import Chain
from repeatab.control.charts import Chart, Cusum, Ewma, Shewhart
from repeatab.control.cusum_chain import both_sides_average, both_sides_survival, one_side_chain
from repeatab.control.ewma_chain import ewma_chain
from repeatab.control.rule_chain import shewhart_chain

_FINEST_HAZARD = 1e-8


class Start(Enum):
    """When the shift is there: from the first point of the chart, or only after many points without a
    signal.
    """

    ZERO = "zero state"
    STEADY = "steady state"


class Sides(Enum):
    """Whether the chart signals up and down or only up."""

    BOTH = "both sides"
    UPPER = "upper side only"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunLength:
    """The number of points up to and including the signal.

    average: its mean.  survival: P(no signal in the first t points), t = 0, 1, …  hazard: probability of a
    signal at each point after the last t of `survival`, where it no longer changes.
    """

    average: float
    survival: FloatArray
    hazard: float

    def without_signal(self, points: int) -> float:
        """Return the probability of no signal in the first `points` points."""
        last = self.survival.size - 1
        if points <= last:
            return float(self.survival[points])
        return float(self.survival[last]) * math.exp(
            (points - last) * math.log1p(-min(self.hazard, 1 - 1e-16))
        )

    def quantile(self, probability: float) -> int:
        """Return the smallest number of points by which the chart has signalled with this probability."""
        if not 0 < probability < 1:
            raise EstimationError(f"run length: found probability {probability}, expected between 0 and 1.")
        kept = 1 - probability
        reached = np.nonzero(self.survival <= kept)[0]
        if reached.size:
            return int(reached[0])
        if not self.hazard > 0:
            raise EstimationError(
                "run length: the chart practically never signals; its quantiles are not known."
            )
        last = self.survival.size - 1
        return last + math.ceil(math.log(kept / float(self.survival[last])) / math.log1p(-self.hazard))

    @property
    def median(self) -> int:
        """The number of points by which half of all such charts have signalled."""
        return self.quantile(0.5)

    def __str__(self) -> str:
        low, high = self.quantile(0.05), self.quantile(0.95)
        middle = f"median {self.median}; nine in ten from {low} to {high}"
        return f"one signal in about {self.average:.4g} points ({middle})"


def average_run_length(
    chart: Chart,
    *,
    shift: float = 0.0,
    scale: float = 1.0,
    start: Start = Start.ZERO,
    sides: Sides = Sides.BOTH,
    first_shift: float | None = None,
) -> float:
    """Return the average number of points until `chart` signals.

    Parameters
    ----------
    chart : Shewhart, Ewma or Cusum; normal, independent points.
    shift : mean of the plotted points less the centre, in the standard deviations that the chart assumes.
    scale : standard deviation of the plotted points over the assumed one.
    start : the shift from the first point on (zero state), or after long running without shift or signal.
    sides : both sides, or only signals upward (Shewhart and Cusum).
    first_shift : mean of the first point less the centre, where it is not `shift`, as for residuals; zero state only.

    Returns
    -------
    float, in points; inf where it is too long for double precision (beyond 1e13).

    Raises
    ------
    EstimationError
        The combination is not available, or shift or scale is not a usable number.

    References
    ----------
    Champ & Woodall (1987) for run rules; Crowder (1987) for the EWMA; Lucas & Crosier (1982) for the CUSUM.
    """
    _check(shift, scale)
    first = _first_shift(first_shift, shift, start)
    if isinstance(chart, Shewhart) and not chart.rules:
        rate, once = (beyond_limits(chart.limit, shift=s, scale=scale, sides=sides) for s in (shift, first))
        if not rate > 0:
            return math.inf
        return 1 / rate if first_shift is None else 1 + (1 - once) / rate
    if isinstance(chart, Cusum) and sides is Sides.BOTH and start is Start.ZERO:
        return both_sides_average(chart, shift=shift, scale=scale, first=first_shift)
    if first_shift is not None:
        return _zero_state_chain(chart, shift=shift, scale=scale, sides=sides, first=first).average()
    return _chain(chart, shift=shift, scale=scale, start=start, sides=sides).average()


def residual_run_length(chart: Chart, *, carry: float, shift: float = 0.0) -> float:
    """Return the average number of points until a chart of the residuals of a first-order model signals, zero state.

    A shift of the results by d shows as d in the first residual, since the result before was still without it, and as
    (1 − carry) d in every later one. In control the residuals are independent, and the chart runs as for any points.

    Parameters
    ----------
    chart : in standard deviations of the residuals, as residuals are plotted; model and limits taken as known.
    carry : carry-over from result to result, between −1 and 1.
    shift : of the results, in their own standard deviation σ (that of the residuals is σ √(1 − carry²)).

    Raises
    ------
    EstimationError
        The carry-over is outside −1 to 1, or as `average_run_length`.

    References
    ----------
    Alwan & Roberts (1988), J. Business & Economic Statistics 6, 87-95; Wardell, Moskowitz & Plante (1994),
    Technometrics 36, 3-17 (run lengths of residuals; from memory).
    """
    if not -1 < carry < 1:
        raise EstimationError(
            f"run length of residuals: found carry-over {carry}, expected between -1 and 1."
        )
    full = shift / math.sqrt(1 - carry**2)
    return average_run_length(chart, shift=(1 - carry) * full, first_shift=full)


def run_length(
    chart: Chart,
    *,
    shift: float = 0.0,
    scale: float = 1.0,
    start: Start = Start.ZERO,
    sides: Sides = Sides.BOTH,
) -> RunLength:
    """Return average and distribution of the run length; arguments and errors as in `average_run_length`."""
    average = average_run_length(chart, shift=shift, scale=scale, start=start, sides=sides)
    if isinstance(chart, Cusum) and sides is Sides.BOTH and start is Start.ZERO:
        survival, hazard = both_sides_survival(chart, shift=shift, scale=scale)
    else:
        survival, hazard = _chain(chart, shift=shift, scale=scale, start=start, sides=sides).survival()
    if hazard < _FINEST_HAZARD:
        # 1 − P(N > t + 1)/P(N > t) has lost its digits; the average, from a linear system, has not.
        hazard = float(survival[-1]) / (average - float(survival[:-1].sum()))
    return RunLength(average=average, survival=survival, hazard=hazard)


def beyond_limits(limit: float, *, shift: float, scale: float, sides: Sides = Sides.BOTH) -> float:
    """Return the probability that one point lies beyond ± `limit` (or above it)."""
    upper = float(ndtr((shift - limit) / scale))
    return upper if sides is Sides.UPPER else upper + float(ndtr((-limit - shift) / scale))


def _chain(chart: Chart, *, shift: float, scale: float, start: Start, sides: Sides) -> Chain:
    shifted = _zero_state_chain(chart, shift=shift, scale=scale, sides=sides)
    if start is Start.ZERO:
        return shifted
    # Without a shift before; the nodes depend on the scale alone, so both chains have the same states.
    before = _zero_state_chain(chart, shift=0.0, scale=scale, sides=sides)
    settled = before.settled()
    return Chain(early=np.array([1.0]), start=shifted.step.T @ settled, step=shifted.step)


def _zero_state_chain(
    chart: Chart, *, shift: float, scale: float, sides: Sides, first: float | None = None
) -> Chain:
    match chart:
        case Shewhart():
            return shewhart_chain(
                chart, shift=shift, scale=scale, both_sides=sides is Sides.BOTH, first=first
            )
        case Ewma():
            if sides is Sides.UPPER:
                raise EstimationError(
                    "EWMA run length: one side alone is not available, since the average could fall without "
                    "end. "
                    "Ask for both sides, or use a CUSUM."
                )
            return ewma_chain(chart, shift=shift, scale=scale, first=first)
        case Cusum():
            if sides is Sides.BOTH:
                raise EstimationError(
                    "CUSUM run length: the steady state is available for one side only. Ask for the upper "
                    "side "
                    "(turn the sign of the shift for the lower), or for the zero state."
                )
            return one_side_chain(chart, shift=shift, scale=scale, start=chart.head_start, first=first)
        case _:
            assert_never(chart)


def _first_shift(first: float | None, shift: float, start: Start) -> float:
    if first is None:
        return shift
    if start is not Start.ZERO:
        raise EstimationError("run length: a first point of its own is available for the zero state only.")
    if not math.isfinite(first):
        raise EstimationError(
            f"run length: found first_shift {first}, expected a finite number of standard deviations."
        )
    return first


def _check(shift: float, scale: float) -> None:
    if not math.isfinite(shift):
        raise EstimationError(
            f"run length: found shift {shift}, expected a finite number of standard deviations."
        )
    if not (math.isfinite(scale) and scale > 0):
        raise EstimationError(f"run length: found scale {scale}, expected above 0.")
