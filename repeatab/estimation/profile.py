"""Profile: likelihood limits of every component, the others at their best beside each value.

In: a problem (System, Bordered or Strata) and its minimum.  Out: (groups, K + 1) lower and upper variances at
which the profiled restricted likelihood has risen by the chi-square point above its minimum; zero where the rise
at zero is smaller.

A limit solves: criterion = bound, and no slope in the other variances. All limits of all groups take Newton
steps on these equations side by side, with the exact second derivatives that come with each evaluation, so that
nothing is fitted again at each point. The limit's own variance moves on the scale log(variance + c), c being
what the other sources add to it: there one component alone has the likelihood of a chi-square, whose limits are
also where the search starts. A limit that does not settle is searched for with refits (refitted_limits).
Source: Venzon & Moolgavkar (1988), Applied Statistics 37, 87-94.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.minimise import VANISHED, Minimum, information_scale, projected
from repeatab.estimation.moments import Moments, Problem, moments
from repeatab.estimation.refitted_limits import refitted_limits

_STEPS = 25
# Numbers that limits searched side by side may hold, about: 64 MiB.
_NUMBERS = 1 << 23
# Steps are quadratic: one of this length is followed by one below 1e-8, so it is the last and is not looked at.
_LAST_STEP = 1e-4
# What the criterion could still gain in the other variances at the last step.
_LAST_GAIN = 1e-6
# Up to this gain the rise is known well enough to bracket with.
_BRACKETING_GAIN = 1e-4
_LONGEST_STEP = 2.0
_NEXT_TO_NOTHING = 1e-9
# A limit this many times what the data hold is left to the careful way, which says infinite at last.
_FURTHEST = 1e10


@dataclass(frozen=True, slots=True)
class _Others:
    """What the other variances do at a point, to second order.

    toward : (limits, K + 1) the step to their best values; response : how these move with the limit's own.
    gain : (limits,) what the criterion falls by that step; slope, curvature : of the profile in the limit's own.
    """

    toward: FloatArray
    response: FloatArray
    gain: FloatArray
    slope: FloatArray
    curvature: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Alone:
    """Each component as if it stood alone: the profile is weight (log u + centre / u), u = variance + beside.

    All (groups x components,); `best` is u at the estimate.
    """

    weight: FloatArray
    centre: FloatArray
    beside: FloatArray
    best: FloatArray


def profile_limits(problem: Problem, minimum: Minimum, *, level: float) -> tuple[FloatArray, FloatArray]:
    """(groups, K + 1) lower and upper limits of the variances, in the units of `minimum`.

    An upper limit is infinite where the data set none.
    """
    point = float(special.chdtri(1, 1 - level))
    return limits_at(problem, minimum, np.full((2, minimum.theta.shape[1]), point))


def limits_at(problem: Problem, minimum: Minimum, rises: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The same where the profile has risen by `rises` (2, K + 1), those of the lower limits first."""
    groups, sources = minimum.theta.shape
    at_once = max(1, _NUMBERS // (2 * sources * problem.numbers))
    if groups <= at_once:
        return _limits(problem, minimum, rises)
    ends = []
    for start in range(0, groups, at_once):
        some = np.arange(start, min(start + at_once, groups))
        part = Minimum(
            theta=minimum.theta[some], criterion=minimum.criterion[some], gradient=minimum.gradient[some]
        )
        ends.append(_limits(problem.take(some), part, rises))
    lower, upper = zip(*ends, strict=True)
    return np.concatenate(lower), np.concatenate(upper)


def _limits(problem: Problem, minimum: Minimum, rises: FloatArray) -> tuple[FloatArray, FloatArray]:
    groups, sources = minimum.theta.shape
    estimate = minimum.theta.ravel()
    size = len(estimate)
    group, component = np.divmod(np.arange(size), sources)
    point = np.tile(rises, groups)
    here = moments(problem, minimum.theta)
    bound = np.zeros((size, sources))
    bound[:, -1] = VANISHED * minimum.theta.sum(axis=1)[group]
    others = _others(_repeated(here, group), minimum.theta[group], component, bound)
    alone = _alone(here, minimum, others)
    ends = np.stack([np.zeros(size), np.full(size, np.nan)])

    positive = np.flatnonzero(estimate > 0)
    doubtful = positive[_alone_at_zero(alone, positive) < 1.5 * point[0, positive]]
    doubtful = doubtful[component[doubtful] < sources - 1]
    search = _Search(problem, minimum, others, alone, point, component, group, bound)
    reached = search.zero_is_out_of_reach(doubtful)
    sought = np.setdiff1d(positive, doubtful[~(reached > 0)], assume_unique=True)
    ends[0, sought], ends[1] = search.roots(sought, np.arange(size))

    lost_low, lost_high = np.isnan(ends[0]), np.isnan(ends[1])
    lost_low[doubtful[np.isnan(reached)]] = True
    if lost_low.any() or lost_high.any():
        error = alone.best * np.sqrt(2 / alone.weight)
        for side, lost in enumerate((lost_low, lost_high)):
            which = np.flatnonzero(lost)
            ends[side, which] = refitted_limits(
                problem, minimum, which, error[which], point=point[side, which], side=2.0 * side - 1
            )
    lower, upper = ends.reshape(2, groups, sources)
    return lower, upper


def _repeated(here: Moments, which: IntArray) -> Moments:
    return Moments(
        criterion=here.criterion[which], gradient=here.gradient[which], expected=here.expected[which],
        average=here.average[which], quadratic=here.quadratic[which], fixed=here.fixed[:0],
        fixed_inverse=here.fixed_inverse[:0], first=None, second=None,
    )  # fmt: skip


def _others(here: Moments, theta: FloatArray, component: IntArray, bound: FloatArray) -> _Others:
    """Newton's step of the other variances; those at their bound that want to stay there are left out."""
    limits, size = theta.shape
    row = np.arange(limits)
    free = (theta > bound) | (here.gradient < 0)
    free[row, component] = False
    # Scale by the expected information, so that definiteness is judged on a matrix with a unit diagonal.
    root = information_scale(here)
    outer = root[:, :, None] * root[:, None, :]
    exact = (2 * here.average - here.expected) / outer
    both = free[:, :, None] & free[:, None, :]
    eye = np.eye(size)
    matrix = np.where(both, exact, eye)
    bad = np.flatnonzero(np.linalg.eigvalsh(matrix)[:, 0] < 1e-6)
    if bad.size:
        matrix[bad] = np.where(both[bad], here.expected[bad] / outer[bad], eye) + 1e-12 * eye
    gradient = here.gradient / root
    across = exact[row, :, component]
    right = np.stack([gradient, across], axis=2) * free[:, :, None]
    solved = np.linalg.solve(matrix, right)
    toward, response = solved[:, :, 0], solved[:, :, 1]
    own = root[row, component]
    return _Others(
        -toward / root,
        -response * own[:, None] / root,
        0.5 * (right[:, :, 0] * toward).sum(axis=1),
        own * (gradient[row, component] - (right[:, :, 1] * toward).sum(axis=1)),
        own**2 * (exact[row, component, component] - (right[:, :, 1] * response).sum(axis=1)),
    )


def _alone(here: Moments, minimum: Minimum, others: _Others) -> _Alone:
    """One component alone has tr(P V) = weight / u and tr(P V P V) = weight / u^2; the others take some of its
    weight away, which the curvature of the profile shows."""
    trace = (here.gradient + here.quadratic).ravel()
    square = np.diagonal(here.expected, 0, 1, 2).ravel()
    estimate = minimum.theta.ravel()
    best = np.maximum(trace / square, estimate)
    positive = estimate > 0
    centre = np.where(positive, best, best * np.clip(here.quadratic.ravel() / trace, 1e-3, 1.0))
    weight = np.where(positive & (others.curvature > 0), others.curvature * best, trace) * best
    return _Alone(weight=weight, centre=centre, beside=best - estimate, best=best)


def _alone_at_zero(alone: _Alone, which: IntArray) -> FloatArray:
    """The rise at a variance of zero, if the component stood alone."""
    left = np.maximum(alone.beside[which] / alone.best[which], 1e-12)
    return np.asarray(alone.weight[which] * (np.log(left) + 1 / left - 1), np.float64)


def _limits_alone(alone: _Alone, which: IntArray, side: FloatArray, point: FloatArray) -> FloatArray:
    """u at which a component that stands alone reaches the bound: a few Newton steps in the root of the rise."""
    weight, share = alone.weight[which], alone.centre[which] / alone.best[which]
    move = side * np.sqrt(2 * point / weight)
    move = np.where(side > 0, np.minimum(move, 3.0), np.maximum(move, -2.5))
    target = np.sqrt(point)
    for _ in range(4):
        down = share * np.exp(-move)
        root = np.sqrt(np.maximum(weight * (move + down - share), 1e-30))
        slope = weight * (1 - down) / (2 * root)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (target - root) / slope
        move = move + np.where(np.isfinite(step), np.clip(step, -1.5, 1.5), 0.0)
        move = side * np.maximum(side * move, 1e-3)
    return np.asarray(alone.best[which] * np.exp(np.clip(move, -30, 15)), np.float64)


def _moved(
    theta: FloatArray,
    others: _Others,
    component: IntArray,
    u: FloatArray,
    new: FloatArray,
    beside: FloatArray,
    bound: FloatArray,
) -> FloatArray:
    """The variances with the limit's own at `new` - beside and the others following."""
    residual = component == theta.shape[1] - 1
    # Others feel a random component through 1 / u; the residual, straight.
    change = np.where(residual, new - u, (new - u) * u / new)
    moved = projected(theta, others.toward + others.response * change[:, None], bound)
    moved[np.arange(len(theta)), component] = np.maximum(new - beside, 0.0)
    return moved


@dataclass(frozen=True, slots=True)
class _Search:
    """Everything that the searches start from; the limits are numbered group by group, component by component.

    point : (2, limits) the rises that are sought, those of the lower limits first.
    """

    problem: Problem
    minimum: Minimum
    others: _Others
    alone: _Alone
    point: FloatArray
    component: IntArray
    group: IntArray
    bound: FloatArray

    def _start(self, which: IntArray, u: FloatArray) -> FloatArray:
        part = _Others(
            self.others.toward[which], self.others.response[which], self.others.gain[which],
            self.others.slope[which], self.others.curvature[which],
        )  # fmt: skip
        theta, own = self.minimum.theta[self.group[which]], self.component[which]
        return _moved(
            theta, part, own, self.alone.best[which], u, self.alone.beside[which], self.bound[which]
        )

    def zero_is_out_of_reach(self, which: IntArray) -> FloatArray:
        """(which,) 1 where the rise at a variance of zero exceeds the point, 0 where not, nan where unknown."""
        found = np.full(len(which), np.nan)
        beside = self.alone.beside[which]
        theta = self._start(which, np.maximum(beside, 0.05 * self.alone.best[which]))
        theta[np.arange(len(which)), self.component[which]] = 0.0
        active = np.arange(len(which))
        for _ in range(_STEPS):
            if active.size == 0:
                break
            at = which[active]
            here = moments(self.problem.take(self.group[at]), theta[active])
            others = _others(here, theta[active], self.component[at], self.bound[at])
            rise = here.criterion - others.gain - self.minimum.criterion[self.group[at]]
            point = self.point[0, at]
            sure = (np.abs(rise - point) > 3 * others.gain) | (others.gain < _LAST_GAIN)
            sure &= others.gain < 0.5 * point
            found[active[sure]] = (rise > point)[sure]
            theta[active] = projected(theta[active], others.toward, self.bound[at])
            active = active[~sure]
        return found

    def roots(self, lower: IntArray, upper: IntArray) -> tuple[FloatArray, FloatArray]:
        """Lower and upper variances at the bound; nan where the steps do not settle."""
        which = np.concatenate([lower, upper])
        side = np.concatenate([-np.ones(len(lower)), np.ones(len(upper))])
        points = np.concatenate([self.point[0, lower], self.point[1, upper]])
        beside = self.alone.beside[which]
        bracket = _Bracket(
            side,
            np.log(self.alone.best[which]),
            np.where(side > 0, np.inf, np.log(np.maximum(beside, 1e-300))),
        )
        first = _limits_alone(self.alone, which, side, points)
        first = np.maximum(first, beside + 0.05 * (self.alone.best[which] - beside))
        theta, place = self._start(which, first), np.log(first)
        total = self.alone.best[which] + self.minimum.theta.sum(axis=1)[self.group[which]]
        found = np.full(len(which), np.nan)
        active = np.arange(len(which))
        for _ in range(_STEPS):
            at = which[active]
            here = moments(self.problem.take(self.group[at]), theta[active])
            others = _others(here, theta[active], self.component[at], self.bound[at])
            rise = here.criterion - others.gain - self.minimum.criterion[self.group[at]]
            u = np.exp(place[active])
            step = _step_to(
                rise,
                u * others.slope,
                u**2 * others.curvature + u * others.slope,
                points[active],
                side[active],
            )
            trial, plain = bracket.tried(
                active, place[active], step, rise < points[active], others.gain < _BRACKETING_GAIN
            )
            settled = plain & (np.abs(step) < _LAST_STEP) & (others.gain < _LAST_GAIN)
            new = np.exp(trial)
            value = new - beside[active]
            found[active[settled]] = value[settled]
            place[active] = trial
            theta[active] = _moved(
                theta[active], others, self.component[at], u, new, beside[active], self.bound[at]
            )
            # Out of the range in which a root can be told: left to the careful way.
            lost = (value <= _NEXT_TO_NOTHING * u) | (new > _FURTHEST * total[active])
            active = active[~settled & ~lost]
            if active.size == 0:
                break
        found[found <= 0] = np.nan
        return found[: len(lower)], found[len(lower) :]


@dataclass(frozen=True, slots=True)
class _Bracket:
    """Per limit, the furthest place known to be within reach and the nearest known not to be."""

    side: FloatArray
    inside: FloatArray
    outside: FloatArray

    def tried(
        self,
        active: IntArray,
        place: FloatArray,
        step: FloatArray,
        within: NDArray[np.bool_],
        known: NDArray[np.bool_],
    ) -> tuple[FloatArray, NDArray[np.bool_]]:
        """The next place of each active limit, and whether it is that of the full step."""
        near, far = active[within & known], active[~within & known]
        self.inside[near], self.outside[far] = place[within & known], place[~within & known]
        inside, outside = self.inside[active], self.outside[active]
        trial = place + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
        side = self.side[active]
        fine = np.isfinite(trial) & ((trial - inside) * side >= 0) & ((outside - trial) * side > 0)
        with np.errstate(invalid="ignore"):
            halved = np.where(np.isfinite(outside), (inside + outside) / 2, place + side)
        return np.where(fine, trial, halved), fine


def _step_to(
    rise: FloatArray, slope: FloatArray, curvature: FloatArray, point: FloatArray, side: FloatArray
) -> FloatArray:
    """The step on which the root of the rise, taken to second order, reaches the root of the point; nan where the
    slope leads nowhere."""
    root = np.sqrt(np.maximum(rise, 1e-2 * point))
    first = slope / (2 * root)
    second = (curvature / 2 - first**2) / root
    gap = np.sqrt(point) - root
    under = first**2 + 2 * second * gap
    bent = np.sqrt(np.where(under > 0.2 * first**2, under, first**2))
    with np.errstate(divide="ignore", invalid="ignore"):
        step = 2 * gap / (first + np.sign(first) * bent)
    return np.where(slope * side > 0, step, np.nan)
