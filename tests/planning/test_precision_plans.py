"""How well a round robin knows its standard deviations: ISO 5725-1:1994, table 1, and simulation."""

from __future__ import annotations

import numpy as np
import pytest

from repeatab.planning.precision_plans import (
    chance_within,
    uncertainty_of_repeatability,
    uncertainty_of_reproducibility,
)


# ISO 5725-1:1994, table 1 (values from memory; the formula of 6.3.2 gives all of them to the printed digits).
@pytest.mark.parametrize(
    ("p", "n", "a_r", "a_1", "a_2", "a_5"),
    [
        (5, 2, 0.62, 0.46, 0.61, 0.68),
        (5, 3, 0.44, 0.37, 0.58, 0.67),
        (5, 4, 0.36, 0.32, 0.57, 0.67),
        (10, 2, 0.44, 0.32, 0.41, 0.45),
        (20, 2, 0.31, 0.22, 0.28, 0.31),
    ],
)
def test_uncertainties_are_those_of_the_standard_s_table(p, n, a_r, a_1, a_2, a_5):
    assert uncertainty_of_repeatability(p, n) == pytest.approx(a_r, abs=0.0051)
    found = [uncertainty_of_reproducibility(p, n, ratio) for ratio in (1, 2, 5)]
    assert found == pytest.approx([a_1, a_2, a_5], abs=0.0051)


@pytest.mark.parametrize("ratio", [1.5, 3.0])
def test_reproducibility_of_simulated_round_robins_lies_within(ratio):
    p, n, draws = 15, 2, 20_000
    rng = np.random.default_rng(4)
    within = rng.chisquare(p * (n - 1), draws) / (p * (n - 1))
    between = (1 + n * (ratio**2 - 1)) * rng.chisquare(p - 1, draws) / (p - 1)
    s = np.sqrt(np.maximum((between - within) / n, 0) + within) / ratio
    inside = np.mean(np.abs(s - 1) <= uncertainty_of_reproducibility(p, n, ratio))
    assert inside == pytest.approx(0.95, abs=0.012)


@pytest.mark.parametrize(
    ("p", "n", "ratio", "share"), [(5, 2, 1.0, 0.3), (8, 3, 2.0, 0.35), (20, 2, 4.0, 0.2)]
)
def test_probability_of_a_near_reproducibility_is_that_of_simulated_rounds(p, n, ratio, share):
    draws, rng = 60_000, np.random.default_rng(5)
    within = rng.chisquare(p * (n - 1), draws) / (p * (n - 1))
    between = (1 + n * (ratio**2 - 1)) * rng.chisquare(p - 1, draws) / (p - 1)
    s = np.sqrt(np.maximum((between - within) / n, 0) + within) / ratio
    inside = np.mean(np.abs(s - 1) <= share)
    assert chance_within(p, n, ratio, share) == pytest.approx(inside, abs=4 * 0.5 / np.sqrt(draws))


def test_with_a_ratio_far_above_one_it_is_the_chi_square_of_the_laboratories():
    from scipy import stats

    low, high = ((1 + s * 0.3) ** 2 * 7 for s in (-1, 1))
    exact = stats.chi2.cdf(high, 7) - stats.chi2.cdf(low, 7)
    assert chance_within(8, 2, 1000.0, 0.3) == pytest.approx(exact, abs=1e-4)
