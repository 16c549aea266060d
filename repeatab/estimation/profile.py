"""Profile: likelihood limits of every component, the others being refitted at each point.

In: a System and its minimum.  Out: (groups, K + 1) lower and upper variances at which the profiled restricted
likelihood has risen by the chi-square point above its minimum; zero where the rise at zero is smaller.
Source: Venzon & Moolgavkar (1988), Applied Statistics 37, 87-94, for the definition; here all limits of all
groups are searched side by side by a bracketed secant rule in the logarithm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.minimise import Minimum, minimise
from repeatab.estimation.system import System

_WIDENINGS = 60
_ROOT_STEPS = 60
_ROOT_TOLERANCE = 1e-8


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    """Limits of components of groups, side by side: the fits at which they start and their targets."""

    system: System
    component: IntArray
    theta: FloatArray
    target: FloatArray

    def rise(self, which: IntArray, log_value: FloatArray) -> FloatArray:
        """Profiled criterion less the target at component values exp(log_value)."""
        start = self.theta[which].copy()
        index = np.arange(len(which))
        start[index, self.component[which]] = np.exp(log_value)
        held = np.zeros(start.shape, bool)
        held[index, self.component[which]] = True
        found = minimise(self.system.take(which), _lifted(start, held), held)
        return found.criterion - self.target[which]


def profile_limits(system: System, minimum: Minimum, *, level: float) -> tuple[FloatArray, FloatArray]:
    """(groups, K + 1) lower and upper limits of the variances, in the units of `minimum`."""
    groups, sources = minimum.theta.shape
    point = special.chdtri(1, 1 - level)
    group = np.repeat(np.arange(groups), sources)
    search = _Search(
        system=system.take(group),
        component=np.tile(np.arange(sources), groups),
        theta=minimum.theta[group],
        target=minimum.criterion[group] + point,
    )
    total = minimum.theta.sum(axis=1)[group]
    estimate = minimum.theta[group, search.component]
    upper = _upper(search, estimate, total)
    lower = _lower(search, estimate, total)
    return lower.reshape(groups, sources), upper.reshape(groups, sources)


def _upper(search: _Search, estimate: FloatArray, total: FloatArray) -> FloatArray:
    inside = np.log(np.maximum(estimate, 1e-6 * total))
    which = np.arange(len(estimate))
    outside = inside.copy()
    value = np.full(len(inside), -1.0)
    step = np.log(2.0)
    for _ in range(_WIDENINGS):
        inside[which] = outside[which]
        outside[which] = inside[which] + step
        value[which] = search.rise(which, outside[which])
        which = which[value[which] < 0]
        if which.size == 0:
            return np.exp(_root(search, np.arange(len(estimate)), inside, outside))
        step = min(step * 1.5, 3.0)
    reached = np.exp(_root(search, np.flatnonzero(value >= 0), inside, outside))
    reached[which] = np.inf
    return reached


def _lower(search: _Search, estimate: FloatArray, total: FloatArray) -> FloatArray:
    """Zero where a value next to nothing is still within reach; else the root below the estimate."""
    last = search.theta.shape[1] - 1
    lower = np.zeros(len(estimate))
    candidates = np.flatnonzero(estimate > 0)
    # The criterion is smooth at zero for the random components, so a value this small stands for it.
    tiny = np.log(1e-10 * total)
    floor = np.where(search.component == last, np.log(np.maximum(estimate, 1e-300)) - np.log(100.0), tiny)
    at_floor = np.full(len(estimate), -np.inf)
    at_floor[candidates] = search.rise(candidates, floor[candidates])
    reached = candidates[at_floor[candidates] > 0]
    if reached.size:
        inside = np.log(np.maximum(estimate, 1e-300))
        lower[reached] = np.exp(_root(search, reached, inside, floor))[reached]
    return lower


def _root(search: _Search, which: IntArray, inside: FloatArray, outside: FloatArray) -> FloatArray:
    """Roots between `inside` (rise below zero) and `outside` (above), by the Illinois rule with bisection."""
    a, b = inside.copy(), outside.copy()
    root = a.copy()
    if which.size == 0:
        return root
    fa, fb = np.empty(len(a)), np.empty(len(a))
    fa[which], fb[which] = search.rise(which, a[which]), search.rise(which, b[which])
    active = which
    for step in range(_ROOT_STEPS):
        slope = fb[active] - fa[active]
        middle = b[active] - fb[active] * (b[active] - a[active]) / slope
        if step % 4 == 3:
            middle = (a[active] + b[active]) / 2
        value = search.rise(active, middle)
        above = value > 0
        root[active] = middle
        # Illinois: an end that stays twice has its value halved, so that it cannot hold the secant back.
        fa[active] = np.where(above, fa[active] / 2, value)
        a[active] = np.where(above, a[active], middle)
        fb[active] = np.where(above, value, fb[active] / 2)
        b[active] = np.where(above, middle, b[active])
        active = active[(np.abs(value) > _ROOT_TOLERANCE) & (np.abs(b[active] - a[active]) > 1e-12)]
        if active.size == 0:
            break
    return root


def _lifted(start: FloatArray, held: np.ndarray) -> FloatArray:
    """Start free components that stand at zero slightly inside, so that the search may leave the boundary."""
    total = start.sum(axis=1, keepdims=True)
    return np.where((start <= 0) & ~held, 1e-3 * total, start)
