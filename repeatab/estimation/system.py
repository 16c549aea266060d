"""System: the mixed-model equations of a block of groups, reduced as far as they can be once and for all.

In: a Block and its Layout.  Out: System: the chain of nested random terms that is eliminated analytically,
the dense columns that remain (other random terms, fixed columns, covariates, the result), and how the
internal columns relate to the ones that are reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.chain import Chain, Columns, build_chain
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout
from repeatab.layout.partitions import Partition

LEAST_SPREAD = 1e-60
"""Scatter below this has a fourth power that is no number with all its digits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class System:
    """Columns B = [dense random terms | fixed columns and covariates | result] over an eliminated chain.

    chain_terms, dense_terms : positions in the list of estimated random terms.
    dense_slices : per dense term, its columns.
    random_columns, fixed_columns : how many of each.
    rows : results per group.
    centre, scale : (groups, covariates) taken from the covariates; origin : (groups,) taken from the result.
    unit : (groups,) the result is divided by this, so that every criterion sees values of order one.
    """

    chain: Chain
    chain_terms: tuple[int, ...]
    dense_terms: tuple[int, ...]
    dense_slices: tuple[slice, ...]
    random_columns: int
    fixed_columns: int
    rows: int
    origin: FloatArray
    unit: FloatArray
    centre: FloatArray
    scale: FloatArray

    @property
    def groups(self) -> int:
        return int(self.chain.mean.shape[0])

    @property
    def sources(self) -> int:
        """Number of estimated random terms; the residual is one more."""
        return len(self.chain_terms) + len(self.dense_terms)

    @property
    def df(self) -> int:
        """Rows less fixed columns."""
        return self.rows - self.fixed_columns

    @property
    def numbers(self) -> int:
        """About how many numbers a group takes."""
        nodes = self.chain.mean[0].size if self.chain.alike is None else 0
        return int(nodes + self.chain.scatter[0].size)

    def take(self, groups: IntArray) -> System:
        """The same system for some of the groups (repeats allowed)."""
        return System(
            chain=self.chain.take(groups), chain_terms=self.chain_terms, dense_terms=self.dense_terms,
            dense_slices=self.dense_slices, random_columns=self.random_columns,
            fixed_columns=self.fixed_columns, rows=self.rows, origin=self.origin[groups],
            unit=self.unit[groups], centre=self.centre[groups], scale=self.scale[groups],
        )  # fmt: skip


def build_system(block: Block, layout: Layout, *, names: Sequence[str] = ()) -> System:
    """Set up the equations; `names` is what a message calls each group.

    Raises
    ------
    EstimationError
        All results of a group are equal, or a covariate does not vary.
    """
    terms = [layout.random[i] for i in layout.estimated]
    chain_terms = longest_chain(terms)
    dense_terms = tuple(i for i in range(len(terms)) if i not in chain_terms)
    order = np.lexsort([terms[i].codes for i in chain_terms]) if chain_terms else np.arange(len(block.count))
    weight = block.count[order].astype(np.float64)
    values = scaled_values(block, layout, order, names)
    edges = np.cumsum([0, *(terms[i].size for i in dense_terms)])
    fixed = layout.fixed.matrix[order]
    p = fixed.shape[1]
    groups = len(block.groups)
    plain = np.concatenate([np.broadcast_to(fixed, (groups, *fixed.shape)), values.mean], axis=2)
    padded = np.zeros((groups, plain.shape[2], plain.shape[2]))
    padded[:, p:, p:] = values.scatter
    columns = Columns(
        indicators=tuple(e + terms[i].codes[order] for e, i in zip(edges[:-1], dense_terms, strict=True)),
        random=int(edges[-1]), plain=plain, scatter=padded,
    )  # fmt: skip
    return System(
        chain=build_chain([_renumbered(terms[i].codes[order]) for i in chain_terms], weight, columns),
        chain_terms=chain_terms,
        dense_terms=dense_terms,
        dense_slices=tuple(slice(int(a), int(b)) for a, b in pairwise(edges)),
        random_columns=int(edges[-1]),
        fixed_columns=layout.fixed.matrix.shape[1] + len(layout.model.covariates),
        rows=block.rows,
        origin=values.origin,
        unit=values.unit,
        centre=values.centre,
        scale=values.scale,
    )


def longest_chain(terms: Sequence[Partition]) -> tuple[int, ...]:
    """The finest term and, of the rest, each next finest that the chain so far is nested in; finest first."""
    by_size = sorted(range(len(terms)), key=lambda i: (-terms[i].size, i))
    chain: list[int] = []
    for i in by_size:
        if not chain or terms[chain[-1]].is_finer_than(terms[i]):
            chain.append(i)
    return tuple(chain)


def _renumbered(codes: IntArray) -> IntArray:
    """Contiguous classes numbered in the order in which they stand."""
    return np.cumsum(np.concatenate([[0], (np.diff(codes) != 0).astype(np.int64)]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Values:
    """Covariates and result, centred and scaled per group: mean (groups, cells, c + 1) and their scatter within
    cells; origin, unit, centre and scale as in System."""

    mean: FloatArray
    scatter: FloatArray
    origin: FloatArray
    unit: FloatArray
    centre: FloatArray
    scale: FloatArray


def scaled_values(block: Block, layout: Layout, order: IntArray, names: Sequence[str]) -> Values:
    """The values of the cells in the given order.

    Raises
    ------
    EstimationError
        All results of a group are equal, or a covariate does not vary.
    """
    covariates = len(layout.model.covariates)
    pick = [*range(1, 1 + covariates), 0]
    mean = block.mean[:, order][:, :, pick]
    scatter = block.cross.sum(axis=1)[:, pick][:, :, pick]
    weight = block.count[order] / block.rows
    origin = np.einsum("c,gcv->gv", weight, mean)
    mean = mean - origin[:, None]
    spread = np.sqrt(np.einsum("c,gcv->gv", weight, mean**2) + np.diagonal(scatter, 0, 1, 2) / block.rows)
    refuse_constant(spread, origin + block.shift[pick], layout.model.covariates, names)
    mean = mean / spread[:, None]
    scatter = scatter / (spread[:, :, None] * spread[:, None, :])
    absolute = origin + block.shift[pick]
    return Values(
        mean=mean, scatter=scatter, origin=absolute[:, -1], unit=spread[:, -1], centre=absolute[:, :-1],
        scale=spread[:, :-1],
    )  # fmt: skip


def refuse_constant(
    spread: FloatArray, level: FloatArray, covariates: tuple[str, ...], names: Sequence[str] = ()
) -> None:
    """Refuse columns without scatter: spread and level are (groups, covariates + 1), the result last.

    Raises
    ------
    EstimationError
        All results of a group are equal, or one of its covariates does not vary.
    """
    # Scatter at the rounding of the values themselves is no scatter, nor is one whose fourth power is zero.
    group, column = np.nonzero(spread <= np.maximum(1e-14 * np.abs(level), LEAST_SPREAD))
    if group.size == 0:
        return
    where = f"{names[group[0]]}: " if names else ""
    if column[0] == len(covariates):
        raise EstimationError(
            f"{where}all results are equal (to {level[group[0], -1]:.6g}), so no scatter can be estimated. "
            "Check the result column, its unit and the resolution with which it was recorded."
        )
    raise EstimationError(
        f"{where}the covariate '{covariates[column[0]]}' has the same value in every row. Leave it out."
    )
