"""Balance: whether a layout has one analysis of variance, with orthogonal sums of squares.

In: partitions of the terms.  Out: yes or no, and the order of the terms by fineness.
A layout is balanced when every term has classes of equal size, every two terms meet in proportional
frequencies, and what two terms have in common is itself a term (orthogonal block structure: Nelder 1965,
Proc. R. Soc. A 283, 147-178).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from repeatab.cells import IntArray
from repeatab.layout.partitions import Partition, orthogonal


def is_balanced(terms: Sequence[Partition], count: IntArray) -> bool:
    """Whether the terms (fixed and random) over these cells form an orthogonal block structure."""
    uniform = all(np.ptp(part.weights(count)) == 0 for part in terms)
    if not uniform:
        return False
    return all(_fit_together(a, b, terms, count) for a, b in combinations(terms, 2))


def _fit_together(a: Partition, b: Partition, terms: Sequence[Partition], count: IntArray) -> bool:
    joined = a.join(b)
    known = joined.size == 1 or any(joined.same_as(term) for term in terms)
    return known and orthogonal(a, b, count, joined)


def all_told_apart(fixed: Sequence[Partition], random: Sequence[Partition], count: IntArray) -> bool:
    """Whether the terms of a balanced layout leave degrees of freedom for each random term and for repeatability, so
    that every one of them shows in a mean square of its own and none is mixed with another."""
    terms = [*fixed, *random]
    by_size = sorted(range(len(terms)), key=lambda i: terms[i].size)
    # Two names for one division, or a division into one class, have none.
    if any(a.size == 1 or a.same_as(b) for a, b in combinations(terms, 2)) or any(t.size == 1 for t in terms):
        return False
    coarser = coarser_terms(terms)
    free: dict[int, int] = {}
    for i in by_size:
        free[i] = terms[i].size - 1 - sum(free[j] for j in coarser[i])
    left = int(count.sum()) - 1 - sum(free.values())
    return left > 0 and all(free[i] > 0 for i in range(len(fixed), len(terms)))


def coarser_terms(terms: Sequence[Partition]) -> tuple[tuple[int, ...], ...]:
    """For each term, the indices of the other terms whose classes are unions of its classes."""
    return tuple(
        tuple(j for j, other in enumerate(terms) if j != i and term.is_finer_than(other))
        for i, term in enumerate(terms)
    )
