"""Refitted limits: profile limits with the other components fitted again at each point, the careful way.

In: a problem and its minimum, and which limits are wanted.  Out: the variances at which the profiled restricted
likelihood has risen by the chi-square point above its minimum; zero where the rise at zero is smaller.

The root of the rise is linear to first order in the logarithm of the variance, and its slope is the derivative of
the criterion itself, since the other variances stand at their optimum: so Newton steps need few refits. A bracket
keeps each step between a value that is still within reach and one that is not. The joint search of `profile`
comes here with what it cannot settle.
Source: Venzon & Moolgavkar (1988), Applied Statistics 37, 87-94.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.minimise import VANISHED, Minimum, minimise
from repeatab.estimation.moments import Problem

_STEPS = 100
_ROOT_TOLERANCE = 1e-8
# The criterion is flat in the other variances at their optimum: this far from it, it is right to 1e-12.
_SETTLED = 1e-6
# The criterion is smooth at zero for the random components, so this share of the total stands for zero.
_NEXT_TO_NOTHING = 1e-10
_FURTHEST = 400.0


@dataclass(slots=True, kw_only=True)
class _Search:
    """Limits of components of groups, side by side, in the logarithm of the variance.

    least : of repeatability, which the search may leave with nothing.
    inside, outside : the bracket: within reach, and out of reach (infinite until known).
    theta : the last fit of each; rise, slope : of the profiled criterion there.
    """

    problem: Problem
    component: IntArray
    minimum: FloatArray
    least: FloatArray
    point: FloatArray
    inside: FloatArray
    outside: FloatArray
    theta: FloatArray
    rise: FloatArray
    slope: FloatArray

    def fit_at(self, which: IntArray, log_value: FloatArray) -> None:
        """Refit the other variances with the component at exp(log_value), and narrow the brackets."""
        start = self.theta[which]
        index, component = np.arange(len(which)), self.component[which]
        start[index, component] = np.exp(log_value)
        held = np.zeros(start.shape, bool)
        held[index, component] = True
        found = minimise(self.problem.take(which), start, held, settled=_SETTLED, least=self.least[which])
        self.theta[which] = found.theta
        self.rise[which] = found.criterion - self.minimum[which]
        self.slope[which] = found.gradient[index, component] * np.exp(log_value)
        within = self.rise[which] < self.point[which]
        self.inside[which[within]] = log_value[within]
        self.outside[which[~within]] = log_value[~within]

    def next_point(self, which: IntArray, log_value: FloatArray) -> FloatArray:
        """The Newton step in the root of the rise, or halving the bracket where it leads out of it."""
        inside, outside = self.inside[which], self.outside[which]
        root = np.sqrt(np.maximum(self.rise[which], 0))
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (np.sqrt(self.point[which]) - root) * 2 * root / self.slope[which]
        trial = log_value + np.clip(step, -3.0, 3.0)
        low, high = np.minimum(inside, outside), np.maximum(inside, outside)
        fine = np.isfinite(trial) & (trial > low) & (trial < high)
        # Without an outer end yet, go on outwards.
        halved = np.where(np.isfinite(outside), (inside + outside) / 2, inside + np.sign(outside) * 2.0)
        return np.where(fine, trial, halved)


def refitted_limits(
    problem: Problem, minimum: Minimum, which: IntArray, error: FloatArray, *, point: FloatArray, side: float
) -> FloatArray:
    """(which,) limits, lower ones at `side` -1 and upper ones at 1; zero or infinite where the data set none.

    Parameters
    ----------
    which : limits asked for, numbered group by group, component by component.
    point : (which,) the rise that each limit is sought at.
    error : (which,) standard errors of the components; they only choose where a search starts.
    """
    if which.size == 0:
        return np.empty(0)
    estimate = minimum.theta.ravel()[which]
    search = _search(problem, minimum, which, point, side=side)
    if side > 0:
        return np.exp(_solve(search, np.arange(len(which)), np.log(estimate + 2 * error)))
    values = np.zeros(len(which))
    reached = _out_of_reach_at_zero(search, estimate)
    if reached.size:
        first = np.maximum(estimate[reached] - 1.5 * error[reached], 0.2 * estimate[reached])
        values[reached] = np.exp(_solve(search, reached, np.log(first)))
    return values


def _search(
    problem: Problem, minimum: Minimum, which: IntArray, point: FloatArray, *, side: float
) -> _Search:
    sources = minimum.theta.shape[1]
    group, component = which // sources, which % sources
    theta = minimum.theta[group]
    total = theta.sum(axis=1)
    estimate = theta[np.arange(len(which)), component]
    return _Search(
        problem=problem.take(group),
        component=component,
        minimum=minimum.criterion[group],
        least=VANISHED * total,
        point=point,
        inside=np.log(np.maximum(estimate, _NEXT_TO_NOTHING * total)),
        outside=np.full(len(which), side * np.inf),
        theta=_lifted(theta),
        rise=np.zeros(len(which)),
        slope=np.zeros(len(which)),
    )


def _out_of_reach_at_zero(search: _Search, estimate: FloatArray) -> IntArray:
    """The searches whose rise at zero exceeds the point, so that there is a lower limit to be found."""
    residual = search.component == search.theta.shape[1] - 1
    floor = np.where(residual, np.log(estimate / 100.0), np.log(_NEXT_TO_NOTHING * search.theta.sum(axis=1)))
    tried = np.flatnonzero(floor < np.log(estimate))
    inside, theta = search.inside.copy(), search.theta.copy()
    search.fit_at(tried, floor[tried])
    reached = tried[search.rise[tried] > search.point[tried]]
    search.inside[reached], search.theta[reached] = inside[reached], theta[reached]
    return reached


def _solve(search: _Search, which: IntArray, first: FloatArray) -> FloatArray:
    """(which,) logarithms of the values at which the rise equals the point; infinite where none is found."""
    place = first.copy()
    active = np.arange(len(which))
    for _ in range(_STEPS):
        search.fit_at(which[active], place[active])
        gap = np.abs(search.rise[which[active]] - search.point[which[active]])
        width = np.abs(search.outside[which[active]] - search.inside[which[active]])
        active = active[(gap > _ROOT_TOLERANCE) & (width > 1e-12)]
        lost = active[place[active] > _FURTHEST]
        place[lost] = np.inf
        active = active[place[active] <= _FURTHEST]
        if active.size == 0:
            break
        place[active] = search.next_point(which[active], place[active])
    return place


def _lifted(theta: FloatArray) -> FloatArray:
    """Start components that stand at zero slightly inside, so that the search may leave the boundary."""
    total = theta.sum(axis=1, keepdims=True)
    return np.where(theta <= 0, 1e-3 * total, theta)
