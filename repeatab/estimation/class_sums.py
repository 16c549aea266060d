"""Class sums: cross-products of indicator columns with one another and with values, without the columns themselves.

In: for each term, the (cells,) column that each cell belongs to.  Out: tables of counts and sums.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from repeatab.cells import FloatArray, IntArray


def counted(
    rows: Sequence[IntArray], columns: Sequence[IntArray], count: FloatArray, shape: tuple[int, int]
) -> FloatArray:
    """Cross-products of two sets of indicators: the rows of data that each pair of columns shares."""
    size = shape[0] * shape[1]
    if len(rows) == len(columns) == 1 and rows[0] is not columns[0]:
        shared = np.bincount(rows[0] * shape[1] + columns[0], count, size)
        return np.asarray(shared, np.float64).reshape(shape)
    table = np.zeros(size)
    for row in rows:
        for column in columns:
            if row is column:
                # Each cell meets itself only.
                own = np.bincount(row, count)
                table[np.arange(len(own)) * (shape[1] + 1)] += own
                continue
            table += np.bincount(row * shape[1] + column, count, size)
    return table.reshape(shape)


def summed(rows: Sequence[IntArray], values: FloatArray, size: int) -> FloatArray:
    """(groups, size, q) sums of (groups, cells, q) by the column to which each cell belongs."""
    table = np.zeros((len(values), size, values.shape[2]))
    for row in rows:
        # Short whole numbers are sorted digit by digit.
        order = np.argsort(row.astype(np.uint16) if size <= 1 << 16 else row, kind="stable")
        starts = np.flatnonzero(np.diff(row[order], prepend=-1))
        table[:, row[order[starts]]] = np.add.reduceat(values[:, order], starts, axis=1)
    return table
