"""Partitions: a term divides the cells into classes; how two such divisions lie to one another.

In: level codes of cells.  Out: Partition, with refinement, join and orthogonality.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.cells import FloatArray, IntArray
from repeatab.cells.table import combined_columns, dense_codes, too_many_slots

_ROUNDS = 12


@dataclass(frozen=True, slots=True)
class Partition:
    """Classes of cells: `codes` (cells,) from 0 to `size` - 1, every class present."""

    codes: IntArray
    size: int

    @classmethod
    def of(cls, columns: Sequence[IntArray], sizes: Sequence[int]) -> Partition:
        """Classes of the cells that agree in all of the (cells,) columns, numbered in sort order; a column holds
        numbers below its size."""
        found, codes = dense_codes(*combined_columns(columns, sizes))
        return cls(codes, len(found))

    def weights(self, count: IntArray) -> FloatArray:
        """(size,) number of rows in each class."""
        return np.asarray(np.bincount(self.codes, count, self.size), np.float64)

    @property
    def stride(self) -> int:
        """How many cells stand in one class before the next class follows, where all classes take turns in this way
        to the end, as they do in a table with every combination in sort order; 0 elsewhere."""
        cells = len(self.codes)
        first = int(np.argmax(self.codes != self.codes[0])) or cells
        if cells % (first * self.size):
            return 0
        turns = self.codes.reshape(-1, self.size, first)
        return first if bool((turns == np.arange(self.size)[:, None]).all()) else 0

    def is_finer_than(self, other: Partition) -> bool:
        """Whether every class lies within one class of `other` (equal partitions count)."""
        if self.size < other.size:
            return False
        # Let any one cell of a class stand for it; the class lies within one of `other` if all cells agree.
        owner = np.empty(self.size, np.int64)
        owner[self.codes] = other.codes
        return bool((owner[self.codes] == other.codes).all())

    def same_as(self, other: Partition) -> bool:
        """Whether both divide the cells alike."""
        return self.size == other.size and self.is_finer_than(other)

    def join(self, other: Partition) -> Partition:
        """The finest division that both refine: classes linked through shared cells."""
        if self.is_finer_than(other):
            return other
        if other.is_finer_than(self):
            return self
        if len(_pairs(self, other)[0]) == self.size * other.size:
            return Partition(np.zeros(len(self.codes), np.int64), 1)
        return _linked(self, other)


def _linked(first: Partition, second: Partition) -> Partition:
    """Classes linked through shared cells: the smallest class number seen spreads until nothing changes."""
    label = np.arange(first.size)
    # Laboratories' designs settle in two or three rounds; a long thread of links takes the general way.
    for _ in range(_ROUNDS):
        across = np.full(second.size, first.size)
        np.minimum.at(across, second.codes, label[first.codes])
        back = np.full(first.size, first.size)
        np.minimum.at(back, first.codes, across[second.codes])
        if (back == label).all():
            found, codes = dense_codes(label[first.codes], first.size)
            return Partition(codes, len(found))
        label = back
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    total = first.size + second.size
    links = coo_matrix(
        (np.ones(len(first.codes)), (first.codes, first.size + second.codes)), shape=(total, total)
    )
    number, place = connected_components(links, directed=False)
    return Partition(place[first.codes].astype(np.int64), int(number))


def _pairs(first: Partition, second: Partition) -> tuple[IntArray, IntArray]:
    """The pairs of classes that occur, and the (cells,) index of each cell's pair."""
    return dense_codes(first.codes * second.size + second.codes, first.size * second.size)


def crossing(first: Partition, second: Partition, count: IntArray) -> FloatArray | None:
    """(classes of the first times classes of the second,) rows of each pair of classes; None where a slot for each
    pair is too many."""
    slots = first.size * second.size
    if too_many_slots(slots, len(count)):
        return None
    return np.asarray(np.bincount(first.codes * second.size + second.codes, count, slots), np.float64)


def class_counts(
    first: Partition, second: Partition, count: IntArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """The pairs of classes that share rows: class of the first, class of the second, number of rows."""
    if first is second:
        same = np.arange(first.size)
        return same, same, first.weights(count)
    table = crossing(first, second, count)
    if table is None:
        pairs, index = _pairs(first, second)
        rows = np.bincount(index, count, len(pairs)).astype(np.float64)
    else:
        pairs = np.flatnonzero(table)
        rows = table[pairs]
    return pairs // second.size, pairs % second.size, rows


def pair_number(first: Partition, second: Partition) -> int:
    """How many pairs of classes share cells."""
    return len(_pairs(first, second)[0])


def orthogonal(first: Partition, second: Partition, count: IntArray, joined: Partition) -> bool:
    """Whether the two meet in proportional frequencies within every class of their join, which is given.

    Then the sums of squares of the two terms do not disturb one another.
    """
    a, b, rows = class_counts(first, second, count)
    joint_of_first = np.zeros(first.size, np.int64)
    joint_of_first[first.codes] = joined.codes
    n_first, n_second, n_joint = first.weights(count), second.weights(count), joined.weights(count)
    expected = n_first[a] * n_second[b] / n_joint[joint_of_first[a]]
    # A pair that never meets needs no look of its own: the rows of its classes then exceed what is expected of
    # the pairs that do.
    return bool((np.abs(rows - expected) <= 1e-12 * expected).all())
