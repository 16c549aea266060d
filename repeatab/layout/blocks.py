"""Blocks: groups of cells that have the same layout, stacked so that one pass serves them all.

In: Cells and the factors that divide them into groups.  Out: Blocks with a leading group axis; groups of the
same layout (the same cells with the same counts and covariates) share a block.  One group is the case of one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from repeatab.cells import Cells, FloatArray, IntArray, LabelArray


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


def group_labels(cells: Cells, by: Sequence[str]) -> tuple[tuple[object, ...], ...]:
    """The labels of the groups in sort order; one empty tuple without `by`."""
    if not by:
        return ((),)
    codes = np.unique(np.stack([cells.code_of(name) for name in by], axis=1), axis=0)
    levels = [cells.levels_of(name) for name in by]
    return tuple(tuple(level[c] for level, c in zip(levels, row, strict=True)) for row in codes)


def blocks_of(cells: Cells, *, by: Sequence[str] = ()) -> tuple[Block, ...]:
    """Divide cells into groups and stack the groups that share a layout."""
    keys = [name for name in cells.factors if name not in by]
    columns = [cells.factors.index(name) for name in keys]
    group = _group_of(cells, by)
    order = np.lexsort([*cells.codes[:, columns].T[::-1], group])
    starts = np.concatenate([[0], np.flatnonzero(np.diff(group[order])) + 1, [len(order)]])
    pattern = np.concatenate([cells.codes[:, columns], cells.count[:, None]], axis=1)[order]
    # Covariates are part of the layout: what can be told apart depends on their values.
    covariates = np.concatenate([cells.mean[:, 1:], cells.cross[:, 1:, 1:].reshape(len(cells), -1)], axis=1)[
        order
    ]
    members: dict[bytes, list[int]] = {}
    for g, (low, high) in enumerate(pairwise(starts)):
        key = pattern[low:high].tobytes() + covariates[low:high].tobytes()
        members.setdefault(key, []).append(g)
    blocks = []
    for groups in members.values():
        rows = np.stack([order[starts[g] : starts[g + 1]] for g in groups])
        blocks.append(
            Block(
                factors=tuple(keys),
                levels=tuple(cells.levels[c] for c in columns),
                codes=cells.codes[rows[0]][:, columns],
                count=cells.count[rows[0]],
                variables=cells.variables,
                shift=cells.shift,
                mean=cells.mean[rows],
                cross=cells.cross[rows],
                groups=np.array(groups),
            )
        )
    return tuple(blocks)


def _group_of(cells: Cells, by: Sequence[str]) -> IntArray:
    if not by:
        return np.zeros(len(cells), np.int64)
    codes = np.stack([cells.code_of(name) for name in by], axis=1)
    return np.unique(codes, axis=0, return_inverse=True)[1].reshape(-1)
