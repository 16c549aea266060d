"""Scatter at two levels of a comparison: does one repeat worse than the other?

In: the block of a section and the pair of levels.  Out: the ratio of standard deviations with its interval,
and the name of what scatters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray
from repeatab.estimation.scatter_ratio import ScatterRatio, independent_ratio, paired_ratio
from repeatab.jobs.levels.layout import LevelPair, SetUse
from repeatab.jobs.levels.pairs import set_means
from repeatab.layout.blocks import Block

REPEATABILITY = "repeatability"
JOINT = "set scatter and repeatability together"


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelScatter:
    """Ratio (a over b) of the standard deviations of `source`; None with the reason where there is none."""

    source: str
    ratio: ScatterRatio | None
    trouble: str = ""


def level_scatter(
    block: Block,
    factor: str,
    pair: LevelPair,
    *,
    level: float,
    blocks: tuple[str, ...] = (),
    of_sets: bool = False,
) -> LevelScatter:
    """The ratio of repeatabilities where sets were repeated, of the joint scatter of sets otherwise.

    blocks : columns whose levels (rigs) are no scatter: it is taken within them.
    of_sets : the scatter of the sets is asked for, also where their repeats show a repeatability.
    """
    ss, df = _within_sets(block, factor, pair, blocks)
    try:
        if min(df) >= 1 and not of_sets:
            return LevelScatter(
                source=REPEATABILITY, ratio=independent_ratio(ss[0], df[0], ss[1], df[1], level=level)
            )
        if pair.use is SetUse.SPLIT:
            (ss_a, df_a), (ss_b, df_b) = (
                _between_sets(block, factor, side, blocks) for side in (pair.a, pair.b)
            )
            return LevelScatter(source=JOINT, ratio=independent_ratio(ss_a, df_a, ss_b, df_b, level=level))
        labels, means, _ = set_means(block, factor, pair)
        first = np.array([pair.a_first.get(label, True) for label in labels])
        a, b, fitted = _residuals(means[0], first)
        return LevelScatter(source=JOINT, ratio=paired_ratio(a, b, fitted=fitted, level=level))
    except LayoutError as error:
        return LevelScatter(source=JOINT, ratio=None, trouble=str(error))


def _within_sets(
    block: Block, factor: str, pair: LevelPair, blocks: tuple[str, ...]
) -> tuple[list[float], list[int]]:
    """Sums of squares and degrees of freedom of repeats of a set at one level (and in one block), for a and b."""
    ss, df = [], []
    for level in (pair.a, pair.b):
        total, free = 0.0, 0
        for cells in _cells_by_set(block, factor, level, blocks):
            count, mean = block.count[cells], block.mean[0, cells, 0]
            centre = mean @ count / count.sum()
            total += float(block.cross[0, cells, 0, 0].sum() + count @ (mean - centre) ** 2)
            free += int(count.sum()) - 1
        ss.append(total)
        df.append(free)
    return ss, df


def _between_sets(block: Block, factor: str, level: object, blocks: tuple[str, ...]) -> tuple[float, int]:
    """Sum of squares and degrees of freedom of set results at one level, about the mean of their lot, visit and
    block."""
    cells = np.concatenate(_cells_by_set(block, factor, level))
    value = block.mean[0, cells, 0]
    about = [block.code_of(name)[cells] for name in ("pad_lot", "visit", *blocks) if name in block.factors]
    groups = np.stack([*about, np.zeros(len(cells), np.int64)])
    codes, index = np.unique(groups, axis=1, return_inverse=True)
    index = index.reshape(-1)
    centre = np.bincount(index, value) / np.bincount(index)
    left = value - centre[index]
    sets, own = np.unique(block.code_of("pad_set")[cells], return_inverse=True)
    if len(sets) == len(cells):
        return float((left**2).sum()), len(value) - codes.shape[1]
    # A set that ran in several blocks counts once, by its mean.
    return float(((np.bincount(own, left) / np.bincount(own)) ** 2).sum()), len(sets) - 1


def _cells_by_set(block: Block, factor: str, level: object, blocks: tuple[str, ...] = ()) -> list[np.ndarray]:
    levels = block.levels_of(factor)
    at = np.array([levels[code] == level for code in block.code_of(factor)])
    keys = np.stack([block.code_of(name) for name in ("pad_set", *blocks)])
    labels, own = np.unique(keys, axis=1, return_inverse=True)
    own = own.reshape(-1)
    return [np.flatnonzero(at & (own == i)) for i in range(labels.shape[1]) if (at & (own == i)).any()]


def _residuals(means: FloatArray, first: np.ndarray) -> tuple[FloatArray, FloatArray, int]:
    """What the means of each order of running leave."""
    left = means.copy()
    groups = [g for g in (first, ~first) if g.any()]
    for group in groups:
        left[group] -= left[group].mean(axis=0)
    return left[:, 0], left[:, 1], len(groups)
