"""Cost: rig hours of a plan, the plans worth looking at, and the best split of hours between sets and repeats.

In: planned runs, hours per run, set and change-over, limits.  Out: hours, the cost-information front, allocations.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from repeatab.planning.layouts import REPEATING, PlannedRuns

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class HourCosts:
    """Rig hours for a run, for preparing a pad set once (bedding included), and for putting another set on a rig."""

    run: float
    set: float = 0.0
    change_over: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What can be had; None where nothing is stated. used_up : a set can run only once."""

    sets: int | None = None
    rigs: int | None = None
    days: int | None = None
    hours_per_day: float = 8.0
    hours: float | None = None
    used_up: bool = False


def hours_of(plan: PlannedRuns, costs: HourCosts) -> float:
    """Rig hours in all: every run, every set once, and a change-over whenever a set comes onto a rig."""
    visits = _visits(plan)
    return len(plan.runs) * costs.run + plan.sets * costs.set + visits * costs.change_over


def _visits(plan: PlannedRuns) -> int:
    """Times that a set is put onto a rig: consecutive runs of a set on one rig need no change-over."""
    last: dict[str, str] = {}
    visits = 0
    for run in sorted(plan.runs, key=lambda run: (run.pad_set, run.place)):
        visits += last.get(run.pad_set) != run.level
        last[run.pad_set] = run.level
    return visits


def busiest_hours(plan: PlannedRuns, costs: HourCosts) -> float:
    """Hours of the rig that has most to do; rigs work side by side."""
    each = costs.run + costs.change_over
    counts: dict[str, int] = {}
    for run in plan.runs:
        counts[run.level] = counts.get(run.level, 0) + 1
    return max(counts.values()) * each + plan.sets / max(len(counts), 1) * costs.set


def why_not(plan: PlannedRuns, costs: HourCosts, limits: Limits) -> str | None:
    """Why a plan cannot be run under the limits; None if it can."""
    if limits.used_up and plan.kind in REPEATING:
        return "a set is used up by one run, so no set can run twice"
    if limits.sets is not None and plan.sets > limits.sets:
        return f"needs {plan.sets} pad sets, {limits.sets} are at hand"
    if limits.rigs is not None and len({run.level for run in plan.runs}) > limits.rigs:
        return f"needs {len({run.level for run in plan.runs})} rigs, {limits.rigs} are free"
    hours = hours_of(plan, costs)
    if limits.hours is not None and hours > limits.hours + 1e-9:
        return f"needs {hours:g} rig hours, {limits.hours:g} are free"
    if limits.days is not None:
        busiest, free = busiest_hours(plan, costs), limits.days * limits.hours_per_day
        if busiest > free + 1e-9:
            return f"needs {busiest:g} hours on one rig, {limits.days} days give {free:g}"
    return None


def front(plans: Sequence[_T], cost: Callable[[_T], float], gain: Callable[[_T], float]) -> tuple[_T, ...]:
    """The plans that no other beats: none costs less (or the same) and gains more, in the order of their cost."""
    best = -math.inf
    kept = []
    for plan in sorted(plans, key=lambda p: (cost(p), -gain(p))):
        if gain(plan) > best:
            kept.append(plan)
            best = gain(plan)
    return tuple(kept)


def best_repeats(*, cost_set: float, cost_run: float, var_set: float, var_run: float) -> float:
    """Runs per set that give the smallest variance of a mean for fixed cost.

    For s sets of m runs the variance is (var_set + var_run / m) / s and the cost s (cost_set + m cost_run): the best
    m is sqrt(cost_set var_run / (cost_run var_set)). Cochran (1977), Sampling Techniques, section 10.6.
    """
    if var_set <= 0:
        return math.inf
    return math.sqrt(cost_set * var_run / (cost_run * var_set))


def best_allocation(
    budget: float, *, cost_set: float, cost_run: float, var_set: float, var_run: float
) -> tuple[int, int, float]:
    """Whole numbers (sets, runs per set) with the smallest variance of the mean within a budget, and that variance."""
    best = (0, 0, math.inf)
    for runs in range(1, int(budget / cost_run) + 1):
        sets = int((budget + 1e-9) / (cost_set + runs * cost_run))
        if sets < 1:
            break
        variance = (var_set + var_run / runs) / sets
        if variance < best[2] - 1e-15:
            best = (sets, runs, variance)
    return best
