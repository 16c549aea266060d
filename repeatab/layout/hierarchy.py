"""Hierarchy: which of several divisions of the same cells are finer than which.

In: partitions of the terms of a model.  Out: Hierarchy, worked out once and read by whatever asks how terms nest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from repeatab.layout.partitions import Partition


@dataclass(frozen=True)
class Hierarchy:
    """parts : the partitions; finer : whether each class of the first lies within one class of the second."""

    parts: tuple[Partition, ...]
    finer: tuple[tuple[bool, ...], ...]

    @classmethod
    def of(cls, parts: Sequence[Partition], keys: Sequence[frozenset[str]] = ()) -> Hierarchy:
        """Compare the partitions; `keys`, where given, are the factors that each is formed of: one that has all of
        another's is finer without a look at the cells."""
        number = range(len(parts))
        table = [
            tuple(
                (bool(keys) and keys[i] >= keys[j]) or i == j or parts[i].is_finer_than(parts[j])
                for j in number
            )
            for i in number
        ]
        return cls(tuple(parts), tuple(table))

    def __len__(self) -> int:
        return len(self.parts)

    def pick(self, at: Sequence[int]) -> Hierarchy:
        """Some of the partitions, in the order given."""
        if len(at) == len(self.parts) and list(at) == list(range(len(at))):
            return self
        return Hierarchy(
            tuple(self.parts[i] for i in at), tuple(tuple(self.finer[i][j] for j in at) for i in at)
        )

    def alike(self, i: int, j: int) -> bool:
        """Whether two divide the cells alike."""
        return self.finer[i][j] and self.finer[j][i]

    def nested(self, i: int, j: int) -> bool:
        """Whether one of the two is finer than the other (or both are alike)."""
        return self.finer[i][j] or self.finer[j][i]

    def coarser_than(self, i: int) -> tuple[int, ...]:
        """The other partitions whose classes are unions of its classes."""
        return tuple(j for j, finer in enumerate(self.finer[i]) if finer and j != i)

    @cached_property
    def from_coarse_to_fine(self) -> tuple[int, ...]:
        """All of them, each after those coarser than it."""
        return tuple(sorted(range(len(self.parts)), key=lambda i: self.parts[i].size))

    @cached_property
    def free(self) -> tuple[int, ...]:
        """Degrees of freedom of each in a balanced layout: its classes less what the overall mean and the coarser ones
        take."""
        free = [0] * len(self.parts)
        for i in self.from_coarse_to_fine:
            free[i] = self.parts[i].size - 1 - sum(free[j] for j in self.coarser_than(i))
        return tuple(free)
