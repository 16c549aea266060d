"""Contrasts judged together: Dunnett's table, the studentised range, Student's t, and laws that must hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from repeatab.base.errors import EstimationError
from repeatab.estimation.simultaneous import adjusted_p, simultaneous_point

# Dunnett (1964), Biometrics 20, 482-491, table II: two-sided 5 percent points for 1 to 9 levels against a
# reference, all of one size. Values from memory; the table prints two decimals.
DUNNETT = {
    5: (2.57, 3.03, 3.29, 3.48, 3.62, 3.73, 3.82, 3.90, 3.97),
    10: (2.23, 2.57, 2.76, 2.89, 2.99, 3.07, 3.14, 3.19, 3.24),
    20: (2.09, 2.38, 2.54, 2.65, 2.73, 2.80, 2.86, 2.90, 2.95),
    60: (2.00, 2.27, 2.41, 2.51, 2.58, 2.64, 2.69, 2.73, 2.77),
    np.inf: (1.96, 2.21, 2.35, 2.44, 2.51, 2.57, 2.61, 2.65, 2.69),
}


def correlation(rows: np.ndarray) -> np.ndarray:
    rows = rows / np.linalg.norm(rows, axis=1, keepdims=True)
    return rows @ rows.T


def against_reference(sizes: list[int]) -> np.ndarray:
    """Level 1, 2, ... minus level 0, for independent means of these numbers of sets."""
    root = np.sqrt(np.array(sizes, float))
    return correlation(np.c_[np.full(len(sizes) - 1, -1 / root[0]), np.diag(1 / root[1:])])


def all_pairs(sizes: list[int]) -> np.ndarray:
    root = np.sqrt(np.array(sizes, float))
    unit = np.eye(len(sizes)) / root
    return correlation(np.array([unit[i] - unit[j] for i in range(len(sizes)) for j in range(i)]))


@pytest.mark.parametrize("df", DUNNETT)
def test_dunnetts_table(df):
    for number, printed in enumerate(DUNNETT[df], start=1):
        found = simultaneous_point(against_reference([4] * (number + 1)), df, 0.95)
        # Half of the last digit.
        assert found == pytest.approx(printed, abs=0.0051)


@pytest.mark.parametrize("df", [1.0, 2.7, 12, np.inf])
def test_one_contrast_is_students_t(df):
    t = np.array([0.0, 0.5, 2.0, 7.0])
    assert adjusted_p(t, np.ones((1, 1)), df) == pytest.approx(2 * stats.t.sf(t, df), rel=1e-12)
    assert simultaneous_point(np.ones((1, 1)), df, 0.9) == pytest.approx(stats.t.ppf(0.95, df), rel=1e-10)


@pytest.mark.parametrize("df", [2, 5, 20, np.inf])
@pytest.mark.parametrize(("levels", "digits"), [(3, 1e-9), (4, 1e-5), (5, 3e-4), (7, 1e-3)])
def test_all_pairs_of_levels_of_one_size_follow_the_studentised_range(levels, digits, df):
    # Tukey (1953); scipy's studentized_range. Ranks 2 and 3 are integrals in closed steps, above them spread
    # directions: `digits` is relative, so 1e-3 at p = 0.05 is 5e-5.
    together = all_pairs([3] * levels)
    t = np.array([2.0, 2.8, 4.0])
    expected = stats.studentized_range.sf(t * np.sqrt(2), levels, df)
    assert adjusted_p(t, together, df) == pytest.approx(expected, rel=digits)
    point = stats.studentized_range.ppf(0.95, levels, df) / np.sqrt(2)
    assert simultaneous_point(together, df, 0.95) == pytest.approx(point, rel=digits)


def test_published_example_of_levels_against_a_reference():
    # Dunnett (1955), JASA 50, 1096-1121, blood counts, as carried in the documentation of scipy.stats.dunnett.
    samples = [
        np.array([7.40, 8.50, 7.20, 8.24, 9.84, 8.32]),
        np.array([9.76, 8.80, 7.68, 9.36]),
        np.array([12.80, 9.68, 12.16, 9.20, 10.55]),
    ]
    sizes = [len(s) for s in samples]
    df = sum(sizes) - 3
    variance = sum(((s - s.mean()) ** 2).sum() for s in samples) / df
    t = np.array([
        (s.mean() - samples[0].mean()) / np.sqrt(variance * (1 / len(s) + 1 / 6)) for s in samples[1:]
    ])  # fmt: skip
    found = adjusted_p(t, against_reference(sizes), df)
    theirs = stats.dunnett(*samples[1:], control=samples[0], rng=np.random.default_rng(3))
    assert t == pytest.approx(theirs.statistic, rel=1e-12)
    assert found == pytest.approx(theirs.pvalue, abs=2e-4)
    limits = theirs.confidence_interval(0.95)
    half = simultaneous_point(against_reference(sizes), df, 0.95) * np.sqrt(variance * (1 / 4 + 1 / 6))
    assert (limits.high[0] - limits.low[0]) / 2 == pytest.approx(half, rel=2e-3)


@pytest.mark.parametrize(("number", "df"), [(2, 4), (3, 4), (8, 15)])
def test_both_ways_to_the_same_number_agree(number, df):
    # A product correlation is integrated over the common part. Turning the last entry by a hair leaves that form,
    # so that the spread directions are used.
    together = against_reference([5, *range(3, 3 + number)])
    turned = together.copy()
    turned[0, -1] = turned[-1, 0] = together[0, -1] + 1e-7
    t = np.array([1.5, 2.5, 4.0])
    assert adjusted_p(t, turned, df) == pytest.approx(adjusted_p(t, together, df), abs=1e-4)


def test_independent_contrasts_with_known_scale_multiply():
    # Šidák (1967), JASA 62, 626-633: with known scale the joint probability is a product.
    t = np.array([1.0, 2.0, 3.0])
    expected = 1 - (1 - 2 * stats.norm.sf(t)) ** 5
    assert adjusted_p(t, np.eye(5), np.inf) == pytest.approx(expected, rel=1e-9)


def test_the_general_way_agrees_with_the_library_integral_for_any_correlation():
    # scipy.stats.multivariate_t: quasi-random integral over the box (Genz & Bretz).
    rng = np.random.default_rng(8)
    together = correlation(rng.normal(size=(6, 9)))
    for df in (3, 25):
        point = simultaneous_point(together, df, 0.95)
        box = stats.multivariate_t(shape=together, df=df).cdf(
            np.full(6, point), lower_limit=np.full(6, -point), maxpts=100_000, random_state=1
        )
        assert box == pytest.approx(0.95, abs=1e-4)


sizes_of_levels = st.lists(st.integers(1, 12), min_size=3, max_size=5)


@settings(max_examples=10)
@given(sizes=sizes_of_levels, df=st.floats(1, 60), pairs=st.booleans())
def test_laws_of_joint_probabilities(sizes, df, pairs):
    together = all_pairs(sizes) if pairs else against_reference(sizes)
    contrasts = len(together)
    t = np.array([0.0, 0.7, 1.9, 2.6, 6.0, 40.0])
    p, alone = adjusted_p(t, together, df), 2 * stats.t.sf(t, df)
    assert p[0] == pytest.approx(1, abs=1e-6)
    assert (np.diff(p) < 0).all()
    assert (p >= alone * (1 - 1e-12)).all()
    # Šidák's inequality does not hold for the t distribution with a common scale; Bonferroni's does.
    assert (p <= np.minimum(contrasts * alone, 1) * (1 + 1e-12)).all()
    flip = np.diag(np.where(np.arange(contrasts) % 2, -1.0, 1.0))
    assert adjusted_p(t, flip @ together @ flip, df) == pytest.approx(p, abs=1e-4)
    assert adjusted_p(t, together[::-1, ::-1], df) == pytest.approx(p, abs=1e-4)
    point = simultaneous_point(together, df, 0.95)
    assert adjusted_p(np.array([point]), together, df)[0] == pytest.approx(0.05, rel=1e-6)


def test_a_contrast_given_twice_or_turned_around_costs_nothing():
    together = all_pairs([4, 5, 6, 7])
    twice = np.block([[together, -together], [-together, together]])
    t = np.array([1.0, 2.5, 5.0])
    assert adjusted_p(t, twice, 7) == pytest.approx(adjusted_p(t, together, 7), abs=1e-5)
    one = np.array([[1.0, -1.0], [-1.0, 1.0]])
    assert adjusted_p(t, one, 7) == pytest.approx(2 * stats.t.sf(t, 7), rel=1e-12)


def test_missing_and_infinite_t_values():
    p = adjusted_p(np.array([np.nan, np.inf, -2.5, 2.5]), all_pairs([3, 3, 3]), 6)
    assert np.isnan(p[0])
    assert p[1] == 0
    assert p[2] == p[3]


def test_what_is_no_correlation_is_refused():
    with pytest.raises(EstimationError, match="without scatter"):
        simultaneous_point(np.array([[1.0, np.nan], [np.nan, 1.0]]), 5, 0.95)
    with pytest.raises(EstimationError, match="ones on the diagonal"):
        adjusted_p(np.array([1.0]), np.array([[2.0, 0.1], [0.1, 1.0]]), 5)
    with pytest.raises(EstimationError, match="degrees of freedom"):
        adjusted_p(np.array([1.0]), np.eye(2), 0)
