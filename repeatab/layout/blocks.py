"""Blocks: groups of cells that have the same layout, stacked so that one pass serves them all.

In: Cells and the factors that divide them into groups.  Out: Blocks with a leading group axis; groups of the
same layout (the same cells with the same counts and covariates) share a block.  One group is the case of one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from repeatab.cells import Cells, FloatArray, IntArray, LabelArray
from repeatab.cells.table import cell_index, combined_columns


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

    def take(self, at: slice) -> Block:
        """The same layout for some of the groups."""
        return replace(self, mean=self.mean[at], cross=self.cross[at], groups=self.groups[at])


def group_labels(cells: Cells, by: Sequence[str]) -> tuple[tuple[object, ...], ...]:
    """The labels of the groups in sort order; one empty tuple without `by`."""
    if not by:
        return ((),)
    group, size = _group_of(cells, by)
    # Any cell of a group knows its labels.
    member = np.empty(size, np.int64)
    member[group] = np.arange(len(group))
    return tuple(zip(*(cells.levels_of(name)[cells.code_of(name)[member]] for name in by), strict=True))


def blocks_of(cells: Cells, *, by: Sequence[str] = ()) -> tuple[Block, ...]:
    """Divide cells into groups and stack the groups that share a layout."""
    keys = [name for name in cells.factors if name not in by]
    columns = [cells.factors.index(name) for name in keys]
    group, size = _group_of(cells, by)
    order = _sorted(cells, group, size, columns)
    starts = np.concatenate([[0], np.cumsum(np.bincount(group, minlength=size))])
    blocks = []
    for groups in _alike(cells, columns, order, starts):
        low, high = int(starts[groups[0]]), int(starts[groups[0] + 1])
        one = np.arange(low, high) if order is None else order[low:high]
        if order is None and len(groups) == size:
            # All groups, one after the other, as they stand.
            shape = (size, high - low)
            mean, cross = cells.mean.reshape(*shape, *cells.mean.shape[1:]), cells.cross
            cross = cross.reshape(*shape, *cross.shape[1:])
        else:
            rows = starts[groups][:, None] + np.arange(high - low)
            rows = rows if order is None else order[rows]
            mean, cross = cells.mean[rows], cells.cross[rows]
        blocks.append(
            Block(
                factors=tuple(keys),
                levels=tuple(cells.levels[c] for c in columns),
                codes=cells.codes[one][:, columns],
                count=cells.count[one],
                variables=cells.variables,
                shift=cells.shift,
                mean=mean,
                cross=cross,
                groups=groups,
            )
        )
    return tuple(blocks)


def _group_of(cells: Cells, by: Sequence[str]) -> tuple[IntArray, int]:
    """(cells,) group of each cell, numbered in sort order, and the number of groups."""
    columns = [cells.factors.index(name) for name in by]
    return cell_index(cells.codes[:, columns], [len(cells.levels[c]) for c in columns])


def _sorted(cells: Cells, group: IntArray, size: int, columns: list[int]) -> IntArray | None:
    """Cells by group and within it by their codes; None where they stand so already."""
    place, _ = combined_columns(
        [group, *cells.codes[:, columns].T], [size, *(len(cells.levels[c]) for c in columns)]
    )
    if bool((place[1:] >= place[:-1]).all()):
        return None
    return np.argsort(place, kind="stable")


def _alike(cells: Cells, columns: list[int], order: IntArray | None, starts: IntArray) -> list[IntArray]:
    """The groups that share a layout: the same cells, counts and covariates."""
    if len(starts) == 2:
        return [np.zeros(1, np.int64)]
    # Covariates are part of the layout: what can be told apart depends on their values.
    covariates = np.concatenate([cells.mean[:, 1:], cells.cross[:, 1:, 1:].reshape(len(cells), -1)], axis=1)
    parts = [*cells.codes[:, columns].T, cells.count, *covariates.T]
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
