"""Pivotal: draws of the components of an unbalanced layout, whose quantiles are intervals of any sum or
ratio.

In: a BlockFit.  Out: (draws, components) generalised pivotal values of one group.

For each random term, the data adjusted for every term that does not lie within it are turned into values
q_i'y that are uncorrelated at the estimates, with variances a_i v + d_i: v is the term's component, d_i is
what repeatability and the terms within it add. The sum of (q_i'y)^2 / (a_i v + d_i) is a chi-square; each
draw solves it for v, from the finest term to the coarsest, with the draws of the finer ones in d_i. This is
Wald's pivot, exact for one random term; with several the values of different terms are taken as independent.
In a balanced layout it is the usual generalised pivot of independent mean squares. A negative v is kept (as
the estimate of a mean-square combination is) until sums are formed. Why not a bootstrap of estimate* /
estimate: with three rigs its upper limit of R&R misses the truth in a quarter of all studies, because a rig
component that happens to come out small makes the drawn studies agree.
Sources: Wald (1940), Ann. Math. Statist. 11, 96-100; Seely & El-Bassiouni (1983), Ann. Statist. 11, 197-201;
Weerahandi (1993), JASA 88, 899-905; Burdick, Borror & Montgomery (2005), Design and Analysis of Gauge R&R
Studies, SIAM, for pivots of this kind in gauge studies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray
from repeatab.estimation.contrasts import fixed_rows
from repeatab.estimation.even_draws import ChiSquareSource
from repeatab.layout.partitions import Partition

if TYPE_CHECKING:
    from repeatab.estimation.block_fit import BlockFit

_RANK = 1e-9
_STEPS = 60
_SETTLED = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class _Term:
    """One random term: `own` (values,) are the a_i, `finer` (values, finer terms) what those add, `square`
    (values,) the squared values of the data; `inside` says which components the finer terms are."""

    component: int
    own: FloatArray
    finer: FloatArray
    inside: tuple[int, ...]
    square: FloatArray


def pivotal_components(fit: BlockFit, group: int, *, draws: int, rng: ChiSquareSource) -> FloatArray:
    """Draw (draws, components) pivotal values of the components, repeatability last; they may be negative.

    Covariates are taken out at their estimated slopes, each for one degree of freedom of repeatability.

    Raises
    ------
    LayoutError
        No degrees of freedom are left for repeatability, or for a term beside the others.
    """
    return pivots_of(fit, group, draws=draws, rng=rng).values


@dataclass(frozen=True, slots=True, kw_only=True)
class Pivots:
    """Pivotal values of one group.

    values : (draws, components), repeatability last; they may be negative.
    raised : the values that they would have, had no term come out below zero. Where a term scatters less than
        repeatability and the terms within it already make it, its values may all be negative and both limits zero,
        which no rig deserves. The raised values belong to data whose term is estimated at zero exactly; their upper
        quantile is an upper limit that errs towards a larger component.
    free_ss, free_df : sum of squares that is repeatability's alone, and its degrees of freedom.
    """

    values: FloatArray
    raised: FloatArray
    free_ss: float
    free_df: int


def pivots_of(fit: BlockFit, group: int, *, draws: int, rng: ChiSquareSource) -> Pivots:
    """Draw the pivotal values of one group; see `pivotal_components`."""
    weight = np.sqrt(fit.block.count.astype(np.float64))
    mean, scatter = without_slopes(fit, group)
    within = float(scatter.sum())
    y = weight * mean
    terms = [fit.layout.random[i] for i in fit.layout.estimated]
    columns = [weight[:, None] * np.eye(term.size)[term.codes] for term in terms]
    fixed = weight[:, None] * fit.layout.fixed.matrix
    variances = np.maximum(fit.variances[group], 0.0)
    whole = _basis(np.concatenate([fixed, *columns], axis=1))
    left = y - whole @ (whole.T @ y)
    df = fit.block.rows - whole.shape[1] - len(fit.layout.model.covariates)
    if df <= 0:
        raise LayoutError("no degrees of freedom are left for repeatability. Run repeats, or drop a term.")
    found = np.empty((draws, len(terms) + 1))
    free = within + float(left @ left)
    found[:, -1] = free / rng.chisquare(df, draws)
    raised = found.copy()
    estimate = np.append(variances[:-1], free / df)
    for j in _finest_first(terms):
        part = _term(j, terms, columns, fixed, y, variances)
        target = rng.chisquare(len(part.own), draws)
        found[:, j] = raised[:, j] = _solve(part, found, target)
        lift = _lift(part, estimate)
        if lift > 1:
            raised[:, j] = _solve(replace(part, square=part.square * lift), found, target)
    return Pivots(values=found, raised=raised, free_ss=free, free_df=df)


def _lift(term: _Term, estimate: FloatArray) -> float:
    """The factor that brings the scatter of a term up to what the others make of it on average."""
    others = estimate[-1] + term.finer @ estimate[list(term.inside)]
    seen = float((term.square / others).sum())
    return len(term.own) / max(seen, 1e-12)


def without_slopes(fit: BlockFit, group: int) -> tuple[FloatArray, FloatArray]:
    """(cells,) means of the result about its centre and (cells,) sums of squares within cells, covariates
    taken out at their estimated slopes."""
    mean, cross = fit.block.mean[group], fit.block.cross[group]
    c = len(fit.layout.model.covariates)
    contrast = np.ones(1)
    if c:
        rows = fixed_rows(fit.layout.fixed, fit.layout.model.covariates)[-c:]
        contrast = np.concatenate([contrast, -fit.combine(rows)[0][group]])
    values = mean[:, : c + 1] @ contrast
    within = np.einsum("cxy,x,y->c", cross[:, : c + 1, : c + 1], contrast, contrast)
    # About the centre: the intercept takes it out anyway, and small numbers keep their digits.
    return values - np.average(values, weights=fit.block.count), within


def _finest_first(terms: list[Partition]) -> list[int]:
    return sorted(range(len(terms)), key=lambda i: (-terms[i].size, i))


def _term(
    j: int,
    terms: list[Partition],
    columns: list[FloatArray],
    fixed: FloatArray,
    y: FloatArray,
    variances: FloatArray,
) -> _Term:
    inside = tuple(k for k in range(len(terms)) if k != j and terms[k].is_finer_than(terms[j]))
    others = [columns[k] for k in range(len(terms)) if k != j and k not in inside]
    out = _basis(np.concatenate([fixed, *others], axis=1))
    space = _basis(columns[j] - out @ (out.T @ columns[j]), of=columns[j])
    if space.shape[1] == 0:
        raise LayoutError("no degrees of freedom are left for a term beside the others. Drop a term.")
    # Rotate so that the values are uncorrelated at the estimates.
    seen = [space.T @ columns[k] for k in (j, *inside)]
    spread = sum(
        (variances[k] * s @ s.T for k, s in zip((j, *inside), seen, strict=True)), start=np.zeros((1, 1))
    )
    turn = space @ np.linalg.eigh(spread + np.zeros((space.shape[1],) * 2))[1]
    norms = [((turn.T @ columns[k]) ** 2).sum(axis=1) for k in (j, *inside)]
    finer = np.stack(norms[1:], axis=1) if inside else np.zeros((turn.shape[1], 0))
    return _Term(component=j, own=norms[0], finer=finer, inside=inside, square=(turn.T @ y) ** 2)


def _basis(columns: FloatArray, *, of: FloatArray | None = None) -> FloatArray:
    """Orthonormal columns that span the given ones; small is what is small beside the columns `of`, themselves
    unless given."""
    left, size, _ = np.linalg.svd(columns, full_matrices=False)
    whole = float(size[0]) if of is None else float(np.linalg.norm(of, 2))
    return np.asarray(left[:, size > _RANK * max(whole, 1e-300)], np.float64)


def _solve(term: _Term, found: FloatArray, target: FloatArray) -> FloatArray:
    """(draws,) roots v of sum_i square_i / (own_i v + d_i) = target, by Newton's rule on the reciprocal,
    which is concave and nearly straight, so that from the left of the root it never passes it."""
    added = found[:, -1:] + found[:, list(term.inside)] @ term.finer.T
    # Where negative draws of finer terms take more away than repeatability gives, a little of it is left.
    added = np.maximum(added, 1e-3 * found[:, -1:])
    edge = -(added / term.own).min(axis=1)
    slack = 1e-9 * (np.abs(edge) + found[:, -1])
    v = np.maximum(term.square.sum() / target - added.mean(axis=1), 0) / term.own.mean() + edge + slack
    for _ in range(_STEPS):
        scaled = 1 / (term.own * v[:, None] + added)
        value = scaled @ term.square
        slope = (scaled**2) @ (term.square * term.own)
        moved = np.maximum(v + (value**2 / target - value) / slope, edge + slack)
        settled = np.abs(moved - v) <= _SETTLED * (np.abs(moved) + found[:, -1])
        v = moved
        if settled.all():
            break
    return np.asarray(v, np.float64)
