"""Whether the items of a lot are alike enough, and stay so, for the scatter that the organiser has set.

In: repeats on several items of the lot, or two sets of results apart in time.  Out: the checks of ISO 13528,
annex B.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray
from repeatab.interlab.level import LevelCells
from repeatab.interlab.outlier_tests import TestResult, cochran

ALLOWED_SHARE = 0.3


class Criterion(Enum):
    """Which criterion was met first; the second allows for the error of the check itself."""

    PLAIN = "0.3 sigma_pt"
    EXPANDED = "0.3 sigma_pt, expanded for the uncertainty of the check"
    NOT_MET = "not met"


@dataclass(frozen=True, slots=True, kw_only=True)
class Homogeneity:
    """Homogeneity of a lot.

    s_w, s_x, s_s : standard deviations within items, of item means, and between items (zero where the
        estimate of its square is negative). `plain_limit` is 0.3 sigma_pt, `expanded_limit` sqrt(F1 (0.3
        sigma_pt)^2 + F2 s_w^2).
    scatter_test : Cochran's test on the scatter within items; an outlying item deserves a look before the
        verdict.
    """

    items: int
    repeats: int
    mean: float
    s_w: float
    s_x: float
    s_s: float
    plain_limit: float
    expanded_limit: float
    criterion: Criterion
    scatter_test: TestResult

    @property
    def adequate(self) -> bool:
        return self.criterion is not Criterion.NOT_MET


def homogeneity_factors(items: int, repeats: int) -> tuple[float, float]:
    """F1 = chi2_0.95(g - 1)/(g - 1) and F2 = (F_0.95(g - 1, g (m - 1)) - 1)/m of the expanded criterion.

    References
    ----------
    ISO 13528:2022, B.2.4; Fearn & Thompson (2001), Analyst 126, 1414-1417.
    """
    from scipy import stats

    g, m = items, repeats
    f1 = float(stats.chi2.isf(0.05, g - 1)) / (g - 1)
    f2 = (float(stats.f.isf(0.05, g - 1, g * (m - 1))) - 1) / m
    return f1, f2


def homogeneity(results: FloatArray, sigma_pt: float) -> Homogeneity:
    """Check of homogeneity from repeats on items drawn at random from the lot.

    Parameters
    ----------
    results : (items, repeats), at least two of each; the standard asks for ten items and two repeats.
    sigma_pt : standard deviation for proficiency assessment, the organiser's decision.

    Raises
    ------
    EstimationError
        Another shape, a result that is not finite, or sigma_pt not positive.

    References
    ----------
    ISO 13528:2022, B.2 and B.3.
    """
    y = np.asarray(results, dtype=np.float64)
    if y.ndim != 2 or min(y.shape) < 2 or not np.all(np.isfinite(y)):
        raise EstimationError(
            f"homogeneity: found results of shape {y.shape}, expected finite numbers for at least "
            "two items with at "
            "least two repeats each (the standard asks for ten items)."
        )
    limit = _limit(sigma_pt)
    g, m = y.shape
    cells = LevelCells.from_results(
        level="homogeneity", results={item + 1: row for item, row in enumerate(y)}
    )
    within = float(cells.centred_ss.sum()) / (g * (m - 1))
    between = float(np.var(y.mean(axis=1), ddof=1))
    s_s = math.sqrt(max(0.0, between - within / m))
    f1, f2 = homogeneity_factors(g, m)
    expanded = math.sqrt(f1 * limit**2 + f2 * within)
    return Homogeneity(
        items=g,
        repeats=m,
        mean=float(y.mean()),
        s_w=math.sqrt(within),
        s_x=math.sqrt(between),
        s_s=s_s,
        plain_limit=limit,
        expanded_limit=expanded,
        criterion=_criterion(s_s, limit, expanded),
        scatter_test=cochran(cells),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """Stability of a lot between two dates: the change of the mean against 0.3 sigma_pt."""

    change: float
    standard_uncertainty: float
    plain_limit: float
    expanded_limit: float
    criterion: Criterion

    @property
    def adequate(self) -> bool:
        return self.criterion is not Criterion.NOT_MET


def stability(before: FloatArray, after: FloatArray, sigma_pt: float) -> Stability:
    """Check of stability from results on items before and after the round, one result (or item mean) per
    item.

    The plain criterion is |change| <= 0.3 sigma_pt; the expanded one adds twice the standard uncertainty of
    the change.

    Raises
    ------
    EstimationError
        Fewer than two results at either date, one that is not finite, or sigma_pt not positive.

    References
    ----------
    ISO 13528:2022, B.5.
    """
    first, second = (np.asarray(values, dtype=np.float64).ravel() for values in (before, after))
    for values, name in ((first, "before"), (second, "after")):
        if values.size < 2 or not np.all(np.isfinite(values)):
            raise EstimationError(
                f"stability: found {values.size} results {name} the round, expected at least two finite ones."
            )
    limit = _limit(sigma_pt)
    change = float(second.mean() - first.mean())
    u = math.sqrt(float(first.var(ddof=1)) / first.size + float(second.var(ddof=1)) / second.size)
    return Stability(
        change=change,
        standard_uncertainty=u,
        plain_limit=limit,
        expanded_limit=limit + 2 * u,
        criterion=_criterion(abs(change), limit, limit + 2 * u),
    )


def _limit(sigma_pt: float) -> float:
    if not (math.isfinite(sigma_pt) and sigma_pt > 0):
        raise EstimationError(f"sigma_pt: found {sigma_pt}, expected a positive number.")
    return ALLOWED_SHARE * sigma_pt


def _criterion(found: float, plain: float, expanded: float) -> Criterion:
    if found <= plain:
        return Criterion.PLAIN
    return Criterion.EXPANDED if found <= expanded else Criterion.NOT_MET
