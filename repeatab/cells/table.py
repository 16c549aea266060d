"""Cells: the count, means and centred cross-products of each combination of factor levels.

In: cells made by the reductions (reduce, in_engine) or read from a file.  Out: Cells, which merge without going
back to the rows; everything after runs on them.
Not here: reading and checking (intake), the reduction itself (reduce), what the design can tell apart (layout).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import InputError, listed, nearest

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LabelArray = NDArray[np.object_]

# A lookup with a slot for every value that could occur takes the place of sorting up to this many slots beside
# four for each row, or up to sixteen for each row while that is no more than 32 MiB.
_MOST_SLOTS = 4096
_MOST_SPARSE = 1 << 22
_PROBE = 1 << 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Mergeable sufficient statistics of a table (the word cell is ISO 5725's).

    factors : names of the key columns.
    levels : per factor, its labels in sort order, with the types they had in the table.
    codes : (cells, factors) index of each cell's level.
    variables : the result first, then the covariates.
    shift : (variables,) subtracted from every value before anything else.
    count : (cells,) rows per cell, each >= 1.
    mean : (cells, variables) means of the shifted values.
    cross : (cells, variables, variables) sums of products about the cell means.
    """

    factors: tuple[str, ...]
    levels: tuple[LabelArray, ...]
    codes: IntArray
    variables: tuple[str, ...]
    shift: FloatArray
    count: IntArray
    mean: FloatArray
    cross: FloatArray

    @property
    def rows(self) -> int:
        """Number of results behind the cells."""
        return int(self.count.sum())

    def __len__(self) -> int:
        return int(self.count.size)

    def code_of(self, factor: str) -> IntArray:
        """(cells,) level index of one factor."""
        return self.codes[:, self.factors.index(factor)]

    def levels_of(self, factor: str) -> LabelArray:
        """The labels of one factor in sort order."""
        return self.levels[self.factors.index(factor)]

    def shifted_to(self, shift: FloatArray) -> Cells:
        """The same cells with another value subtracted (means move, cross-products stay)."""
        return _with(self, shift=shift, mean=self.mean + (self.shift - shift))

    def of_values(self, variables: Sequence[str]) -> Cells:
        """The same cells with the named values only, the result first.

        Raises
        ------
        InputError
            The cells do not hold one of them.
        """
        _refuse_unknown(variables, self.variables, "value")
        if tuple(variables) == self.variables:
            return self
        pick = [self.variables.index(name) for name in variables]
        return _with(
            self,
            variables=tuple(variables),
            shift=self.shift[pick],
            mean=self.mean[:, pick],
            cross=self.cross[:, pick][:, :, pick],
        )

    def over(self, factors: Sequence[str]) -> Cells:
        """Pool the cells over the factors that are not named.

        Raises
        ------
        InputError
            The cells do not hold one of those that are named.
        """
        _refuse_unknown(factors, self.factors, "factor")
        if tuple(factors) == self.factors:
            return self
        columns = [self.factors.index(name) for name in factors]
        levels = tuple(self.levels[c] for c in columns)
        return _pooled(self, tuple(factors), levels, self.codes[:, columns])

    def merge(self, other: Cells) -> Cells:
        """The cells of both tables together (pairwise update of Chan, Golub & LeVeque 1983).

        Raises
        ------
        InputError
            The two have different factors or variables.
        """
        if (self.factors, self.variables) != (other.factors, other.variables):
            raise InputError(
                f"cells cannot be merged: one has factors {listed(self.factors)} and values "
                f"{listed(self.variables)}, the other {listed(other.factors)} and {listed(other.variables)}."
            )
        before = other.shift
        other = other.shifted_to(self.shift)
        levels, codes = [], []
        for column in range(len(self.factors)):
            union, first, second = _united(self.levels[column], other.levels[column])
            levels.append(union)
            codes.append(np.concatenate([first[self.codes[:, column]], second[other.codes[:, column]]]))
        joined = _with(
            self,
            levels=tuple(levels),
            codes=np.stack(codes, axis=1) if codes else np.zeros((len(self) + len(other), 0), np.int64),
            count=np.concatenate([self.count, other.count]),
            mean=np.concatenate([self.mean, other.mean]),
            cross=np.concatenate([self.cross, other.cross]),
        )
        # Means that came by different shifts differ by rounding, which must not become scatter: what lies beyond a
        # shift has been rounded, and the distance of the two, but not the shifts themselves.
        blur = 4 * np.finfo(np.float64).eps * (np.abs(self.shift - before) + np.abs(joined.mean))
        return _pooled(joined, joined.factors, joined.levels, joined.codes, blur=blur)

    def __str__(self) -> str:
        return f"{len(self)} cells of {self.rows} results by {', '.join(self.factors) or 'nothing'}"


