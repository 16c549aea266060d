"""Minimise: the smallest REML criterion over non-negative variances, for many groups at once.

In: a System, starting variances, and which of them are held.  Out: the minimiser of each group.

Projected Newton (Bertsekas 1982, SIAM J. Control Optim. 20, 221-246) in the variances themselves: a variance
at zero stays there only while its derivative is positive. A search in standard deviations would find every
zero stationary, whether it is the optimum or not. The Hessian is exact, 2 A - E with A the average and E the
expected information; where it is not positive definite, the expected information takes its place (Fisher
scoring).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.moments import Moments, Problem, criterion, moments
from repeatab.estimation.strata import Strata, pooled_minimum

_STEPS = 200
# Ordinary searches settle in 5 to 15 steps.
_PATIENCE = 60
_HALVINGS = 40
# Relative to a scaled total of order one: Newton is quadratic, so the step after this one is below rounding.
_SETTLED = 1e-9
# Beside a value of another component repeatability may be left with nothing; this share of the total stands for that.
VANISHED = 1e-7
# The residual variance of a REML fit is positive; one this far below the total is a fit that runs away to
# zero.
SMALLEST_RESIDUAL = 1e-14


def no_repeatability(where: str = "") -> EstimationError:
    """The refusal of data in which repeats agree exactly; `where` names the group."""
    return EstimationError(
        f"{where}{': ' if where else ''}the data leave no scatter for repeatability (repeats agree exactly), "
        "so ratios to it have no finite value. Record the results with more digits, or leave the finest "
        "term out."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Minimum:
    """theta (groups, K + 1), the residual last, and the criterion there (groups,); gradient (groups, K + 1) is
    that of the point before the last step, which has settled."""

    theta: FloatArray
    criterion: FloatArray
    gradient: FloatArray

    def take(self, groups: IntArray) -> Minimum:
        """Of some of the groups."""
        return Minimum(
            theta=self.theta[groups], criterion=self.criterion[groups], gradient=self.gradient[groups]
        )


def minimise(
    system: Problem,
    start: FloatArray,
    held: NDArray[np.bool_] | None = None,
    *,
    settled: float = _SETTLED,
    least: FloatArray | None = None,
) -> Minimum:
    """Minimise the criterion from `start` (groups, K + 1).

    Parameters
    ----------
    held : (groups, K + 1) variances to keep at their start; none if not given.
    settled : a step this small, as a share of the total, is the last.
    least : (groups,) residual variance below which the search does not go; none if not given.

    Raises
    ------
    EstimationError
        The criterion falls without end (repeatability has no scatter) or the search does not settle.
    """
    theta = start.copy()
    held = np.zeros(theta.shape, bool) if held is None else held
    value = np.full(len(theta), np.inf)
    gradient = np.zeros(theta.shape)
    bound = np.zeros(theta.shape)
    bound[:, -1] = 0.0 if least is None else least
    active = np.arange(len(theta))
    for steps in range(_STEPS):
        part = system if len(active) == len(theta) else system.take(active)
        here = moments(part, theta[active])
        gradient[active] = here.gradient
        free = ~held[active] & ~((theta[active] <= bound[active]) & (here.gradient >= 0))
        step = _newton_step(here, free)
        moved, reached = _line_search(part, theta[active], here, step, bound[active])
        change = np.abs(moved - theta[active])
        # The residual is measured by itself too: one that falls without end is soon lost in the total.
        moving = (change.max(axis=1) > settled * moved.sum(axis=1)) | (change[:, -1] > 1e-6 * moved[:, -1])
        if steps > _PATIENCE:
            # On a ridge so flat that a step gains nothing to be seen, any point of it is as good.
            gain = -(here.gradient * (moved - theta[active])).sum(axis=1)
            moving &= gain > 1e-10 * (1 + np.abs(here.criterion))
        theta[active] = moved
        value[active] = reached
        if ((theta[active, -1] < SMALLEST_RESIDUAL) & ~held[active, -1]).any() and least is None:
            raise no_repeatability()
        active = active[moving]
        if active.size == 0:
            return Minimum(theta=theta, criterion=value, gradient=gradient)
    raise EstimationError(
        f"the variance components did not settle in {_STEPS} steps ({active.size} group(s)). "
        "The design may hold almost nothing on one of them: drop a term or add runs."
    )


def _newton_step(here: Moments, free: NDArray[np.bool_]) -> FloatArray:
    gradient = np.where(free, here.gradient, 0.0)
    both = free[:, :, None] & free[:, None, :]
    eye = np.eye(free.shape[1])
    # Scale by the expected information, so that definiteness is judged on a matrix with a unit diagonal.
    root = information_scale(here)
    outer = root[:, :, None] * root[:, None, :]
    exact = np.where(both, (2 * here.average - here.expected) / outer, eye)
    scoring = np.where(both, here.expected / outer, eye)
    convex = np.linalg.eigvalsh(exact)[:, 0] > 1e-6
    matrix = np.where(convex[:, None, None], exact, scoring + 1e-12 * eye)
    solved = np.linalg.solve(matrix, (gradient / root)[:, :, None])[:, :, 0]
    return np.asarray(-solved / root, dtype=np.float64)


def _line_search(
    system: Problem, theta: FloatArray, here: Moments, step: FloatArray, bound: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Halve the projected step until the criterion falls enough (Armijo), group by group."""
    length = np.ones(len(theta))
    moved = projected(theta, step * length[:, None], bound)
    reached = criterion(system, moved)
    # Differences of the criterion below its own rounding decide nothing. Where a component is a thousand times another,
    # or a covariate nearly follows from a factor, the rounding is far above that of one addition; a slack below it
    # would halve good steps to nothing, and the search would seem to have settled (tests/numerics).
    slack = 1e-9 * (1 + np.abs(here.criterion))
    for _ in range(_HALVINGS):
        gain = (here.gradient * (moved - theta)).sum(axis=1)
        failed = np.flatnonzero(~(reached <= here.criterion + 1e-4 * np.minimum(gain, 0) + slack))
        if failed.size == 0:
            break
        length[failed] /= 2
        moved[failed] = projected(theta[failed], step[failed] * length[failed, None], bound[failed])
        reached[failed] = criterion(system.take(failed), moved[failed])
    return moved, reached


