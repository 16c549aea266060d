"""Cost: rig hours of a plan, whether it can be run, and the plans worth looking at.

In: planned runs, hours per run, set and change-over, limits.  Out: hours, the cost-information front.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from repeatab.planning.layouts import PlannedRuns

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class HourCosts:
    """Rig hours for a run, for preparing a pad set once (bedding included), and for putting another set on a rig."""

    run: float
    set: float = 0.0
    change_over: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What can be had; None where nothing is stated.

    sets : pad sets in all; sets_of : of single levels (lots, or rigs where each has sets of its own).
    runs_per_set : how many runs a set bears; 1 where it is used up by one. stays : a set cannot go to another rig.
    """

    sets: int | None = None
    sets_of: Mapping[str, int] = field(default_factory=dict)
    rigs: int | None = None
    days: int | None = None
    hours_per_day: float = 8.0
    hours: float | None = None
    runs_per_set: int | None = None
    stays: bool = False


def hours_of(plan: PlannedRuns, costs: HourCosts) -> float:
    """Rig hours in all: every run, every set once, and a change-over whenever a set comes onto a rig."""
    visits = _visits(plan)
    return len(plan.runs) * costs.run + plan.sets * costs.set + visits * costs.change_over


def _visits(plan: PlannedRuns) -> int:
    """Times that a set is put onto a rig: consecutive runs of a set on one rig need no change-over."""
    return sum(changes([run.where for run in runs]) for runs in plan.runs_by_set.values())


def changes(places: Sequence[str]) -> int:
    """How often a set that runs at these places in turn is put onto a rig."""
    return sum(1 for i, place in enumerate(places) if i == 0 or places[i - 1] != place)


def busiest_hours(plan: PlannedRuns, costs: HourCosts) -> float:
    """Hours of the rig that has most to do; rigs work side by side, and each run may ask for a change-over. The
    preparation of a set is shared by the rigs that it runs on."""
    taken: dict[str, float] = {}
    for runs in plan.runs_by_set.values():
        each = costs.run + costs.change_over + costs.set / len(runs)
        for run in runs:
            taken[run.where] = taken.get(run.where, 0.0) + each
    return max(taken.values())


def why_not(plan: PlannedRuns, costs: HourCosts, limits: Limits) -> str | None:
    """Why a plan cannot be run under the limits; None if it can."""
    refused = _sets_lacking(plan, limits) or _beyond_a_set(plan, limits)
    if refused is not None:
        return refused
    rigs = len({run.where for run in plan.runs})
    if limits.rigs is not None and rigs > limits.rigs:
        return f"needs {rigs} rigs, {limits.rigs} are free"
    hours = hours_of(plan, costs)
    if limits.hours is not None and hours > limits.hours + 1e-9:
        return f"needs {hours:g} rig hours, {limits.hours:g} are free"
    if limits.days is not None:
        busiest, free = busiest_hours(plan, costs), limits.days * limits.hours_per_day
        if busiest > free + 1e-9:
            return f"needs {busiest:g} hours on one rig, {limits.days} days give {free:g}"
    return None


def _beyond_a_set(plan: PlannedRuns, limits: Limits) -> str | None:
    runs = plan.runs_by_set.values()
    most = max(len(own) for own in runs)
    if limits.runs_per_set == 1 and most > 1:
        return "a set is used up by one run, so no set can run twice"
    if limits.runs_per_set is not None and most > limits.runs_per_set:
        return f"needs {most} runs of a set, one bears {limits.runs_per_set}"
    if limits.stays and any(len({run.where for run in own}) > 1 for own in runs):
        return "a set stays on the rig on which it ran first"
    return None


def _sets_lacking(plan: PlannedRuns, limits: Limits) -> str | None:
    if limits.sets is not None and plan.sets > limits.sets:
        return f"needs {plan.sets} pad sets, {limits.sets} are at hand"
    for level, number in plan.sets_by_level.items():
        if number > limits.sets_of.get(level, number):
            return f"needs {number} pad sets for {level}, {limits.sets_of[level]} are at hand"
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
