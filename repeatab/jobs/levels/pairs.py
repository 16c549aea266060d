"""The estimators of a comparison of levels: a Block in, the views of the scatter of each pair out.

In: Blocks of run results (real ones, or simulated by planning) and how the comparison lies.
Out: Pairs for judgement/comparison: pooled always; separate or paired, as the sets allow, beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.pairs import (
    GroupedPair,
    SeparatePair,
    cautious_pair,
    combined_pair,
    difference_pair,
    pooled_pair,
    separate_pair,
)
from repeatab.jobs.levels.layout import ComparisonLayout, LevelPair, SetUse
from repeatab.jobs.levels.run_order import POSITION
from repeatab.jobs.levels.split import split_pair
from repeatab.layout.blocks import Block
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import Model

# Degrees of freedom below which a level's own scatter cannot bear Welch's: two sets, each run once, have one.
_FEW = 1.5


@dataclass(frozen=True, kw_only=True)
class LevelFit:
    """All levels in one model, fitted when it is first asked for; gives the views of each pair."""

    block: Block
    how: ComparisonLayout

    @cached_property
    def fit(self) -> BlockFit:
        """The joint fit of all levels.

        Raises
        ------
        NotSeparableError
            The levels cannot be told from another effect.
        """
        layout = layout_of(self.block, self.how.model)
        return BlockFit(block=self.block, layout=layout, method=Method.REML, level=0.95)

    def views(self, pair: LevelPair) -> tuple[GroupedPair, ...]:
        """The views of the scatter: pooled over all levels, and of this pair's own sets; where a level has two sets
        only, a cautious form of the latter as well.

        Raises
        ------
        LayoutError
            A level has too few sets for a scatter of its own.
        """
        pooled = pooled_pair(self.fit, self.how.factor, pair.a, pair.b)
        own = _own_scatter(self.block, self.how, pair, self.fit)
        if isinstance(own, SeparatePair) and np.minimum(own.df_a, own.df_b).min() < _FEW:
            return pooled, own, cautious_pair(own)
        return pooled, own


def _own_scatter(block: Block, how: ComparisonLayout, pair: LevelPair, fit: BlockFit) -> GroupedPair:
    if pair.use is SetUse.SPLIT:
        return split_pair(block, how, pair, fit)
    labels, means, cells = set_means(block, how.factor, pair)
    first = np.array([pair.a_first.get(label, True) for label in labels])
    # Where the slope over the runs of a set is in the model, who ran a set first adds nothing to it.
    sloping = POSITION in how.alone.covariates
    order = first if 0 < first.sum() < len(first) and not sloping else None
    paired = difference_pair(means, order, _covariate_gaps(block, how.factor, pair))
    rest = block.holds(how.factor, pair.a, pair.b)
    rest[cells] = False
    if not rest.any():
        return paired
    return _with_the_rest(block, how, pair, paired, len(labels), rest, fit)


def _with_the_rest(
    block: Block,
    how: ComparisonLayout,
    pair: LevelPair,
    paired: GroupedPair,
    sets: int,
    rest: np.ndarray,
    fit: BlockFit,
) -> GroupedPair:
    """Join the sets at one level only; those of the other kind that are too few to judge alone are left out.

    The two comparisons are weighted by the information they hold at the components of the joint fit (Graybill &
    Deal 1959, Biometrics 15, 543-550). Weights fixed beforehand would estimate something else than the pooled view
    does, and two views that disagree by chance hardly ever reach a verdict together.
    """
    others = block.keep(rest)
    plain = Model(
        random=how.alone.random,
        fixed=tuple(t for t in how.alone.fixed if t.factors == (how.factor,)),
        covariates=how.alone.covariates,
    )
    try:
        separate = separate_pair(others, plain, how.factor, pair.a, pair.b)
    except LayoutError:
        return paired
    code = others.code_of(how.factor)
    numbers = [len(np.unique(others.code_of("pad_set")[code == c])) for c in np.unique(code)]
    if len(numbers) < 2:
        return paired
    between, within = _set_scatter(fit, block)
    split = 1 / ((between + within) * sum(1 / n for n in numbers))
    return combined_pair([paired, separate], [sets / (2 * within), split])


def _set_scatter(fit: BlockFit, block: Block) -> tuple[FloatArray, FloatArray]:
    """Variances (groups,) of what a set brings to both levels, and of its result at one level beside that."""
    sources = [fit.layout.sources[i] for i in fit.layout.estimated]
    components = np.maximum(fit.variances, 0.0)
    between = components[:, sources.index("pad_set")] if "pad_set" in sources else np.zeros(len(components))
    repeats = components[:, -1] / block.count.mean()
    return between, components[:, :-1].sum(axis=1) - between + repeats


def set_means(block: Block, factor: str, pair: LevelPair) -> tuple[list[Any], FloatArray, IntArray]:
    """Labels, (groups, sets, 2) means at both levels and the cells of the sets that ran at both."""
    labels, values, cells = _set_values(block, factor, pair)
    return labels, values[:, :, :, 0], cells


def _covariate_gaps(block: Block, factor: str, pair: LevelPair) -> FloatArray:
    """(sets, covariates) by how much each covariate of a set differs between the levels; alike in all groups."""
    values = _set_values(block, factor, pair)[1][0, :, :, 1:]
    gaps: FloatArray = values[:, 0] - values[:, 1]
    return gaps


def _set_values(block: Block, factor: str, pair: LevelPair) -> tuple[list[Any], FloatArray, IntArray]:
    """As set_means, but (groups, sets, 2, variables): the result and the covariates."""
    sets, levels = block.code_of("pad_set"), block.levels_of(factor)
    where = {label: i for i, label in enumerate(levels)}
    codes = block.code_of(factor)
    at = [np.flatnonzero(codes == where[level]) for level in (pair.a, pair.b)]
    both = np.intersect1d(sets[at[0]], sets[at[1]])
    means = np.empty((len(block.groups), len(both), 2, len(block.shift)))
    used = []
    for side, cells in enumerate(at):
        for position, code in enumerate(both):
            own = cells[sets[cells] == code]
            weight = block.count[own] / block.count[own].sum()
            means[:, position, side] = np.einsum("gcv,c->gv", block.mean[:, own], weight) + block.shift
            used.append(own)
    labels = [block.levels_of("pad_set")[code] for code in both]
    return labels, means, np.concatenate(used) if used else np.zeros(0, np.int64)
