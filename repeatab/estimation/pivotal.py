"""Pivotal: draws of the components of a layout, whose quantiles are intervals of any sum or ratio.

In: a BlockFit.  Out: (draws, components) generalised pivotal values of its groups.

For each random term, the data adjusted for every term that does not lie within it are turned into values
q_i'y that are uncorrelated at the estimates, with variances a_i v + d_i: v is the term's component, d_i is
what repeatability and the terms within it add (pivotal_terms). The sum of (q_i'y)^2 / (a_i v + d_i) is a
chi-square; each draw solves it for v, from the finest term to the coarsest, with the draws of the finer ones in
d_i. This is Wald's pivot, exact for one random term; with several the values of different terms are taken as
independent. In a balanced layout it is the usual generalised pivot of independent mean squares, and there the root
has a closed form. A negative v is kept (as the estimate of a mean-square combination is) until sums are formed. Why
not a bootstrap of estimate* / estimate: with three rigs its upper limit of R&R misses the truth in a quarter of all
studies, because a rig component that happens to come out small makes the drawn studies agree.
Sources: Wald (1940), Ann. Math. Statist. 11, 96-100; Seely & El-Bassiouni (1983), Ann. Statist. 11, 197-201;
Weerahandi (1993), JASA 88, 899-905; Burdick, Borror & Montgomery (2005), Design and Analysis of Gauge R&R
Studies, SIAM, for pivots of this kind in gauge studies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.contrasts import fixed_rows
from repeatab.estimation.even_draws import ChiSquareSource
from repeatab.estimation.pivotal_terms import Term, balanced_terms

if TYPE_CHECKING:
    from repeatab.estimation.block_fit import BlockFit

_STEPS = 60
# Quadratic: what a step of this share leaves is far below what the draws themselves leave open.
_SETTLED = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Pivots:
    """Pivotal values of groups.

    values : (groups, components, draws), repeatability last; they may be negative.
    raised : the values that they would have, had no term come out below zero; None unless asked for. Where a term
        scatters less than repeatability and the terms within it already make it, its values may all be negative
        and both limits zero, which no rig deserves. The raised values belong to data whose term is estimated at
        zero exactly; their upper quantile is an upper limit that errs towards a larger component.
    free_ss : (groups,) sum of squares that is repeatability's alone; free_df : its degrees of freedom.
    """

    values: FloatArray
    raised: FloatArray | None
    free_ss: FloatArray
    free_df: int


def pivotal_components(fit: BlockFit, group: int, *, draws: int, rng: ChiSquareSource) -> FloatArray:
    """Draw (draws, components) pivotal values of the components, repeatability last; they may be negative.

    Covariates are taken out at their estimated slopes, each for one degree of freedom of repeatability.

    Raises
    ------
    LayoutError
        No degrees of freedom are left for repeatability, or for a term beside the others.
    """
    drawn = pivots_of(fit, np.array([group]), draws=draws, rng=rng).values[0]
    return np.asarray(drawn.T, np.float64)


def pivots_of(
    fit: BlockFit, groups: IntArray, *, draws: int, rng: ChiSquareSource, raised: bool = False
) -> Pivots:
    """Draw the pivotal values of some groups, the same chi-squares serving all; see `pivotal_components`."""
    terms, free, df = carried_terms(fit, groups)
    found = np.empty((len(groups), len(terms) + 1, draws))
    np.divide(free[:, None], rng.chisquare(df, draws), out=found[:, -1])
    higher = found.copy() if raised else None
    estimate = np.maximum(fit.variances[groups], 0.0)
    estimate[:, -1] = free / df
    for term in terms:
        target = rng.chisquare(term.number, draws)
        _solve(term, found, target, out=found[:, term.component])
        if higher is not None:
            _raise(term, found, target, estimate, higher)
    return Pivots(values=found, raised=higher, free_ss=free, free_df=df)


def carried_terms(fit: BlockFit, groups: IntArray) -> tuple[list[Term], FloatArray, int]:
    """The terms of some groups, and sum of squares and degrees of freedom of repeatability alone."""
    analysis = fit.mean_squares
    if analysis is not None:
        terms = balanced_terms(analysis, fit.layout)
        mine = [replace(term, square=term.square[groups]) for term in terms]
        return mine, analysis.ss[groups, -1], round(float(analysis.df[-1]))
    spaces = fit.pivotal_spaces
    mean, within = _without_slopes(fit, groups)
    variances = np.maximum(fit.variances[groups], 0.0)
    return spaces.carried(mean, variances), spaces.free(mean, within), spaces.df


def _raise(
    term: Term, found: FloatArray, target: FloatArray, estimate: FloatArray, higher: FloatArray
) -> None:
    """The term's values with its scatter brought up to what the others make of it on average, where it is less."""
    others = estimate[:, -1, None] + (term.finer @ estimate[:, list(term.inside), None])[:, :, 0]
    seen = (term.square / others).sum(axis=1)
    lift = term.number / np.maximum(seen, 1e-12)
    higher[:, term.component] = found[:, term.component]
    low = np.flatnonzero(lift > 1)
    if low.size:
        part = replace(
            term, square=term.square[low] * lift[low, None],
            own=term.own if len(term.own) == 1 else term.own[low],
            finer=term.finer if len(term.finer) == 1 else term.finer[low],
        )  # fmt: skip
        values = np.empty((low.size, len(target)))
        _solve(part, found[low], target, out=values)
        higher[low, term.component] = values


