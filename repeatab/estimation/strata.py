"""Strata: the REML criterion of a balanced layout, in which it depends on the mean squares alone.

In: the analysis of variance of a balanced layout.  Out: Strata, whose criterion and derivatives cost a few
numbers for each group, whatever the number of results.

The results of a balanced layout fall apart into independent mean squares, one for each random row s of the
analysis, with expectation e_s = sum_k E_sk v_k. Up to a constant, -2 log restricted likelihood is the sum of
df_s (log e_s + MS_s / e_s). Where no moment estimate is negative, e_s = MS_s is its minimum: REML then equals
the analysis of variance. Source: Searle, Casella & McCulloch (1992), Variance Components, sections 4.8 and 6.6 to
6.8 (sections from memory); tested against the general criterion.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.mean_squares import MeanSquares


@dataclass(frozen=True, slots=True, kw_only=True)
class Strata:
    """df_rows : (rows,); expected : (rows, K + 1); ms : (groups, rows) in units of `unit` squared, (groups,)."""

    df_rows: FloatArray
    expected: FloatArray
    ms: FloatArray
    unit: FloatArray

    @property
    def groups(self) -> int:
        return len(self.ms)

    @property
    def sources(self) -> int:
        """Number of random terms; the residual is one more."""
        return int(self.expected.shape[1]) - 1

    @property
    def df(self) -> int:
        """Degrees of freedom of all rows together."""
        return round(float(self.df_rows.sum()))

    @property
    def numbers(self) -> int:
        """About how many numbers a group takes."""
        return int(self.expected.size)

    def take(self, groups: IntArray) -> Strata:
        """The same strata for some of the groups (repeats allowed)."""
        return Strata(
            df_rows=self.df_rows, expected=self.expected, ms=self.ms[groups], unit=self.unit[groups]
        )


def strata_of(analysis: MeanSquares) -> Strata:
    """The random rows of an analysis of variance."""
    rows = np.flatnonzero(analysis.random)
    df, ms = analysis.df[rows], analysis.ms[:, rows]
    unit = np.sqrt((ms @ df) / df.sum())
    return Strata(df_rows=df, expected=analysis.expected[rows], ms=ms / unit[:, None] ** 2, unit=unit)


def strata_criterion(strata: Strata, theta: FloatArray) -> FloatArray:
    """(groups,) -2 log restricted likelihood at variances (groups, K + 1), up to a constant."""
    level = theta @ strata.expected.T
    return np.asarray((np.log(level) + strata.ms / level) @ strata.df_rows, dtype=np.float64)


def strata_derivatives(
    strata: Strata, theta: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Gradient, tr(P V_j P V_k), y' P V_j P V_k P y and y' P V_k P y, as in moments."""
    level = theta @ strata.expected.T
    share = strata.df_rows / level
    quadratic = share * strata.ms / level
    expected = _squares(share / level, strata.expected)
    average = _squares(quadratic / level, strata.expected)
    return (share - quadratic) @ strata.expected, expected, average, quadratic @ strata.expected


def pooled_minimum(strata: Strata, inverse: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The minimum where components are bounded by zero, by pooling rows, and the gradient there.

    Where every component is a difference of two rows, the bounds put the rows' expectations in order. In 1 / e the
    criterion is convex and the order is linear, so its only minimum has pooled mean squares in those blocks of rows
    that the order forces together (isotonic regression: Barlow, Bartholomew, Bremner & Brunk 1972, ch. 2; for
    components of variance: Thompson 1962, Ann. Math. Statist. 33, 273-289).

    Parameters
    ----------
    inverse : (components, rows) each component as a combination of the rows (`component_rows`).

    Returns
    -------
    theta, gradient : (groups, components); nan for groups for which no such minimum was found.
    """
    groups, rows = strata.ms.shape
    if (np.count_nonzero(inverse[:-1], axis=1) != 2).any():
        return np.full((groups, rows), np.nan), np.zeros((groups, rows))
    upper, lower = inverse[:-1].argmax(axis=1), inverse[:-1].argmin(axis=1)
    block = np.broadcast_to(np.arange(rows), (groups, rows)).copy()
    each, level = np.arange(groups), strata.ms
    for _ in range(rows):
        short = level[:, lower] - level[:, upper]
        worst = short.argmax(axis=1)
        at = np.flatnonzero(short[each, worst] > 0)
        if at.size == 0:
            break
        joined, kept = block[at, upper[worst[at]]], block[at, lower[worst[at]]]
        block[at] = np.where(block[at] == joined[:, None], kept[:, None], block[at])
        level = _pooled(strata, block)
    found = level @ inverse.T
    # Rows of one block differ by nothing, not by rounding.
    found[:, :-1][block[:, upper] == block[:, lower]] = 0.0
    # The conditions of a minimum, beside which what is left is rounding.
    share = strata.df_rows / level
    slope = (share - share * strata.ms / level) @ strata.expected
    off = np.where(found > 0, np.abs(slope), -slope)
    failed = (off > 1e-9 * (share @ strata.expected)).any(axis=1) | (found < 0).any(axis=1)
    found[failed], slope[failed] = np.nan, 0.0
    return found, slope


def _pooled(strata: Strata, block: IntArray) -> FloatArray:
    """(groups, rows) mean squares pooled over the rows of each block."""
    same = (block[:, :, None] == block[:, None, :]) * strata.df_rows
    return np.asarray((same @ strata.ms[:, :, None])[:, :, 0] / same.sum(axis=2), np.float64)


def _squares(weight: FloatArray, expected: FloatArray) -> FloatArray:
    """(groups, K + 1, K + 1) sums over rows of weight E_sj E_sk."""
    products = (expected[:, :, None] * expected[:, None, :]).reshape(len(expected), -1)
    size = expected.shape[1]
    return np.asarray((weight @ products).reshape(-1, size, size), dtype=np.float64)
