"""The estimators of a two-level comparison: a Block in, the views of the scatter out.

In: Blocks of run results (real ones, or simulated by planning) and how the comparison lies.
Out: Pairs for judgement/comparison: pooled always; separate or paired, as the sets allow, beside it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.pairs import (
    Pair,
    combined_pair,
    difference_pair,
    pooled_pair,
    separate_pair,
)
from repeatab.jobs.comparison_layout import ComparisonLayout, SetUse
from repeatab.layout.blocks import Block
from repeatab.layout.terms import Model


def level_pairs(block: Block, how: ComparisonLayout) -> tuple[Pair, ...]:
    """Both views of the scatter.

    Raises
    ------
    LayoutError
        A level has too few sets for a scatter of its own.
    NotSeparableError
        The level cannot be told from another effect.
    """
    return (
        pooled_pair(block, how.model, how.factor, how.a, how.b),
        _own_scatter(block, how),
    )


def _own_scatter(block: Block, how: ComparisonLayout) -> Pair:
    if how.use is SetUse.SPLIT:
        return separate_pair(block, how.model, how.factor, how.a, how.b)
    labels, means, cells = set_means(block, how)
    first = np.array([how.a_first[label] for label in labels])
    order = first if 0 < first.sum() < len(first) else None
    paired = difference_pair(means, order)
    rest = np.ones(len(block.count), bool)
    rest[cells] = False
    if not rest.any():
        return paired
    return _with_the_rest(block, how, paired, len(labels), rest)


def _with_the_rest(block: Block, how: ComparisonLayout, paired: Pair, sets: int, rest: np.ndarray) -> Pair:
    """Join the sets at one level only; those of the other kind that are too few to judge alone are left out."""
    others = replace(
        block, codes=block.codes[rest], count=block.count[rest],
        mean=block.mean[:, rest], cross=block.cross[:, rest],
    )  # fmt: skip
    plain = Model(
        random=how.model.random,
        fixed=tuple(t for t in how.model.fixed if t.factors == (how.factor,)),
        covariates=how.model.covariates,
    )
    try:
        separate = separate_pair(others, plain, how.factor, how.a, how.b)
    except LayoutError:
        return paired
    code = others.code_of(how.factor)
    numbers = [len(np.unique(others.code_of("pad_set")[code == c])) for c in np.unique(code)]
    # A set at both levels tells as much about the difference as one at each; what set scatter costs the split
    # ones is not known beforehand, so both count alike.
    split = 1 / sum(1 / n for n in numbers) if len(numbers) == 2 else 0.0
    return combined_pair([paired, separate], [sets / 2, split]) if split else paired


def set_means(block: Block, how: ComparisonLayout) -> tuple[list[Any], FloatArray, IntArray]:
    """Labels, (groups, sets, 2) means at both levels and the cells of the sets that ran at both."""
    sets, levels = block.code_of("pad_set"), block.levels_of(how.factor)
    where = {label: i for i, label in enumerate(levels)}
    codes = block.code_of(how.factor)
    at = [np.flatnonzero(codes == where[level]) for level in (how.a, how.b)]
    both = np.intersect1d(sets[at[0]], sets[at[1]])
    means = np.empty((len(block.groups), len(both), 2))
    used = []
    for side, cells in enumerate(at):
        for position, code in enumerate(both):
            own = cells[sets[cells] == code]
            weight = block.count[own] / block.count[own].sum()
            means[:, position, side] = block.mean[:, own, 0] @ weight + block.shift[0]
            used.append(own)
    labels = [block.levels_of("pad_set")[code] for code in both]
    return labels, means, np.concatenate(used) if used else np.zeros(0, np.int64)