def without_slopes(fit: BlockFit, group: int) -> tuple[FloatArray, FloatArray]:
    """(cells,) means of the result about its centre and (cells,) sums of squares within cells, covariates
    taken out at their estimated slopes."""
    mean, within = _without_slopes(fit, np.array([group]))
    return mean[0], within[0]


def _without_slopes(fit: BlockFit, groups: IntArray) -> tuple[FloatArray, FloatArray]:
    """The same (groups, cells) for several groups."""
    mean, cross = fit.block.mean[groups], fit.block.cross[groups]
    c = len(fit.layout.model.covariates)
    contrast = np.ones((len(groups), 1))
    if c:
        rows = fixed_rows(fit.layout.fixed, fit.layout.model.covariates)[-c:]
        contrast = np.concatenate([contrast, -fit.combine(rows)[0][groups]], axis=1)
    values = (mean[:, :, : c + 1] @ contrast[:, :, None])[:, :, 0]
    within = np.einsum("gcxy,gx,gy->gc", cross[:, :, : c + 1, : c + 1], contrast, contrast)
    # About the centre: the intercept takes it out anyway, and small numbers keep their digits.
    return values - np.average(values, axis=1, weights=fit.block.count)[:, None], within


def _solve(term: Term, found: FloatArray, target: FloatArray, *, out: FloatArray) -> None:
    """Write to `out` (groups, draws) the roots v of sum_i square_i / (own_i v + d_i) = target."""
    floor = found[:, -1]
    if term.own.shape[1] > 1:
        out[:] = _rooted(term, np.maximum(_beside(term, found), 1e-3 * floor[:, None]), floor, target)
        return
    # One value, or all alike: v = (square / target - d) / own. Long columns: as few new ones as can be.
    added = floor
    if term.inside:
        np.multiply(term.finer[:, :, 0], found[:, term.inside[0]], out=out)
        added = out + floor
        for place, k in enumerate(term.inside[1:], start=1):
            added += np.multiply(term.finer[:, :, place], found[:, k], out=out)
        np.maximum(added, np.multiply(floor, 1e-3, out=out), out=added)
    np.divide(term.square, target, out=out)
    out -= added
    out /= term.own


def _beside(term: Term, found: FloatArray) -> FloatArray:
    """(groups, values, draws) what repeatability and the terms within add to each value."""
    added = np.repeat(found[:, -1:], term.finer.shape[1], axis=1)
    for place, k in enumerate(term.inside):
        added += term.finer[:, :, place, None] * found[:, k, None]
    return added


def _rooted(term: Term, added: FloatArray, floor: FloatArray, target: FloatArray) -> FloatArray:
    """(groups, draws) roots by Newton's rule on the reciprocal, which is concave and nearly straight, so that from
    the left of the root it never passes it. Where negative draws of finer terms take more away than repeatability
    gives, a little of it is left in `added`."""
    own = term.own[:, :, None]
    edge = -(added / own).min(axis=1)
    slack = 1e-9 * (np.abs(edge) + floor)
    least = edge + slack
    total = term.square.sum(axis=1)[:, None]
    v = np.maximum(total / target - added.mean(axis=1), 0) / own.mean(axis=1) + least
    first, second = term.square[:, None], (term.square * term.own)[:, None]
    for _ in range(_STEPS):
        scaled = own * v[:, None]
        scaled += added
        np.reciprocal(scaled, out=scaled)
        value = (first @ scaled)[:, 0]
        scaled *= scaled
        slope = (second @ scaled)[:, 0]
        moved = np.maximum(v + (value**2 / target - value) / slope, least)
        settled = np.abs(moved - v) <= _SETTLED * (np.abs(moved) + floor)
        v = moved
        if settled.all():
            break
    return np.asarray(v, np.float64)
