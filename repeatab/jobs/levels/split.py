"""Levels that share no pad set, each judged by the scatter of its own sets.

In: a Block and how the comparison lies.  Out: the separate view of a pair.

Where blocks (rigs) lie beside the levels, only runs in blocks that hold both levels count, and the blocks have the
same weights in both means: those of the differences within them, n_a n_b / (n_a + n_b) for so many sets, as least
squares has them. Otherwise a level that ran mostly on one rig would carry that rig's offset. Where every level has one
set per block, a level alone shows no scatter between sets, and the differences within the blocks carry the view.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.block_fit import BlockFit
from repeatab.estimation.pairs import GroupedPair, Shares, difference_pair, separate_pair
from repeatab.jobs.levels.layout import ComparisonLayout, LevelPair
from repeatab.jobs.levels.run_order import POSITION
from repeatab.layout.blocks import Block
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import Model


def split_pair(block: Block, how: ComparisonLayout, pair: LevelPair, fit: BlockFit) -> GroupedPair:
    """The separate view of levels with different sets.

    Raises
    ------
    LayoutError
        A level has too few sets for a scatter of its own.
    """
    block, model = _without_wear(block, how.alone, fit)
    own = _in_shared_blocks(block.keep(block.holds(how.factor, pair.a, pair.b)), how, pair)
    if _each_shows_its_sets(own, model, how.factor, pair):
        return separate_pair(
            own, model, how.factor, pair.a, pair.b, shares=_shares(own, model, how.factor, pair)
        )
    if len(how.blocks) == 1:
        return difference_pair(_block_means(own, how, pair), None)
    raise LayoutError(
        f"the sets of {pair.a} or {pair.b} are no more than the {' and '.join(how.blocks) or 'levels'} they ran on, "
        "so their scatter cannot be estimated. Run more pad sets."
    )


def _shares(block: Block, model: Model, factor: str, pair: LevelPair) -> Shares:
    """The weights of the blocks by what the sets in them tell of the difference."""
    sides = [block.holds(factor, level) for level in (pair.a, pair.b)]
    sets = block.code_of("pad_set")
    found: dict[str, dict[object, float]] = {}
    for term in model.fixed:
        if len(term.factors) != 1 or term.factors == (factor,):
            continue
        name = term.factors[0]
        codes = block.code_of(name)
        worth = {}
        for code in np.unique(codes):
            a, b = (len(np.unique(sets[(codes == code) & side])) for side in sides)
            worth[block.levels_of(name)[code]] = a * b / (a + b)
        total = sum(worth.values())
        found[name] = {label: value / total for label, value in worth.items()}
    return found


def _in_shared_blocks(block: Block, how: ComparisonLayout, pair: LevelPair) -> Block:
    """The cells in blocks that hold both levels; lots beside rigs count as blocks too."""
    names = [term.factors[0] for term in how.alone.fixed if term.factors != (how.factor,)]
    for name in names:
        codes, first = block.code_of(name), block.holds(how.factor, pair.a)
        shared = np.intersect1d(codes[first], codes[~first])
        if len(shared) == 0:
            raise LayoutError(
                f"{pair.a} and {pair.b} share no {name.replace('_', ' ')}, so the two cannot be told apart from it. "
                f"Run both with the same {name.replace('_', ' ')}."
            )
        block = block.keep(np.isin(codes, shared))
    return block


def _each_shows_its_sets(block: Block, model: Model, factor: str, pair: LevelPair) -> bool:
    """Whether at each level more sets ran than the fixed effects take up."""
    rest = replace(model, fixed=tuple(term for term in model.fixed if factor not in term.factors))
    place = [term.factors for term in rest.random].index(("pad_set",))
    for level in (pair.a, pair.b):
        try:
            layout = layout_of(block.keep(block.holds(factor, level)), rest)
        except LayoutError:
            return False
        if place in layout.separable.absorbed:
            return False
    return True


def _block_means(block: Block, how: ComparisonLayout, pair: LevelPair) -> FloatArray:
    """(groups, blocks, 2) means of both levels in each block, sets weighing alike."""
    codes = block.code_of(how.blocks[0])
    sides = [block.holds(how.factor, level) for level in (pair.a, pair.b)]
    means = [[_mean_of_sets(block, np.flatnonzero((codes == code) & side)) for side in sides]
             for code in np.unique(codes)]  # fmt: skip
    return np.moveaxis(np.array(means), 2, 0)


def _mean_of_sets(block: Block, cells: IntArray) -> FloatArray:
    sets = block.code_of("pad_set")[cells]
    values = []
    for code in np.unique(sets):
        own = cells[sets == code]
        values.append(block.mean[:, own, 0] @ (block.count[own] / block.count[own].sum()))
    return np.asarray(np.mean(values, axis=0) + block.shift[0])


def _without_wear(block: Block, model: Model, fit: BlockFit) -> tuple[Block, Model]:
    """The results less the trend with the runs of a set, as all levels together show it.

    A level whose sets ran once shows no trend of its own, but its runs may stand earlier than the others'.
    """
    if POSITION not in model.covariates:
        return block, model
    place = model.covariates.index(POSITION)
    system = fit.system
    column = len(fit.layout.fixed.columns) + place
    slope = fit.moments.fixed[:, column] * system.unit / system.scale[:, place]
    x = 1 + place
    mean, cross = block.mean.copy(), block.cross.copy()
    middle = np.average(mean[:, :, x], axis=1, weights=block.count)
    mean[:, :, 0] -= slope[:, None] * (mean[:, :, x] - middle[:, None])
    # The cross-products with the corrected result, of the result with itself last.
    moved = cross[:, :, 0, :] - slope[:, None, None] * cross[:, :, x, :]
    own = moved[:, :, 0] - slope[:, None] * moved[:, :, x]
    cross[:, :, 0, :], cross[:, :, :, 0] = moved, moved
    cross[:, :, 0, 0] = own
    keep = [i for i in range(mean.shape[2]) if i != x]
    corrected = replace(
        block,
        variables=tuple(block.variables[i] for i in keep),
        shift=block.shift[keep],
        mean=mean[:, :, keep],
        cross=cross[:, :, keep][:, :, :, keep],
    )
    names = tuple(name for name in model.covariates if name != POSITION)
    return corrected, replace(model, covariates=names)
