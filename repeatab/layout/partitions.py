"""Partitions: a term divides the cells into classes; how two such divisions lie to one another.

In: level codes of cells.  Out: Partition, with refinement, join and orthogonality.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repeatab.cells import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Partition:
    """Classes of cells: `codes` (cells,) from 0 to `size` - 1, every class present."""

    codes: IntArray
    size: int

    @classmethod
    def of(cls, columns: IntArray) -> Partition:
        """Classes of equal rows of a (cells, factors) array, numbered in sort order."""
        if columns.shape[1] == 0:
            return cls(np.zeros(len(columns), np.int64), 1)
        if columns.shape[1] == 1:
            uniques, codes = np.unique(columns[:, 0], return_inverse=True)
        else:
            uniques, codes = np.unique(columns, axis=0, return_inverse=True)
        return cls(codes.reshape(-1), len(uniques))

    def weights(self, count: IntArray) -> FloatArray:
        """(size,) number of rows in each class."""
        return np.bincount(self.codes, count, self.size).astype(np.float64)

    def is_finer_than(self, other: Partition) -> bool:
        """Whether every class lies within one class of `other` (equal partitions count)."""
        return self.size >= other.size and _pairs(self, other)[0].size == self.size

    def same_as(self, other: Partition) -> bool:
        """Whether both divide the cells alike."""
        return self.size == other.size and self.is_finer_than(other)

    def join(self, other: Partition) -> Partition:
        """The finest division that both refine: classes linked through shared cells."""
        from scipy.sparse import coo_matrix
        from scipy.sparse.csgraph import connected_components

        total = self.size + other.size
        links = coo_matrix(
            (np.ones(len(self.codes)), (self.codes, self.size + other.codes)), shape=(total, total)
        )
        count, label = connected_components(links, directed=False)
        return Partition(label[self.codes].astype(np.int64), int(count))


def _pairs(first: Partition, second: Partition) -> tuple[IntArray, IntArray]:
    """The pairs of classes that occur, and the (cells,) index of each cell's pair."""
    pairs, index = np.unique(first.codes * second.size + second.codes, return_inverse=True)
    return pairs, index.reshape(-1)


def class_counts(
    first: Partition, second: Partition, count: IntArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """The pairs of classes that share rows: class of the first, class of the second, number of rows."""
    pairs, index = _pairs(first, second)
    rows = np.bincount(index, count, len(pairs)).astype(np.float64)
    return pairs // second.size, pairs % second.size, rows


def orthogonal(first: Partition, second: Partition, count: IntArray) -> bool:
    """Whether the two meet in proportional frequencies within every class of their join.

    Then the sums of squares of the two terms do not disturb one another.
    """
    joined = first.join(second)
    a, b, rows = class_counts(first, second, count)
    joint_of_first = np.zeros(first.size, np.int64)
    joint_of_first[first.codes] = joined.codes
    n_first, n_second, n_joint = first.weights(count), second.weights(count), joined.weights(count)
    expected = n_first[a] * n_second[b] / n_joint[joint_of_first[a]]
    # A pair that never meets needs no look of its own: the rows of its classes then exceed what is expected of
    # the pairs that do.
    return bool(np.allclose(rows, expected, rtol=1e-12))
