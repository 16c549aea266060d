"""Component limits: which interval a component gets, and its limits.

In: the analysis of variance of a balanced layout, or a BlockFit.  Out: (groups, components) limits of the variances.

balanced   exact chi-square for repeatability, modified large-sample for the rest.
otherwise  generalised pivotal, exact for repeatability and for a single random term; measured in
           tests/assurance/interval_grid.md, where profile limits fall short with few levels.
large      profile likelihood with points for few levels (small_sample_profile), which needs no matrix of all results.

A component that comes out below zero gets the upper limit of one estimated at zero: the limit of its own data would
shrink the worse they fit the model, down to "0 to 0". So upper limits err towards a larger component there.
Sources: see intervals, pivotal and profile.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from repeatab.cells import FloatArray
from repeatab.estimation.even_draws import EvenDraws
from repeatab.estimation.intervals import chi_square_limits, half_widths
from repeatab.estimation.mean_squares import MeanSquares
from repeatab.estimation.pivotal import pivots_of
from repeatab.layout.layout import Layout

if TYPE_CHECKING:
    from repeatab.estimation.block_fit import BlockFit

EVEN_DRAWS = 2_048
# Numbers held at once, about: 4 MiB, which stay near the processor.
_NUMBERS = 1 << 19
# Operations of the orthogonal bases that the pivots of one group need: about half a second.
_LARGEST = 2e8


def balanced_limits(analysis: MeanSquares, *, level: float) -> tuple[FloatArray, FloatArray]:
    """Limits from the mean squares of a balanced layout, never below zero."""
    lower, upper = component_combination_limits(analysis.combination, analysis.ms, analysis.df, level=level)
    # One mean square: without the detour by a half width, which costs a digit far out.
    lower[:, -1], upper[:, -1] = chi_square_limits(analysis.ms[:, -1], float(analysis.df[-1]), level=level)
    return np.maximum(lower, 0.0, out=lower), np.maximum(upper, 0.0, out=upper)


def component_combination_limits(
    coefficients: FloatArray, ms: FloatArray, df: FloatArray, *, level: float
) -> tuple[FloatArray, FloatArray]:
    """Modified large-sample limits of variances that are sum_i c_i E(ms_i), so that they cannot be negative.

    Parameters
    ----------
    coefficients : (rows,) of either sign, or (combinations, rows); ms : (..., rows); df : (rows,).

    Returns
    -------
    lower, upper : (...,), or (..., combinations).
    """
    wanted = np.atleast_2d(coefficients)
    widths = half_widths(wanted, df, level=level)
    across = np.ascontiguousarray(ms.T)
    estimate, (below, above) = wanted @ across, widths.of(across)
    high = estimate + above
    negative = estimate < 0
    for k in np.flatnonzero(negative.reshape(len(wanted), -1).any(axis=1)).tolist():
        at = negative[k]
        high[k, at] = widths.above_one(k, _raised(across[:, at], wanted[k]))
    low, high = (estimate - below).T, high.T
    return (low, high) if coefficients.ndim == 2 else (low[..., 0], high[..., 0])


def _raised(across: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Mean squares (rows, groups) with those of positive sign raised, so that the combination is zero."""
    plus, minus = coefficients > 0, coefficients < 0
    gain, loss = coefficients[plus] @ across[plus], -(coefficients[minus] @ across[minus])
    # Shares before the sum: where what is to be raised is all rounding, its quotient with the rest has no end.
    some = gain > 0
    share = np.where(some, across[plus] / np.where(some, gain, 1.0), 1 / coefficients[plus].sum())
    raised = across.copy()
    raised[plus] = share * loss
    return raised


def pivotal_limits(fit: BlockFit, *, level: float) -> tuple[FloatArray, FloatArray]:
    """Limits from evenly spread pivotal values, for as many groups at once as memory allows.

    Raises
    ------
    LayoutError
        No degrees of freedom are left for repeatability, or for a term beside the others.
    """
    tails = [(1 - level) / 2, (1 + level) / 2]
    lower, upper = (np.empty((len(fit.block.groups), len(fit.layout.estimated) + 1)) for _ in tails)
    at_once = max(1, _NUMBERS // (EVEN_DRAWS * max(1, len(fit.layout.count))))
    for start in range(0, len(lower), at_once):
        groups = np.arange(start, min(start + at_once, len(lower)))
        found = pivots_of(fit, groups, draws=EVEN_DRAWS, rng=EvenDraws(), raised=True)
        assert found.raised is not None
        lower[groups] = np.quantile(found.values, tails[0], axis=2)
        upper[groups] = np.quantile(found.raised, tails[1], axis=2)
        free = found.free_ss / found.free_df
        lower[groups, -1], upper[groups, -1] = chi_square_limits(free, found.free_df, level=level)
    return np.maximum(lower, 0), np.maximum(upper, 0)


def within_reach(layout: Layout) -> bool:
    """Whether the layout is small enough for pivotal limits."""
    columns = layout.fixed.matrix.shape[1] + sum(layout.random[i].size for i in layout.estimated)
    return bool(len(layout.count) * columns**2 * (1 + len(layout.estimated)) <= _LARGEST)
