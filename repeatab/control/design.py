"""A chart's numbers from what it shall do: the shift it must find, and how rarely it may cry wolf.

In: a shift in standard deviations of the plotted points, and the in-control run length.
Out: ChartChoice: the chart with its run lengths as computed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from repeatab.base.errors import StudyError
from repeatab.control.charts import Chart, Cusum, Ewma
from repeatab.control.run_length import average_run_length

_SMALLEST_WEIGHT = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartChoice:
    """A chart with its average run lengths in points: in control, and after a shift of `shift` (zero
    state).
    """

    chart: Chart
    shift: float
    in_control: float
    shifted: float

    def __str__(self) -> str:
        return (
            f"{self.chart}: one false alarm in about {self.in_control:.3g} points; a shift of "
            f"{self.shift:g} standard "
            f"deviations is found after about {self.shifted:.3g} points"
        )


@lru_cache(maxsize=64)
def ewma_for(*, shift: float, in_control: float, starting_limits: bool = False) -> ChartChoice:
    """Return the EWMA chart that finds `shift` soonest among those with that in-control average run length.

    The weight is the best one for constant limits, 0.01 or more; with `starting_limits` only the limit is set
    anew (a shift present from the first point would otherwise always ask for the smallest weight).

    Raises
    ------
    StudyError
        The shift is not above 0 or the run length not above 2.

    References
    ----------
    Crowder (1989), J. Quality Technology 21, 155-162; Lucas & Saccucci (1990), Technometrics 32, 1-29.
    """
    from scipy.optimize import minimize_scalar

    _check(shift, in_control)

    def found_after(log_weight: float) -> float:
        weight = math.exp(log_weight)
        return average_run_length(
            Ewma(weight=weight, limit=_ewma_limit(weight, in_control, False)), shift=shift
        )

    best = minimize_scalar(
        found_after, bounds=(math.log(_SMALLEST_WEIGHT), 0.0), method="bounded", options={"xatol": 1e-3}
    )
    weight = min(1.0, math.exp(float(best.x)))
    return _choice(
        Ewma(
            weight=weight,
            limit=_ewma_limit(weight, in_control, starting_limits),
            starting_limits=starting_limits,
        ),
        shift,
    )


@lru_cache(maxsize=64)
def ewma_limit(*, weight: float, in_control: float, starting_limits: bool = False) -> float:
    """Return the limit that gives an EWMA chart of that weight the in-control average run length
    `in_control`.
    """
    _check(1.0, in_control)
    return _ewma_limit(weight, in_control, starting_limits)


@lru_cache(maxsize=64)
def cusum_for(*, shift: float, in_control: float, head_start: bool = False) -> ChartChoice:
    """Return the CUSUM that finds `shift` soonest: its reference is half the shift; its decision gives
    `in_control`.

    With `head_start` both sums begin at half the decision value.

    Raises
    ------
    StudyError
        The shift is not above 0 or the run length not above 2.

    References
    ----------
    Moustakides (1986), Annals of Statistics 14, 1379-1387 (the reference); ISO 7870-4.
    """
    _check(shift, in_control)
    reference = shift / 2

    def chart(decision: float) -> Cusum:
        return Cusum(reference=reference, decision=decision, head_start=decision / 2 if head_start else 0.0)

    decision = _limit_for(lambda h: average_run_length(chart(h)), in_control, low=1e-3, high=4.0)
    return _choice(chart(decision), shift)


def _ewma_limit(weight: float, in_control: float, starting_limits: bool) -> float:
    return _limit_for(
        lambda limit: average_run_length(Ewma(weight=weight, limit=limit, starting_limits=starting_limits)),
        in_control, low=1e-3, high=4.0,
    )  # fmt: skip


def _limit_for(run_length: Callable[[float], float], wanted: float, *, low: float, high: float) -> float:
    """Solve run_length(limit) = wanted; the run length rises with the limit."""
    from scipy.optimize import brentq

    def miss(limit: float) -> float:
        return math.log(run_length(limit) / wanted)

    if miss(low) > 0:
        raise StudyError(
            f"in-control run length: found {wanted:g} points, which even the narrowest limit exceeds. Ask "
            "for more."
        )
    while miss(high) < 0:
        low, high = high, high * 1.5
    return float(brentq(miss, low, high, xtol=1e-10, rtol=1e-12))


def _choice(chart: Chart, shift: float) -> ChartChoice:
    return ChartChoice(
        chart=chart,
        shift=shift,
        in_control=average_run_length(chart),
        shifted=average_run_length(chart, shift=shift),
    )


def _check(shift: float, in_control: float) -> None:
    if not (math.isfinite(shift) and shift > 0):
        raise StudyError(
            f"shift: found {shift}, expected above 0, in standard deviations of the plotted points."
        )
    if not (math.isfinite(in_control) and in_control > 2):
        raise StudyError(f"in-control run length: found {in_control}, expected more than 2 points.")
