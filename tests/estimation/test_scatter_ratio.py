"""The ratio of two standard deviations: limits by the definitions of the tests that they invert."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from repeatab.base.errors import LayoutError
from repeatab.estimation.scatter_ratio import independent_ratio, paired_ratio


def two_rigs(seed: int, n: int, *, alike: float = 0.6) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    material = rng.normal(0, alike, n)
    return material + rng.normal(0, 1.0, n), material + rng.normal(0, 0.6, n)


@pytest.mark.parametrize("level", [0.90, 0.95])
@pytest.mark.parametrize(("n_a", "n_b"), [(8, 8), (2, 9), (15, 4)])
def test_limits_of_independent_results_are_where_f_stands_on_its_points(n_a, n_b, level):
    a, b = two_rigs(1, n_a)[0], two_rigs(2, n_b)[1]
    found = independent_ratio(
        a.var(ddof=1) * (n_a - 1), n_a - 1, b.var(ddof=1) * (n_b - 1), n_b - 1, level=level
    )
    tail = (1 - level) / 2
    observed = a.var(ddof=1) / b.var(ddof=1)
    assert found.ratio == pytest.approx(np.sqrt(observed), rel=1e-12)
    assert stats.f.sf(observed / found.interval.lower**2, n_a - 1, n_b - 1) == pytest.approx(tail, rel=1e-9)
    assert stats.f.cdf(observed / found.interval.upper**2, n_a - 1, n_b - 1) == pytest.approx(tail, rel=1e-9)


@pytest.mark.parametrize("level", [0.90, 0.95])
@pytest.mark.parametrize("n", [4, 6, 12])
def test_limits_of_paired_results_are_where_sum_and_difference_are_just_correlated(n, level):
    # Pitman (1939) and Morgan (1939), Biometrika 31: at the ratio q the correlation of a + q b with a - q b tests
    # whether the standard deviations stand as q to 1; scipy gives its probability.
    a, b = two_rigs(3, n)
    found = paired_ratio(a - a.mean(), b - b.mean(), fitted=1, level=level)
    for q in (found.interval.lower, found.interval.upper):
        assert stats.pearsonr(a + q * b, a - q * b).pvalue == pytest.approx(1 - level, rel=1e-8)
    assert found.ratio == pytest.approx(a.std(ddof=1) / b.std(ddof=1), rel=1e-12)
    inside = stats.pearsonr(a + found.ratio * b, a - found.ratio * b)
    assert inside.statistic == pytest.approx(0, abs=1e-12)


def test_with_an_order_effect_the_correlation_is_the_partial_one():
    # The same definition with the order taken out: the t value of one in the regression of the other, given order.
    n = 9
    order = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)
    a, b = two_rigs(4, n)
    a, b = a + 2 * order, b - order
    design = np.c_[np.ones(n), order]
    left_a, left_b = (sm.OLS(y, design).fit().resid for y in (a, b))
    found = paired_ratio(left_a, left_b, fitted=2, level=0.95)
    assert found.df_a == n - 2
    assert found.sd_a == pytest.approx(np.sqrt(sm.OLS(a, design).fit().mse_resid), rel=1e-12)
    for q in (found.interval.lower, found.interval.upper):
        fit = sm.OLS(a + q * b, np.c_[design, a - q * b]).fit()
        assert fit.pvalues[2] == pytest.approx(0.05, rel=1e-8)


def test_paired_limits_keep_their_digits_where_the_two_rigs_agree_almost_perfectly():
    # r^2 = 1 - 1e-10: k is one to ten digits, and k - sqrt(k^2 - 1) written naively keeps half of them.
    rng = np.random.default_rng(5)
    a = rng.normal(0, 1, 10)
    noise = rng.normal(0, 1, 10)
    a, noise = a - a.mean(), noise - noise.mean()
    noise -= a * (a @ noise) / (a @ a)
    b = a + 1e-5 * noise * np.sqrt((a @ a) / (noise @ noise))
    found = paired_ratio(a, b, fitted=1, level=0.95)
    assert found.interval.lower * found.interval.upper == pytest.approx(found.ratio**2, rel=1e-12)
    width = stats.t.ppf(0.975, 8) * 1e-5 / np.sqrt(8)
    assert np.log(found.interval.upper / found.ratio) == pytest.approx(width, rel=1e-3)


some_spread = st.floats(0.05, 20)


@settings(max_examples=60, deadline=None)
@given(first=some_spread, second=some_spread, seed=st.integers(0, 10_000), n=st.integers(4, 12))
def test_scales_carry_over_and_swapping_the_rigs_turns_the_ratio(first, second, seed, n):
    a, b = two_rigs(seed, n)
    a, b = a - a.mean(), b - b.mean()
    plain = paired_ratio(a, b, fitted=1, level=0.95)
    scaled = paired_ratio(first * a, second * b, fitted=1, level=0.95)
    turned = paired_ratio(b, a, fitted=1, level=0.95)
    assert scaled.interval.upper == pytest.approx(plain.interval.upper * first / second, rel=1e-9)
    assert turned.interval.upper == pytest.approx(1 / plain.interval.lower, rel=1e-9)


def test_what_cannot_give_a_ratio_is_refused_in_words():
    with pytest.raises(LayoutError, match="at least two sets on each rig"):
        independent_ratio(1.0, 0, 1.0, 3, level=0.95)
    with pytest.raises(LayoutError, match="no scatter at all"):
        independent_ratio(0.0, 3, 1.0, 3, level=0.95)
    with pytest.raises(LayoutError):
        paired_ratio(np.array([0.1, -0.1]), np.array([0.2, -0.2]), fitted=1, level=0.95)
