"""Repeatability of two rigs over all sections together.

In: whole sets of a pair.  Out: the pooled ratio of standard deviations, in which each set counts once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray
from repeatab.estimation.pooled_scatter import pooled_independent_ratio, pooled_paired_ratio
from repeatab.jobs.correlation.values import whole_sets
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.layout import LevelPair
from repeatab.jobs.levels.scatter import JOINT, REPEATABILITY, LevelScatter

ALL_SECTIONS = "all sections together"


def pooled_scatter(
    comparison: LevelComparison, pair: LevelPair, names: Sequence[str], *, level: float
) -> LevelScatter | None:
    """The ratio over the deciding sections; None with fewer than two of them.

    Repeatability where sets ran more than once on each rig, else the joint scatter of sets.
    """
    if len(names) < 2:
        return None
    sets = whole_sets(comparison.how, pair, names, comparison.analysis, log=False)
    (left_a, df_a), (left_b, df_b) = sets.repeats
    try:
        if min(df_a, df_b) >= 1:
            found = pooled_independent_ratio(left_a, df_a, left_b, df_b, level=level)
            return LevelScatter(source=REPEATABILITY, ratio=found)
        a, b = sets.sides
        if sets.paired:
            whole = np.isfinite(a - b).all(axis=1)
            a, b = _about_mean(a[whole]), _about_mean(b[whole])
            found = pooled_paired_ratio(a, b, fitted=1 + sets.taken_out, level=level)
        else:
            df = [len(side) - 1 - sets.taken_out for side in (a, b)]
            found = pooled_independent_ratio(_about_mean(a), df[0], _about_mean(b), df[1], level=level)
        return LevelScatter(source=JOINT, ratio=found)
    except LayoutError as error:
        return LevelScatter(source=JOINT, ratio=None, trouble=str(error))


def _about_mean(values: FloatArray) -> FloatArray:
    if len(values) == 0:
        raise LayoutError("no set ran all sections on both rigs.")
    return np.asarray(values - np.nanmean(values, axis=0))
