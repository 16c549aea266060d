"""Separability: which sources of scatter a design can tell apart.

In: partitions of the random terms, the fixed columns and the counts.  Out: for every source whether it stands
alone, is mixed with others, or is taken up by the fixed effects.

Two sources are one number when their covariance patterns, after the fixed effects are taken out, are
proportional. The patterns V_j = Z_j Z_j' are compared through tr(M V_j M V_k), M = I - X (X'X)^-1 X', which
is the REML information at equal variances (Patterson & Thompson 1971, Biometrika 58, 545-554). A singular
matrix of these traces names the sources that are mixed together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.cells import FloatArray, IntArray
from repeatab.layout.partitions import Partition, class_counts, crossing

# Traces are sums of at most n^2 products of counts, good to about 1e-12; a real separation of sources in a
# laboratory's design lies orders of magnitude above this.
_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Separability:
    """Indices into the sources (the random terms in their order, then repeatability).

    alone : sources that the design tells apart.
    mixed : groups of sources that are one number; the last of each group carries it.
    absorbed : sources that leave no trace beside the fixed effects.
    """

    alone: tuple[int, ...]
    mixed: tuple[tuple[int, ...], ...]
    absorbed: tuple[int, ...]

    @property
    def estimated(self) -> tuple[int, ...]:
        """The sources that get a number: those alone and the carrier of each mixture, in order."""
        return tuple(sorted([*self.alone, *(group[-1] for group in self.mixed)]))


def separability(
    terms: Sequence[Partition], count: IntArray, fixed: FloatArray, fixed_cross: FloatArray
) -> Separability:
    """Find what is separable.

    Parameters
    ----------
    terms : partitions of the random terms.
    count : (cells,) rows per cell.
    fixed : (cells, p) cell means of the fixed columns, covariates included.
    fixed_cross : (p, p) their cross-products over rows (within cells too).
    """
    traces = _traces(terms, count, fixed, fixed_cross)
    n = float(count.sum())
    size = len(traces)
    scale = np.sqrt(np.diag(traces).clip(min=0))
    # A pattern is taken up by the fixed effects when nothing of it is left; compare with what it was before.
    before = np.sqrt(np.array([*(float((t.weights(count) ** 2).sum()) for t in terms), n]))
    absorbed = tuple(int(i) for i in range(size) if scale[i] <= 1e-7 * before[i])
    free = [i for i in range(size) if i not in absorbed]
    groups = _dependent_groups(traces[np.ix_(free, free)] / np.outer(scale[free], scale[free]))
    mixed = tuple(tuple(free[i] for i in group) for group in groups)
    inside = {i for group in mixed for i in group}
    return Separability(alone=tuple(i for i in free if i not in inside), mixed=mixed, absorbed=absorbed)


def _dependent_groups(correlation: FloatArray) -> list[list[int]]:
    """Groups of columns bound by a linear relation, found as blocks of the projector on the null space."""
    if len(correlation) == 0:
        return []
    values, vectors = np.linalg.eigh(correlation)
    null = vectors[:, values < _TOLERANCE]
    if null.shape[1] == 0:
        return []
    projector = null @ null.T
    remaining = [i for i in range(len(projector)) if projector[i, i] > 1e-6]
    groups: list[list[int]] = []
    while remaining:
        group = [remaining.pop(0)]
        for member in group:
            linked = [i for i in remaining if abs(projector[member, i]) > 1e-6]
            group.extend(linked)
            remaining = [i for i in remaining if i not in linked]
        groups.append(sorted(group))
    return groups


def _traces(
    terms: Sequence[Partition], count: IntArray, fixed: FloatArray, fixed_cross: FloatArray
) -> FloatArray:
    """(terms + 1, terms + 1) of tr(M V_j M V_k), the last source being the rows themselves."""
    inverse = np.linalg.pinv(fixed_cross, hermitian=True)
    sums = [_class_sums(term, count, fixed) for term in terms]
    heads = [inverse @ (s.T @ s) for s in sums]
    size = len(terms)
    n, p = float(count.sum()), len(fixed_cross)
    traces = np.empty((size + 1, size + 1))
    for j in range(size):
        for k in range(j + 1):
            squares, linked = _shared_rows(terms[j], terms[k], count, sums[j], sums[k])
            value = squares - 2 * np.trace(inverse @ linked) + np.trace(heads[j] @ heads[k])
            traces[j, k] = traces[k, j] = value
        traces[size, j] = traces[j, size] = n - np.trace(heads[j])
    traces[size, size] = n - p
    return traces


def _shared_rows(
    first: Partition, second: Partition, count: IntArray, of_first: FloatArray, of_second: FloatArray
) -> tuple[float, FloatArray]:
    """Of the numbers of rows that two classes share: the sum of squares, and the (p, p) sum weighted with the classes'
    sums of the fixed columns."""
    table = None if first is second else crossing(first, second, count)
    if table is not None:
        wide = table.reshape(first.size, second.size)
        return float(np.vdot(table, table)), of_first.T @ (wide @ of_second)
    a, b, rows = class_counts(first, second, count)
    return float(np.vdot(rows, rows)), (of_first[a] * rows[:, None]).T @ of_second[b]


def _class_sums(term: Partition, count: IntArray, fixed: FloatArray) -> FloatArray:
    """(classes, p) sums of the fixed columns over each class."""
    weighted = fixed * count[:, None]
    return np.stack([np.bincount(term.codes, column, term.size) for column in weighted.T], axis=1)
