"""Cochran's test on scatter and Grubbs' tests on means, one test at a time.

In: LevelCells.  Out: one frozen record per test with statistic, critical values at 5 % and 1 %, and decision.
Not here: the order of the tests and what follows from a decision (procedure).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray
from repeatab.interlab.grubbs_pair import pair_critical, pair_probability
from repeatab.interlab.level import Label, LevelCells, majority_count

STRAGGLER_ALPHA, OUTLIER_ALPHA = 0.05, 0.01


class OutlierTest(Enum):
    """The tests of ISO 5725-2, 7.3; the value is the stable key in tables."""

    COCHRAN = "Cochran"
    GRUBBS_HIGH = "Grubbs, highest"
    GRUBBS_LOW = "Grubbs, lowest"
    GRUBBS_PAIR_HIGH = "Grubbs, two highest"
    GRUBBS_PAIR_LOW = "Grubbs, two lowest"


class Decision(Enum):
    """What a test says; the words are those of ISO 5725-2, 7.3.2."""

    CORRECT = "accepted as correct"
    STRAGGLER = "straggler"
    OUTLIER = "statistical outlier"
    NOT_TESTABLE = "not testable"


@dataclass(frozen=True, slots=True, kw_only=True)
class TestResult:
    """One test at one level.

    laboratories : the one (or two) whose cell is examined.
    statistic, critical_5, critical_1, p_value : None where the test is not possible (too few cells, no
        scatter). The p-value is an upper bound (union over laboratories and, for Grubbs, both ends), nearly
        attained where it is small.
    """

    __test__ = False  # not a test case for a test runner, in spite of its name

    test: OutlierTest
    level: Label
    laboratories: tuple[Label, ...]
    statistic: float | None
    critical_5: float | None
    critical_1: float | None
    p_value: float | None
    decision: Decision

    @property
    def laboratory(self) -> Label:
        """The laboratory examined, or the pair of them as a tuple."""
        return self.laboratories[0] if len(self.laboratories) == 1 else self.laboratories


def _decide(
    statistic: float, critical_5: float, critical_1: float, *, small_is_extreme: bool = False
) -> Decision:
    """Above 1 %: outlier; between 5 % and 1 %: straggler; a statistic equal to a critical value is not
    beyond it.
    """
    sign = -1.0 if small_is_extreme else 1.0
    if sign * statistic > sign * critical_1:
        return Decision.OUTLIER
    return Decision.STRAGGLER if sign * statistic > sign * critical_5 else Decision.CORRECT


def _not_testable(test: OutlierTest, level: LevelCells, laboratories: tuple[Label, ...]) -> TestResult:
    return TestResult(
        test=test,
        level=level.level,
        laboratories=laboratories,
        statistic=None,
        critical_5=None,
        critical_1=None,
        p_value=None,
        decision=Decision.NOT_TESTABLE,
    )


def cochran_critical(p: int, n: int, *, alpha: float) -> float:
    """Critical value of Cochran's C, the largest of p variances over their sum, n results each.

    C = F / (F + p - 1), F the upper alpha/p quantile of F with n - 1 and (p - 1)(n - 1) df.

    Raises
    ------
    EstimationError
        Fewer than two variances or fewer than two results per variance.

    References
    ----------
    ISO 5725-2:1994, 7.3.3 and table 4; the formula: 't Lam (2010), Anal. Chim. Acta 659, 68-84.
    """
    from scipy import stats

    if p < 2 or n < 2:
        raise EstimationError(
            f"Cochran's test: found {p} variances of {n} results, expected at least two of at least two."
        )
    f = float(stats.f.isf(alpha / p, n - 1, (p - 1) * (n - 1)))
    return f / (f + p - 1)


def cochran_p_value(statistic: float, p: int, n: int) -> float:
    """Upper bound on P(C >= statistic): p times the probability for a given laboratory; exact from C = 1/2
    on.
    """
    from scipy import stats

    if statistic >= 1:
        return 0.0
    f = (p - 1) * statistic / (1 - statistic)
    return float(min(1.0, p * stats.f.sf(f, n - 1, (p - 1) * (n - 1))))


def cochran(level: LevelCells) -> TestResult:
    """Cochran's test on the largest variance within cells.

    Cells of one result have no variance and do not count. Where the numbers of results differ, the critical
    value is that of the number in the majority of cells, as the standard has it.

    References
    ----------
    ISO 5725-2:1994, 7.3.3.
    """
    inner = level.count > 1
    p = int(np.count_nonzero(inner))
    variance = np.where(inner, level.variance, -1.0)
    worst = int(np.argmax(variance))
    laboratories = (level.laboratories[worst],)
    if p < 2 or not level.results_differ:
        return _not_testable(OutlierTest.COCHRAN, level, laboratories if p else ())
    n = majority_count(level)
    statistic = float(variance[worst] / np.sum(variance[inner]))
    critical = [cochran_critical(p, n, alpha=alpha) for alpha in (STRAGGLER_ALPHA, OUTLIER_ALPHA)]
    return TestResult(
        test=OutlierTest.COCHRAN,
        level=level.level,
        laboratories=laboratories,
        statistic=statistic,
        critical_5=critical[0],
        critical_1=critical[1],
        p_value=cochran_p_value(statistic, p, n),
        decision=_decide(statistic, critical[0], critical[1]),
    )


def grubbs_critical(p: int, *, alpha: float) -> float:
    """Critical value of Grubbs' test for the highest or the lowest of p cell means, two-sided over the two
    ends.

    G = (p - 1)/sqrt(p) sqrt(t^2 / (p - 2 + t^2)), t the upper alpha/(2p) quantile of Student's t with p - 2
    df.

    Raises
    ------
    EstimationError
        Fewer than three cell means.

    References
    ----------
    ISO 5725-2:1994, 7.3.4 and table 5; Grubbs & Beck (1972), Technometrics 14, 847-854.
    """
    from scipy import stats

    if p < 3:
        raise EstimationError(f"Grubbs' test: found {p} cell means, expected at least 3.")
    t2 = float(stats.t.isf(alpha / (2 * p), p - 2)) ** 2
    return float((p - 1) / np.sqrt(p) * np.sqrt(t2 / (p - 2 + t2)))


def grubbs_p_value(statistic: float, p: int) -> float:
    """Upper bound on the two-sided probability of a statistic at least as large at one end or the other."""
    from scipy import stats

    room = (p - 1) ** 2 / p - statistic**2
    if room <= 1e-15 * p:
        return 0.0
    t = np.sqrt((p - 2) * statistic**2 / room)
    return float(min(1.0, 2 * p * stats.t.sf(t, p - 2)))


def grubbs(level: LevelCells, *, high: bool) -> TestResult:
    """Grubbs' test for one outlying cell mean, the highest or the lowest.

    References
    ----------
    ISO 5725-2:1994, 7.3.4.1.
    """
    test = OutlierTest.GRUBBS_HIGH if high else OutlierTest.GRUBBS_LOW
    sign = 1.0 if high else -1.0
    extreme = int(np.argmax(sign * level.mean))
    laboratories = (level.laboratories[extreme],)
    if level.p < 3 or not level.means_differ:
        return _not_testable(test, level, laboratories)
    statistic = float(sign * (level.mean[extreme] - level.mean.mean()) / level.mean.std(ddof=1))
    critical = [grubbs_critical(level.p, alpha=alpha) for alpha in (STRAGGLER_ALPHA, OUTLIER_ALPHA)]
    return TestResult(
        test=test,
        level=level.level,
        laboratories=laboratories,
        statistic=statistic,
        critical_5=critical[0],
        critical_1=critical[1],
        p_value=grubbs_p_value(statistic, level.p),
        decision=_decide(statistic, critical[0], critical[1]),
    )


def grubbs_pair(level: LevelCells, *, high: bool) -> TestResult:
    """Grubbs' test for two outlying cell means at one end: small values are significant.

    References
    ----------
    ISO 5725-2:1994, 7.3.4.2.
    """
    test = OutlierTest.GRUBBS_PAIR_HIGH if high else OutlierTest.GRUBBS_PAIR_LOW
    order = np.argsort(level.mean, kind="stable")
    pair = order[-2:][::-1] if high else order[:2]
    laboratories = tuple(level.laboratories[int(index)] for index in pair)
    if level.p < 4 or not level.means_differ:
        return _not_testable(test, level, laboratories)
    rest = np.delete(level.mean, pair)
    statistic = _sum_of_squares(rest) / _sum_of_squares(level.mean)
    critical = [pair_critical(level.p, alpha=alpha) for alpha in (STRAGGLER_ALPHA, OUTLIER_ALPHA)]
    return TestResult(
        test=test,
        level=level.level,
        laboratories=laboratories,
        statistic=statistic,
        critical_5=critical[0],
        critical_1=critical[1],
        p_value=min(1.0, 2 * pair_probability(statistic, level.p)),
        decision=_decide(statistic, critical[0], critical[1], small_is_extreme=True),
    )


def _sum_of_squares(values: FloatArray) -> float:
    return float(np.sum((values - values.mean()) ** 2))
