"""Blocks: groups of cells that have the same layout, stacked so that one pass serves them all.

In: Cells and the factors that divide them into groups.  Out: Blocks with a leading group axis; groups of the
same layout (the same cells with the same counts and covariates) share a block.  One group is the case of one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import overload

import numpy as np
from numpy.typing import NDArray

from repeatab.cells import Cells, FloatArray, IntArray, LabelArray
from repeatab.cells.table import combined_columns


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Groups of one layout.

    factors, levels : the key columns, without those that divide into groups, and their labels.
    codes : (cells, factors); count : (cells,). Shared by all groups.
    variables, shift : as in Cells.
    mean : (groups, cells, variables); cross : (groups, cells, variables, variables).
    groups : (groups,) position of each group in the whole.
    """

    factors: tuple[str, ...]
    levels: tuple[LabelArray, ...]
    codes: IntArray
    count: IntArray
    variables: tuple[str, ...]
    shift: FloatArray
    mean: FloatArray
    cross: FloatArray
    groups: IntArray

    @property
    def rows(self) -> int:
        """Results per group."""
        return int(self.count.sum())

    def code_of(self, factor: str) -> IntArray:
        """(cells,) level index of one factor."""
        return self.codes[:, self.factors.index(factor)]

    def levels_of(self, factor: str) -> LabelArray:
        """All labels of one factor (some may be absent from this block)."""
        return self.levels[self.factors.index(factor)]

    def holds(self, factor: str, *levels: object) -> NDArray[np.bool_]:
        """(cells,) whether a cell is at one of these levels of a factor."""
        wanted = np.array([label in levels for label in self.levels_of(factor)], dtype=bool)
        return wanted[self.code_of(factor)]

    def keep(self, cells: NDArray[np.bool_] | IntArray) -> Block:
        """Some of the cells, with the numbers that their levels had."""
        return replace(
            self, codes=self.codes[cells], count=self.count[cells],
            mean=self.mean[:, cells], cross=self.cross[:, cells],
        )  # fmt: skip

    def take(self, at: slice | IntArray) -> Block:
        """The same layout for some of the groups."""
        return replace(self, mean=self.mean[at], cross=self.cross[at], groups=self.groups[at])


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class GroupLabels(Sequence[tuple[object, ...]]):
    """The labels of the groups in sort order, a tuple for each: its label in every column that divides.

    columns : for each of these, (groups,) labels; size : the number of groups.
    """

    columns: tuple[LabelArray, ...]
    size: int

    def __len__(self) -> int:
        return self.size

    def __iter__(self) -> Iterator[tuple[object, ...]]:
        return zip(*self.columns, strict=True) if self.columns else iter([()] * self.size)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    def __hash__(self) -> int:
        return hash(tuple(self))

    def __repr__(self) -> str:
        return repr(tuple(self))

    @overload
    def __getitem__(self, position: int) -> tuple[object, ...]: ...

    @overload
    def __getitem__(self, position: slice) -> Sequence[tuple[object, ...]]: ...

    def __getitem__(self, position: int | slice) -> tuple[object, ...] | Sequence[tuple[object, ...]]:
        if isinstance(position, slice):
            picked = tuple(column[position] for column in self.columns)
            return GroupLabels(picked, len(range(*position.indices(self.size))))
        if not -self.size <= position < self.size:
            raise IndexError(f"group {position} of {self.size}")
        return tuple(column[position] for column in self.columns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Division:
    """Cells divided into groups.

    order : (cells,) the cells group after group and by their codes within it, None where they stand so.
    starts : (groups + 1,) where each group begins in this order, and the end.
    """

    cells: Cells
    by: tuple[str, ...]
    order: IntArray | None
    starts: IntArray

    @property
    def labels(self) -> GroupLabels:
        """The labels of the groups; one empty tuple without `by`."""
        first = self.starts[:-1] if self.order is None else self.order[self.starts[:-1]]
        columns = tuple(self.cells.levels_of(name)[self.cells.code_of(name)[first]] for name in self.by)
        return GroupLabels(columns, len(self.starts) - 1)

    def blocks(self) -> tuple[Block, ...]:
        """The groups, those that share a layout stacked."""
        keys = [name for name in self.cells.factors if name not in self.by]
        columns = [self.cells.factors.index(name) for name in keys]
        return tuple(_block(self, groups, columns) for groups in _alike(self, columns))


def divided(cells: Cells, by: Sequence[str] = ()) -> Division:
    """Divide cells into groups by the labels of some of their factors."""
    factors = [*by, *(name for name in cells.factors if name not in by)]
    if not by:
        return Division(cells=cells, by=(), order=None, starts=np.array([0, len(cells)]))
    columns = [cells.factors.index(name) for name in factors]
    sizes = [len(cells.levels[c]) for c in columns]
    codes = [cells.codes[:, c] for c in columns]
    own, _ = combined_columns(codes[: len(by)], sizes[: len(by)])
    place, _ = combined_columns(codes, sizes)
    order = None if bool((place[1:] >= place[:-1]).all()) else np.argsort(place, kind="stable")
    own = own if order is None else own[order]
    starts = np.concatenate([[0], np.flatnonzero(own[1:] != own[:-1]) + 1, [len(cells)]])
    return Division(cells=cells, by=tuple(by), order=order, starts=starts)


def blocks_of(cells: Cells, *, by: Sequence[str] = ()) -> tuple[Block, ...]:
    """Divide cells into groups and stack the groups that share a layout."""
    return divided(cells, by).blocks()


def _block(division: Division, groups: IntArray, columns: list[int]) -> Block:
    """The groups at some positions, which are alike."""
    cells, order, starts = division.cells, division.order, division.starts
    low, high = int(starts[groups[0]]), int(starts[groups[0] + 1])
    one = slice(low, high) if order is None else order[low:high]
    if order is None and len(groups) == len(starts) - 1:
        # All groups, one after the other, as they stand.
        shape = (len(groups), high - low)
        mean, cross = cells.mean.reshape(*shape, *cells.mean.shape[1:]), cells.cross
        cross = cross.reshape(*shape, *cross.shape[1:])
    else:
        rows = starts[groups][:, None] + np.arange(high - low)
        rows = rows if order is None else order[rows]
        mean, cross = cells.mean[rows], cells.cross[rows]
    return Block(
        factors=tuple(cells.factors[c] for c in columns),
        levels=tuple(cells.levels[c] for c in columns),
        codes=cells.codes[one] if len(columns) == len(cells.factors) else cells.codes[one][:, columns],
        count=cells.count[one],
        variables=cells.variables,
        shift=cells.shift,
        mean=mean,
        cross=cross,
        groups=groups,
    )


def _alike(division: Division, columns: list[int]) -> list[IntArray]:
    """The groups that share a layout: the same cells, counts and covariates."""
    cells, order, starts = division.cells, division.order, division.starts
    if len(starts) == 2:
        return [np.zeros(1, np.int64)]
    # Covariates are part of the layout: what can be told apart depends on their values.
    values = len(cells.variables)
    covariates = [cells.mean[:, i] for i in range(1, values)]
    covariates += [cells.cross[:, i, j] for i in range(1, values) for j in range(1, values)]
    parts = [*(cells.codes[:, c] for c in columns), cells.count, *covariates]
    if order is not None:
        parts = [part[order] for part in parts]
    sizes = np.diff(starts)
    # Most often all groups are like the first.
    same = sizes == sizes[0]
    whole = np.flatnonzero(same)
    like = np.ones(len(whole), bool)
    rows = None if len(whole) == len(sizes) else starts[whole][:, None] + np.arange(sizes[0])
    for part in parts:
        shaped = part.reshape(len(whole), -1) if rows is None else part[rows]
        like &= (shaped == shaped[0]).all(axis=1)
    first = whole[like]
    if len(first) == len(sizes):
        return [first]
    same[:] = False
    same[first] = True
    members: dict[bytes, list[int]] = {}
    table = np.stack([part.astype(np.float64) for part in parts], axis=1)
    for g in np.flatnonzero(~same):
        members.setdefault(table[starts[g] : starts[g + 1]].tobytes(), []).append(int(g))
    return [first, *(np.array(groups) for groups in members.values())]