def sort_and_code(labels: NDArray[Any]) -> tuple[LabelArray, IntArray]:
    """Levels in sort order (mixed types by their text) and the (n,) index of each label's level."""
    import pandas as pd

    codes, uniques = pd.factorize(labels)
    return sorted_levels(list(uniques), codes.astype(np.int64, copy=False))


def sorted_levels(found: Sequence[object], codes: IntArray) -> tuple[LabelArray, IntArray]:
    """The same coding with the levels put in sort order."""
    levels = np.empty(len(found), dtype=object)
    levels[:] = found
    order = _sort_order(levels)
    if (order == np.arange(len(order))).all():
        return levels, codes
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    return levels[order], rank[codes]


def dense_codes(values: IntArray, size: int) -> tuple[IntArray, IntArray]:
    """The values that occur among 0 to `size` - 1, in order, and the (n,) index of each entry's value."""
    if too_many_slots(size, values.size):
        found, codes = np.unique(values, return_inverse=True)
        return found, codes.reshape(-1)
    present = np.zeros(size, bool)
    # Most often the first rows hold every value already.
    present[values[:_PROBE]] = True
    if len(values) > _PROBE and not present.all():
        present[values] = True
    if present.all():
        return np.arange(size), values
    found = np.flatnonzero(present)
    place = np.empty(size, np.int64)
    place[found] = np.arange(len(found))
    return found, place[values]


def too_many_slots(slots: int, rows: int) -> bool:
    """Whether sorting the rows costs less than a slot for every value that could occur."""
    return slots > _MOST_SLOTS + 4 * rows and slots > min(16 * rows, _MOST_SPARSE)


def _refuse_unknown(wanted: Sequence[str], known: Sequence[str], what: str) -> None:
    for name in wanted:
        if name not in known:
            raise InputError(
                f"the cells hold no {what} '{name}'; they hold {listed(known)}.{nearest(name, known)} "
                "Reduce the table again with it."
            )


def _sort_order(levels: LabelArray) -> IntArray:
    try:
        return np.array(sorted(range(len(levels)), key=levels.__getitem__), dtype=np.int64)
    except TypeError:
        return np.array(
            sorted(range(len(levels)), key=lambda i: (str(type(levels[i])), str(levels[i]))), dtype=np.int64
        )


def combined_codes(codes: IntArray, sizes: Sequence[int]) -> tuple[IntArray, int]:
    """(n,) one number for each row of codes, in their sort order, and how many numbers there may be."""
    return combined_columns(list(codes.T), sizes)


def combined_columns(columns: Sequence[IntArray], sizes: Sequence[int]) -> tuple[IntArray, int]:
    """The same from the columns one by one."""
    combined, size = columns[0].astype(np.int64, copy=False), max(int(sizes[0]), 1)
    for column, levels in zip(columns[1:], sizes[1:], strict=True):
        if too_many_slots(size * levels, len(combined)):
            # Re-densify, so that many factors with many levels cannot overflow.
            found, combined = dense_codes(combined, size)
            size = len(found)
        combined = combined * levels
        combined += column
        size *= max(int(levels), 1)
    return combined, size


def cell_index(codes: IntArray, sizes: Sequence[int]) -> tuple[IntArray, int]:
    """(n,) cell of each row, cells in the sort order of their codes, and the number of cells."""
    if codes.shape[1] == 0:
        return np.zeros(len(codes), np.int64), 1
    found, cell = dense_codes(*combined_codes(codes, sizes))
    return cell, len(found)


def _pooled(
    cells: Cells,
    factors: tuple[str, ...],
    levels: tuple[LabelArray, ...],
    codes: IntArray,
    *,
    blur: FloatArray | float = 0.0,
) -> Cells:
    """The cells pooled over groups of equal codes; (cells, variables) differences of means up to `blur` are none."""
    group, size = cell_index(codes, [len(labels) for labels in levels])
    first = np.empty(size, np.int64)
    first[group] = np.arange(len(group))
    count = np.bincount(group, cells.count, size).astype(np.int64)
    weighted = cells.count[:, None] * cells.mean
    mean = np.stack([np.bincount(group, w, size) for w in weighted.T], axis=1) / count[:, None]
    gap = cells.mean - mean[group]
    gap[np.abs(gap) <= blur] = 0.0
    parts = cells.cross + cells.count[:, None, None] * gap[:, :, None] * gap[:, None, :]
    flat = parts.reshape(len(parts), -1)
    cross = np.stack([np.bincount(group, column, size) for column in flat.T], axis=1)
    return _with(
        cells,
        factors=factors,
        levels=levels,
        codes=codes[first],
        count=count,
        mean=mean,
        cross=cross.reshape(size, *parts.shape[1:]),
    )


def _united(first: LabelArray, second: LabelArray) -> tuple[LabelArray, IntArray, IntArray]:
    union, codes = sort_and_code(np.concatenate([first, second]))
    return union, codes[: len(first)], codes[len(first) :]


def _with(cells: Cells, **changes: Any) -> Cells:
    from dataclasses import replace

    return replace(cells, **changes)