def information_scale(here: Moments) -> FloatArray:
    """(groups, K + 1) roots of the diagonal of the expected information."""
    # Where repeatability has all but vanished its own entry, found as what the others leave, may be rounding.
    return np.asarray(np.sqrt(np.abs(np.diagonal(here.expected, 0, 1, 2)) + 1e-300), np.float64)


def projected(theta: FloatArray, step: FloatArray, bound: FloatArray) -> FloatArray:
    """Variances after a step, none below its bound."""
    moved = np.maximum(theta + step, bound)
    # The residual stays positive: it may fall to a tenth in one step, not to nothing.
    moved[:, -1] = np.maximum(moved[:, -1], 0.1 * theta[:, -1])
    return moved


def starting_values(system: Problem) -> FloatArray:
    """Variances from one step of scoring at equal variances (MINQUE, C. R. Rao 1971, J. Multivariate Anal. 1,
    257-275): exact for a balanced layout without negative estimates, and a good start elsewhere."""
    equal = np.ones((system.groups, system.sources + 1))
    here = moments(system, equal)
    regular = here.expected + 1e-12 * np.eye(equal.shape[1])
    solved = np.linalg.solve(regular, here.quadratic[:, :, None])[:, :, 0]
    total = np.abs(solved).sum(axis=1, keepdims=True)
    return np.asarray(np.maximum(solved, 0.01 * total), dtype=np.float64)


def minimise_from_several_starts(system: Problem) -> Minimum:
    """The best minimum: from the scoring start, and from inside wherever a component came out as zero."""
    if system.sources == 0:
        return _residual_alone(system)
    best = minimise(system, starting_values(system))
    zero: IntArray = np.flatnonzero((best.theta[:, :-1] <= 0).any(axis=1))
    if zero.size == 0:
        return best
    part = system.take(zero)
    for push in (0.05, 0.5):
        start = best.theta[zero]
        inside = np.where(start <= 0, push * start.sum(axis=1, keepdims=True), start)
        again = minimise(part, inside)
        better = again.criterion < best.criterion[zero] - 1e-10
        best.theta[zero[better]] = again.theta[better]
        best.criterion[zero[better]] = again.criterion[better]
        best.gradient[zero[better]] = again.gradient[better]
    return best


def _residual_alone(system: Problem) -> Minimum:
    """Without a random term the minimum is the residual mean square."""
    one = np.ones((system.groups, 1))
    theta = moments(system, one).quadratic / system.df
    if (theta < SMALLEST_RESIDUAL).any():
        raise no_repeatability()
    return Minimum(theta=theta, criterion=criterion(system, theta), gradient=np.zeros_like(theta))


def minimise_strata(strata: Strata, inverse: FloatArray) -> Minimum:
    """The minimum of a balanced layout: its moment estimates; where one of them is negative, those of pooled rows;
    searched for only where that is not the answer either. `inverse` are the `component_rows`."""
    theta: FloatArray = strata.ms @ inverse.T
    gradient = np.zeros_like(theta)
    outside = np.flatnonzero(~(theta >= 0).all(axis=1))
    if outside.size:
        part = strata.take(outside)
        pooled, slope = pooled_minimum(part, inverse)
        # Without rows to pool for them, or without a proof that it is the minimum: the general search.
        unproved = np.flatnonzero(np.isnan(pooled).any(axis=1))
        if unproved.size:
            found = minimise_from_several_starts(part.take(unproved))
            pooled[unproved], slope[unproved] = found.theta, found.gradient
        theta[outside], gradient[outside] = pooled, slope
    return Minimum(theta=theta, criterion=criterion(strata, theta), gradient=gradient)
