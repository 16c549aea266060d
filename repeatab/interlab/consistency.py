"""Mandel's h and k: how each laboratory stands to the others, in mean and in scatter.

In: LevelCells.  Out: h and k per laboratory with the indicator values at 5 % and 1 %.
Not here: tests that call a cell a straggler or an outlier (outlier_tests).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray
from repeatab.interlab.level import Label, LevelCells


@dataclass(frozen=True, slots=True, kw_only=True)
class Consistency:
    """h and k of one cell. None: not defined here (one result: no k; no scatter at all; fewer than three
    laboratories).

    `h_indicator_*` bounds |h|; `k_indicator_*` bounds k for this cell's own number of results.
    """

    laboratory: Label
    level: Label
    h: float | None
    k: float | None
    h_indicator_5: float | None
    h_indicator_1: float | None
    k_indicator_5: float | None
    k_indicator_1: float | None


def h_indicator(p: int, *, alpha: float) -> float:
    """Two-sided indicator value of Mandel's h for p laboratories at significance `alpha`.

    h = (p - 1) t / sqrt(p (t^2 + p - 2)), t the upper alpha/2 quantile of Student's t with p - 2 df.

    Raises
    ------
    EstimationError
        Fewer than three laboratories: with two, h is +0.707 and -0.707 whatever they report.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 and tables 6 and 7; the formula: Wilrich (2013), AStA Adv. Stat. Anal. 97, 1-10.
    """
    from scipy import stats

    if p < 3:
        raise EstimationError(
            f"h: found {p} laboratories, expected at least 3; two laboratories are equally far from "
            "their mean."
        )
    t = float(stats.t.isf(alpha / 2, p - 2))
    return float((p - 1) * t / np.sqrt(p * (t * t + p - 2)))


def k_indicator(p: int, n: int, *, alpha: float) -> float:
    """Upper indicator value of Mandel's k for p laboratories with n results each at significance `alpha`.

    k = sqrt(p / (1 + (p - 1) / F)), F the upper alpha quantile of F with n - 1 and (p - 1)(n - 1) df.

    Raises
    ------
    EstimationError
        Fewer than two laboratories or fewer than two results per cell.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 and tables 6 and 7; the formula: Wilrich (2013), AStA Adv. Stat. Anal. 97, 1-10.
    """
    return k_indicator_of_cell(n - 1, (p - 1) * (n - 1), alpha=alpha)


def k_indicator_of_cell(df: int, df_others: int, *, alpha: float) -> float:
    """Indicator value of k for a cell with `df` degrees of freedom where the other cells have `df_others`
    together.

    k^2 is s_i^2 over the pooled variance, so k^2 = (df + df_others) / (df + df_others / F) with
    F = s_i^2 / s_others^2: exact for unequal numbers of results, and `k_indicator` for equal ones.

    Raises
    ------
    EstimationError
        The cell, or all others together, have no degree of freedom.
    """
    from scipy import stats

    if df < 1 or df_others < 1:
        raise EstimationError(
            f"k: found {df} degrees of freedom in the cell and {df_others} in the others, expected "
            "at least 1 each. "
            "Two laboratories or more must hold two results or more."
        )
    f = float(stats.f.isf(alpha, df, df_others))
    return float(np.sqrt((df + df_others) / (df + df_others / f)))


def mandel(level: LevelCells) -> tuple[Consistency, ...]:
    """h and k of every laboratory at one level.

    h is the deviation of the cell mean from the mean of the cell means, over the standard deviation of the
    cell means: every laboratory counts once, and this is the statistic that the tabled values belong to. k is
    the standard deviation of the cell over the pooled repeatability standard deviation s_r. With equal
    numbers per cell both are the formulas of ISO 5725-2; with unequal numbers k has the indicator values of
    its own cell.

    References
    ----------
    ISO 5725-2:1994, 7.3.1.
    """
    h = _h(level)
    k = _k(level)
    bounds = [h_indicator(level.p, alpha=alpha) if level.p > 2 else None for alpha in (0.05, 0.01)]
    rows = []
    for index, laboratory in enumerate(level.laboratories):
        k_bounds = [_k_bound(level, index, alpha) if k is not None else None for alpha in (0.05, 0.01)]
        defined = k is not None and level.count[index] > 1
        rows.append(
            Consistency(
                laboratory=laboratory,
                level=level.level,
                h=None if h is None else float(h[index]),
                k=float(k[index]) if k is not None and defined else None,
                h_indicator_5=bounds[0],
                h_indicator_1=bounds[1],
                k_indicator_5=k_bounds[0],
                k_indicator_1=k_bounds[1],
            )
        )
    return tuple(rows)


def _h(level: LevelCells) -> FloatArray | None:
    deviation = level.mean - level.mean.mean()
    if level.p < 3 or not level.means_differ:
        return None
    return np.asarray(deviation / np.sqrt(np.sum(deviation**2) / (level.p - 1)), dtype=np.float64)


def _k(level: LevelCells) -> FloatArray | None:
    if np.count_nonzero(level.count > 1) < 2 or not level.results_differ:
        return None
    s_r = np.sqrt(float(level.centred_ss.sum()) / level.degrees_of_freedom)
    return np.asarray(level.sd / s_r, dtype=np.float64)


def _k_bound(level: LevelCells, index: int, alpha: float) -> float | None:
    df = int(level.count[index]) - 1
    return k_indicator_of_cell(df, level.degrees_of_freedom - df, alpha=alpha) if df else None
