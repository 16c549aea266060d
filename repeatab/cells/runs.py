"""Runs: the rows of a table put cell after cell, and sums over each cell.

In: the keys of the rows.  Out: Runs: which rows make up each cell; pieces of them with means and deviations.

Sums over contiguous runs are formed pairwise: thousands of rows in a cell cost no digit. Where all cells have the same
few rows, as in a planned study, their values stand side by side instead, one row of an array for each repeat. Long
tables are gone through piece by piece, so that what is worked on stays near the processor.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from repeatab.cells.keys import Key
from repeatab.cells.table import FloatArray, IntArray, combined_columns, dense_codes

# Up to this many terms a pairwise sum is the plain one, digit for digit.
_FEW = 7
_LARGEST_NUMBER = 1 << 62
# Rows of a piece: half a dozen columns of them fit the second of a processor's stores.
_ROWS = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Some cells in a row. cells : which; rows : the rows of the table that they are made of, cell after cell; starts,
    count : (cells,) where each begins among these and how many it has; each : as in Runs."""

    cells: slice
    rows: slice | IntArray
    starts: IntArray
    count: IntArray
    each: int

    @property
    def _side_by_side(self) -> bool:
        return 0 < self.each <= _FEW

    def arranged(self, column: FloatArray, *, less: float) -> FloatArray:
        """The values less a number, (rows,) cell after cell; (each, cells) where these are few and alike."""
        if self._side_by_side:
            return np.subtract(column[self.rows].reshape(-1, self.each).T, less, order="C")
        return column[self.rows] - less

    def sums(self, arranged: FloatArray) -> FloatArray:
        """(cells,) sums of arranged values."""
        if self._side_by_side:
            return np.asarray(np.add.reduce(arranged, axis=0), np.float64)
        return np.add.reduceat(arranged, self.starts)

    def centre(self, arranged: FloatArray) -> FloatArray:
        """(cells,) means of arranged values, which become the deviations from them, in place."""
        mean = self._take_means(arranged)
        # A second pass takes out the rounding of the first sum.
        mean += self._take_means(arranged)
        return mean

    def _take_means(self, arranged: FloatArray) -> FloatArray:
        mean = self.sums(arranged)
        mean /= self.count
        if self._side_by_side:
            arranged -= mean
        elif self.each:
            shaped = arranged.reshape(-1, self.each)
            shaped -= mean[:, None]
        else:
            arranged -= np.repeat(mean, self.count)
        return mean

    def largest(self, arranged: FloatArray) -> FloatArray:
        """(cells,) largest of arranged values."""
        if self._side_by_side:
            return np.asarray(np.maximum.reduce(arranged, axis=0), np.float64)
        return np.maximum.reduceat(arranged, self.starts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """order : (rows,) the rows cell after cell, None where they stand so; starts, count : (cells,) where each cell
    begins and how many rows it has; each : that number where it is the same for all cells, else 0."""

    order: IntArray | None
    starts: IntArray
    count: IntArray
    each: int

    @property
    def first(self) -> IntArray | slice:
        """(cells,) one row of each cell."""
        if self.order is not None:
            return self.order[self.starts]
        return slice(None, None, self.each) if self.each else self.starts

    def pieces(self) -> Iterator[Piece]:
        """All cells, some at a time."""
        rows = int(self.starts[-1] + self.count[-1])
        cuts = [0, len(self.count)]
        if rows > _ROWS:
            marks = np.searchsorted(self.starts, np.arange(0, rows, _ROWS))
            cuts = np.unique(np.append(marks, len(self.count))).tolist()
        for low, high in pairwise(cuts):
            begin = int(self.starts[low])
            span = slice(begin, int(self.starts[high - 1] + self.count[high - 1]))
            yield Piece(
                cells=slice(low, high), rows=span if self.order is None else self.order[span],
                starts=self.starts[low:high] - begin, count=self.count[low:high], each=self.each,
            )  # fmt: skip


def runs_of(keys: Sequence[Key], rows: int) -> Runs:
    """The cells of a table in the sort order of their keys; without keys all rows are one cell."""
    if not keys:
        return _runs(None, np.array([rows]))
    columns, sizes = [key.codes for key in keys], [key.size for key in keys]
    if math.prod(sizes) < _LARGEST_NUMBER:
        begins = _begins_in_sort_order(columns, sizes, rows)
        if begins is not None:
            return _runs(None, _counts(begins))
    found, cell = dense_codes(*combined_columns(columns, sizes))
    return _runs(_order_of(cell, len(found)), np.bincount(cell, minlength=len(found)))


def _begins_in_sort_order(
    columns: Sequence[IntArray], sizes: Sequence[int], rows: int
) -> NDArray[np.bool_] | None:
    """(rows,) whether a cell begins with the row; None where the rows do not stand in the sort order of their keys."""
    begins = np.empty(rows, bool)
    begins[0] = True
    for low in range(0, rows, _ROWS):
        # One row more than the piece, to be compared with the next.
        part = slice(low, min(low + _ROWS + 1, rows))
        place = columns[0][part]
        for column, size in zip(columns[1:], sizes[1:], strict=True):
            place = place * size
            place += column[part]
        if (place[1:] < place[:-1]).any():
            return None
        np.not_equal(place[1:], place[:-1], out=begins[part][1:])
    return begins


def _counts(begins: NDArray[np.bool_]) -> IntArray:
    """(cells,) rows of each cell, from whether a cell begins with each row."""
    rows, cells = len(begins), int(np.count_nonzero(begins))
    each = rows // cells
    if each * cells == rows and bool(begins[::each].all()):
        return np.full(cells, each)
    return np.diff(np.flatnonzero(begins), append=rows)


def _runs(order: IntArray | None, count: IntArray) -> Runs:
    each = int(count[0]) if bool((count == count[0]).all()) else 0
    starts = np.arange(0, len(count) * each, each) if each else np.cumsum(count) - count
    return Runs(order=order, starts=starts, count=count, each=each)


def _order_of(cell: IntArray, size: int) -> IntArray:
    """Rows in the order of their cells. Short whole numbers are sorted digit by digit, in one pass each."""
    low = np.argsort(cell.astype(np.uint16), kind="stable")
    if size <= 1 << 16:
        return low
    high = (cell >> 16)[low]
    return low[np.argsort(high.astype(np.uint16) if size <= 1 << 32 else high, kind="stable")]
