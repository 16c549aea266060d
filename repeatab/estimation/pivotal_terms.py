"""Pivotal terms: the uncorrelated values of the data that carry each random term, for pivots of its component.

In: a layout, its cell means and variances.  Out: per random term, from the finest to the coarsest, values with
variances a v + d: v is the term's component, d what repeatability and the terms within it add.

For each term the data are adjusted for every term that does not lie within it (Seely & El-Bassiouni 1983, Ann.
Statist. 11, 197-201) and rotated so that they are uncorrelated at the estimates. In a balanced layout all values of a
term have the same variance, and its mean square holds all of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray
from repeatab.estimation.mean_squares import MeanSquares
from repeatab.layout.layout import Layout

_RANK = 1e-9
# A component at zero is given this share of the total, so that its values are still taken apart.
_A_LITTLE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One random term of groups.

    component : its position; inside : positions of the terms within it.
    number : how many values of one degree of freedom there are.
    own : (groups or 1, values) the a; finer : (groups or 1, values, terms within) what those add.
    square : (groups, values) sums of squares of the values with these.
    """

    component: int
    inside: tuple[int, ...]
    number: int
    own: FloatArray
    finer: FloatArray
    square: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Space:
    """The values of one term: an orthonormal basis (cells, values), and per term that shows in them (itself first)
    the covariance (values, values) that it gives them."""

    component: int
    inside: tuple[int, ...]
    basis: FloatArray
    shown: tuple[FloatArray, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spaces:
    """All of a layout. whole : (cells, rank) basis of all fixed and random columns; df : of repeatability."""

    weight: FloatArray
    whole: FloatArray
    df: int
    terms: tuple[_Space, ...]

    def free(self, mean: FloatArray, within: FloatArray) -> FloatArray:
        """(groups,) sums of squares that are repeatability's alone, from (groups, cells) means and sums within."""
        y = mean * self.weight
        left = y - (y @ self.whole) @ self.whole.T
        return np.asarray(within.sum(axis=1) + (left**2).sum(axis=1), np.float64)

    def carried(self, mean: FloatArray, variances: FloatArray) -> list[Term]:
        """The terms, finest first, for (groups, cells) means and (groups, components) variances."""
        y = mean * self.weight
        floor = _A_LITTLE * variances.sum(axis=1)
        return [_rotated(space, y, variances, floor) for space in self.terms]


def spaces_of(layout: Layout) -> Spaces:
    """Take a layout apart.

    Raises
    ------
    LayoutError
        No degrees of freedom are left for repeatability, or for a term beside the others.
    """
    weight = np.sqrt(layout.count.astype(np.float64))
    terms = [layout.random[i] for i in layout.estimated]
    columns = [weight[:, None] * np.eye(term.size)[term.codes] for term in terms]
    fixed = weight[:, None] * layout.fixed.matrix
    whole = _basis(np.concatenate([fixed, *columns], axis=1))
    df = layout.rows - whole.shape[1] - len(layout.model.covariates)
    if df <= 0:
        raise LayoutError("no degrees of freedom are left for repeatability. Run repeats, or drop a term.")
    spaces = []
    for j in sorted(range(len(terms)), key=lambda i: (-terms[i].size, i)):
        inside = tuple(k for k in range(len(terms)) if k != j and terms[k].is_finer_than(terms[j]))
        others = [columns[k] for k in range(len(terms)) if k != j and k not in inside]
        out = _basis(np.concatenate([fixed, *others], axis=1))
        basis = _basis(columns[j] - out @ (out.T @ columns[j]), of=columns[j])
        if basis.shape[1] == 0:
            raise LayoutError("no degrees of freedom are left for a term beside the others. Drop a term.")
        seen = [basis.T @ columns[k] for k in (j, *inside)]
        shown = tuple(s @ s.T for s in seen)
        spaces.append(_Space(component=j, inside=inside, basis=basis, shown=shown))
    return Spaces(weight=weight, whole=whole, df=df, terms=tuple(spaces))


def _rotated(space: _Space, y: FloatArray, variances: FloatArray, floor: FloatArray) -> Term:
    """Values that are uncorrelated at the variances."""
    own = np.maximum(variances[:, space.component], floor)
    spread = own[:, None, None] * space.shown[0]
    for k, shown in zip(space.inside, space.shown[1:], strict=True):
        spread = spread + variances[:, k, None, None] * shown
    turn = np.linalg.eigh(spread)[1]
    norms = [((shown @ turn) * turn).sum(axis=1) for shown in space.shown]
    values = ((y @ space.basis)[:, None] @ turn)[:, 0]
    return Term(
        component=space.component, inside=space.inside, number=turn.shape[1], own=norms[0],
        finer=np.stack(norms[1:], axis=2) if space.inside else np.zeros((len(y), turn.shape[1], 0)),
        square=values**2,
    )  # fmt: skip


def balanced_terms(analysis: MeanSquares, layout: Layout) -> list[Term]:
    """The terms of a balanced layout, finest first: one mean square each."""
    terms = [layout.random[i] for i in layout.estimated]
    first = len(analysis.df) - 1 - len(terms)
    found = []
    for j in sorted(range(len(terms)), key=lambda i: (-terms[i].size, i)):
        row = first + j
        inside = tuple(k for k in range(len(terms)) if k != j and analysis.expected[row, k] > 0)
        found.append(
            Term(
                component=j,
                inside=inside,
                number=round(float(analysis.df[row])),
                own=analysis.expected[row, j].reshape(1, 1),
                finer=analysis.expected[row, list(inside)].reshape(1, 1, -1),
                square=analysis.ss[:, row, None],
            )
        )
    return found


def _basis(columns: FloatArray, *, of: FloatArray | None = None) -> FloatArray:
    """Orthonormal columns that span the given ones; small is what is small beside the columns `of`, themselves
    unless given."""
    left, right, _ = qr(columns, mode="economic", pivoting=True, check_finite=False)
    size = np.abs(np.diagonal(right))
    whole = size[0] if of is None else np.sqrt((of**2).sum(axis=0).max())
    return np.asarray(left[:, : np.count_nonzero(size > _RANK * max(float(whole), 1e-300))], np.float64)
