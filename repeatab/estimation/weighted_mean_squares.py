"""Weighted mean squares: an unbalanced layout brought to the form of a balanced one, for limits of sums of components.

In: a BlockFit.  Out: a mean square per random term and for repeatability, what each is expected to be, and limits of a
sum of components.

The values that carry a term (pivotal_terms) have variances a_i v + d_i. Divided by these at the estimates and averaged
they make a mean square that is a chi-square at the truth, and whose expectation is linear in the components; solving
for a sum of components gives its coefficients, and modified large-sample limits follow as in a balanced layout. Limits
from the quantiles of summed pivotal values lie too high instead where several sources with few levels add up: three
rigs and three operators left 8 % of the true R&R below them.
Sources: Thomas & Hultquist (1978), Ann. Statist. 6, 582-587, for mean squares of adjusted values in unbalanced layouts;
Graybill & Wang (1980), JASA 75, 869-873 and Ting et al. (1990), J. Stat. Comput. Simul. 35, 135-143, for the limits;
coverage by simulation in tests/assurance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repeatab.cells import FloatArray
from repeatab.estimation.block_fit import BlockFit
from repeatab.estimation.intervals import combination_limits
from repeatab.estimation.pivotal import carried_terms
from repeatab.estimation.pivotal_terms import Term


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightedMeanSquares:
    """Rows are the random terms and repeatability, in the order of the components.

    ms : (groups, rows); df : (rows,); expected : (groups, rows, components).
    """

    ms: FloatArray
    df: FloatArray
    expected: FloatArray

    def limits(self, row: FloatArray, group: int, *, level: float) -> tuple[float, float]:
        """Limits of the sum of components that `row` (components,) picks, not truncated at zero."""
        coefficients = np.linalg.solve(self.expected[group].T, row)
        # What is nothing but rounding would count as one more mean square.
        coefficients[np.abs(coefficients) < 1e-12 * np.abs(coefficients).max()] = 0.0
        low, high = combination_limits(coefficients, self.ms[group], self.df, level=level)
        return float(low), float(high)


def weighted_mean_squares(fit: BlockFit) -> WeightedMeanSquares:
    """Of all groups of a fit.

    Raises
    ------
    LayoutError
        No degrees of freedom are left for repeatability, or for a term beside the others.
    """
    groups = np.arange(len(fit.block.groups))
    terms, free, df = carried_terms(fit, groups)
    rows = len(terms) + 1
    estimate = np.maximum(fit.variances, 0.0)
    estimate[:, -1] = free / df
    ms, expected, degrees = np.empty((len(groups), rows)), np.zeros((len(groups), rows, rows)), np.empty(rows)
    ms[:, -1], expected[:, -1, -1], degrees[-1] = free / df, 1.0, df
    for term in terms:
        j = term.component
        ms[:, j], expected[:, j] = _averaged(term, estimate)
        degrees[j] = term.number
    return WeightedMeanSquares(ms=ms, df=degrees, expected=expected)


def _averaged(term: Term, estimate: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(groups,) mean square of a term and (groups, components) what each component adds to its expectation."""
    j, inside = term.component, list(term.inside)
    finer = (term.finer @ estimate[:, inside, None])[:, :, 0]
    variance = term.own * estimate[:, j, None] + finer + estimate[:, -1, None]
    scale = 1 / (1 / variance).mean(axis=1)
    weight = scale[:, None] / variance / variance.shape[1]
    expected = np.zeros(estimate.shape)
    expected[:, j] = (weight * term.own).sum(axis=1)
    expected[:, inside] = (weight[:, :, None] * term.finer).sum(axis=1)
    expected[:, -1] += weight.sum(axis=1)
    return scale * (term.square / variance).sum(axis=1) / term.number, expected
