"""Visit-to-visit and within-visit scatter: the handbook's check standard, and what must hold for any
visits.
"""

import math

import numpy as np
import pytest
from scipy import stats

from repeatab.base.errors import EstimationError, NotSeparableError
from repeatab.control.limits import LimitKind
from repeatab.control.visits import scatter_from_visits


@pytest.fixture
def check_standard(published):
    """NIST/SEMATECH e-Handbook, 2.6.2: 25 occasions of six measurements, given by mean and standard
    deviation.
    """
    rows = published.rows("check_standard_resistivity")
    means = np.array([float(row["average_of_6"]) for row in rows])
    within_ss = sum(int(row["df"]) * float(row["s_of_6"]) ** 2 for row in rows)
    return scatter_from_visits(means, np.full(25, 6), within_ss, sum(int(row["df"]) for row in rows))


def test_check_standard_of_the_handbook(published, check_standard):
    case = published.case("check_standard_resistivity")
    printed, exact = case["expected"], case["recomputed"]
    assert check_standard.within_df == printed["level1_df"]
    assert check_standard.within_sd == pytest.approx(printed["level1_s"], abs=5.1e-6)
    assert check_standard.within_sd == pytest.approx(exact["level1_s"], rel=1e-8)
    assert check_standard.mean_sd(6) == pytest.approx(printed["level2_s"], abs=5.1e-6)
    assert check_standard.mean_sd(6) == pytest.approx(exact["level2_s"], rel=1e-8)
    assert check_standard.centre == pytest.approx(exact["mean"], rel=1e-9)
    assert check_standard.centre == pytest.approx(printed["grand_mean"], abs=0.005)


def test_limits_of_the_check_standard(published, check_standard):
    exact = published.case("check_standard_resistivity")["recomputed"]
    for k in (2, 3):
        found = check_standard.mean_limits(6, limit=k)
        assert [found.lower, found.upper] == pytest.approx(exact[f"limits_k{k}"], rel=1e-9)
        assert (found.kind, found.df) == (LimitKind.CONTROL, 24)
    for alpha in (0.05, 0.01):
        limit = check_standard.spread_limit(6, false_alarm=alpha)
        assert limit == pytest.approx(exact[f"upper_limit_s_alpha_{alpha}"], rel=1e-8)


def visit_scatter(values, labels):
    """The two kinds of scatter of single results with the visit of each."""
    x = np.asarray(values, dtype=float)
    parts = [x[[label == visit for label in labels]] for visit in dict.fromkeys(labels)]
    count = np.array([part.size for part in parts])
    within_ss = sum(float(((part - part.mean()) ** 2).sum()) for part in parts)
    return scatter_from_visits(
        np.array([part.mean() for part in parts]), count, within_ss, int((count - 1).sum())
    )


def visits(counts, between, within, seed):
    rng = np.random.default_rng(seed)
    labels = [f"visit {i}" for i, n in enumerate(counts) for _ in range(n)]
    level = {f"visit {i}": between * rng.standard_normal() for i in range(len(counts))}
    return np.array([level[v] + within * rng.standard_normal() for v in labels]), labels


def test_equal_visits_scatter_like_their_means():
    x, labels = visits([3] * 30, 2.0, 1.0, 1)
    found = visit_scatter(x, labels)
    means = x.reshape(30, 3).mean(axis=1)
    assert found.mean_sd(3) == pytest.approx(means.std(ddof=1), rel=1e-12)
    assert found.centre == pytest.approx(means.mean(), abs=1e-12)
    assert found.centre_variance == pytest.approx(means.var(ddof=1) / 30, rel=1e-12)
    order = np.random.default_rng(2).permutation(x.size)
    mixed = visit_scatter(x[order], [labels[i] for i in order])
    assert mixed.between_sd == pytest.approx(found.between_sd, rel=1e-9)


def test_unequal_visits_are_estimated_without_bias():
    # The estimate is a quadratic form in the results: its matrix Q must give tr(Q Z Z') = 1 and tr(Q) = 0, so
    # that its mean is the visit-to-visit variance whatever the scatter within (Searle, Casella & McCulloch
    # 1992, 3.6).
    counts = [1, 2, 2, 4, 5]
    x, labels = visits(counts, 3.0, 1.0, 3)

    def form(y):
        return visit_scatter(y, labels).between_variance_raw

    n, unit = x.size, np.eye(x.size)
    matrix = np.array(
        [[form(x + a + b) - form(x + a) - form(x + b) + form(x) for b in unit] for a in unit]
    )  # twice Q
    same = np.equal.outer(np.array(labels), np.array(labels)).astype(float)
    assert (matrix * same).sum() / 2 == pytest.approx(1.0, abs=1e-9)
    assert np.trace(matrix) / 2 == pytest.approx(0.0, abs=1e-9)
    assert matrix @ np.ones(n) == pytest.approx(np.zeros(n), abs=1e-9)


def test_visits_that_agree_too_well_keep_their_raw_variance():
    x = np.array([0.0, 2.0, 0.1, 1.9, -0.1, 2.1])
    found = visit_scatter(x, [1, 1, 2, 2, 3, 3])
    assert found.between_variance_raw < 0
    assert found.between_sd == 0
    assert found.mean_sd(2) == pytest.approx(found.within_sd / math.sqrt(2))


def test_few_visits_give_trial_limits_that_keep_their_false_alarms():
    x, labels = visits([2] * 8, 1.0, 1.0, 4)
    found = visit_scatter(x, labels)
    limits = found.mean_limits(2)
    assert limits.kind is LimitKind.TRIAL
    means = x.reshape(8, 2).mean(axis=1)
    expected = stats.t.isf(stats.norm.sf(3), 7) * means.std(ddof=1) * math.sqrt(1 + 1 / 8)
    assert limits.upper - limits.centre == pytest.approx(expected, rel=1e-9)


def test_scatter_says_itself():
    x, labels = visits([2] * 8, 1.0, 1.0, 4)
    assert "8 visits, 8 degrees of freedom" in str(visit_scatter(x, labels))


@pytest.mark.parametrize(
    ("ask", "kind", "part"),
    [
        (lambda: visit_scatter([1.0] * 4, ["a", "a", "b", "b"]), EstimationError, "all results are equal"),
        (
            lambda: visit_scatter([1.0, 2.0, 4.0, 4.5], "aabb").spread_limit(1, false_alarm=0.01),
            NotSeparableError,
            "no scatter within",
        ),
        (lambda: visit_scatter([1.0, 2.0, 4.0, 4.5], "aabb").mean_sd(0), EstimationError, "found 0 runs"),
    ],
)
def test_what_cannot_be_kept_apart_is_said(ask, kind, part):
    with pytest.raises(kind, match=part):
        ask()
