"""Balance: whether a layout has one analysis of variance, with orthogonal sums of squares.

In: the terms with their hierarchy.  Out: yes or no.
A layout is balanced when every term has classes of equal size, every two terms meet in proportional
frequencies, and what two terms have in common is itself a term (orthogonal block structure: Nelder 1965,
Proc. R. Soc. A 283, 147-178).
"""

from __future__ import annotations

from itertools import combinations

from repeatab.cells import IntArray
from repeatab.layout.hierarchy import Hierarchy
from repeatab.layout.partitions import crossing, orthogonal


def is_balanced(terms: Hierarchy, count: IntArray) -> bool:
    """Whether the terms (fixed and random) over these cells form an orthogonal block structure."""
    weights = [part.weights(count) for part in terms.parts]
    if any(rows.min() != rows.max() for rows in weights):
        return False
    # Of two terms that nest, the coarser is what they have in common, and they meet in proportion.
    pairs = [(i, j) for i, j in combinations(range(len(terms)), 2) if not terms.nested(i, j)]
    return all(_fit_together(terms, i, j, count) for i, j in pairs)


def _fit_together(terms: Hierarchy, i: int, j: int, count: IntArray) -> bool:
    a, b = terms.parts[i], terms.parts[j]
    table = crossing(a, b, count)
    if table is not None and table.min() > 0:
        # All classes meet, and those of a term are of one size: in proportion means all alike.
        return bool(table.min() == table.max())
    joined = a.join(b)
    known = joined.size == 1 or any(joined.same_as(term) for term in terms.parts)
    return known and orthogonal(a, b, count, joined)


def all_told_apart(terms: Hierarchy, fixed: int, count: IntArray) -> bool:
    """Whether the terms of a balanced layout, the first `fixed` of them fixed, leave degrees of freedom for each random
    term and for repeatability, so that every one of them shows in a mean square of its own and none is mixed with
    another."""
    sizes = [part.size for part in terms.parts]
    # Two names for one division, or a division into one class, have none.
    if 1 in sizes or any(terms.alike(i, j) for i, j in combinations(range(len(sizes)), 2)):
        return False
    left = int(count.sum()) - 1 - sum(terms.free)
    return left > 0 and all(number > 0 for number in terms.free[fixed:])
