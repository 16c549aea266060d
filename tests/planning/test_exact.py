"""Exact probabilities and expected intervals against general-purpose libraries, published formulas and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats
from statsmodels.stats.power import TTestIndPower

from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.planning.beliefs import ScatterBelief, df_of_range
from repeatab.planning.contrast_information import contrast_information
from repeatab.planning.exact import exact_verdicts
from repeatab.planning.widths import (
    expected_intervals,
    sd_limit_factors,
    sd_ratio_limit_factors,
)
from repeatab.simulate import planned_block, simulate_block


@pytest.mark.parametrize(("sets", "effect"), [(3, 2.0), (5, 1.5), (10, 1.0), (17, 1.0), (64, 0.5)])
def test_power_of_the_t_test_is_that_of_statsmodels(sets, effect):
    found = exact_verdicts(
        effect, low=-1e-9, high=1e-9, se=np.sqrt(2 / sets), df=2 * sets - 2, confidence=0.95, alpha=0.05
    )
    power = TTestIndPower().power(effect_size=effect, nobs1=sets, alpha=0.05, alternative="two-sided")
    assert found.different[0] == pytest.approx(power, abs=1e-6)


@pytest.mark.parametrize(("effect", "published"), [(0.2, 393), (0.5, 64), (0.8, 26)])
def test_numbers_for_80_percent_power_of_cohen_s_table(effect, published):
    # Cohen (1988), Statistical Power Analysis, table 2.4.1, two-sided 0.05, power 0.80: n per group; from memory,
    # and recomputed above against statsmodels.
    def power(n):
        return exact_verdicts(
            effect, low=-1e-9, high=1e-9, se=np.sqrt(2 / n), df=2 * n - 2, confidence=0.95, alpha=0.05
        ).different[0]

    assert power(published - 1) < 0.80 <= power(published) + 0.0015


@pytest.mark.parametrize("share", [0.0, 0.4, 0.9, 1.0, 1.7])
def test_probability_of_equivalence_is_the_integral_over_the_estimated_scale(share):
    # Phillips (1990), J. Pharmacokin. Biopharm. 18, 137-144, eq. for two one-sided tests, by adaptive quadrature.
    se, df, margin = 0.004, 10, 0.012
    point = stats.t.ppf(0.95, df)

    def integrand(q):
        reach = margin - point * se * np.sqrt(q / df)
        inside = stats.norm.cdf((reach - share * margin) / se) - stats.norm.cdf(
            (-reach - share * margin) / se
        )
        return max(inside, 0.0) * stats.chi2.pdf(q, df)

    expected = integrate.quad(integrand, 0, df * (margin / (point * se)) ** 2, epsabs=1e-11)[0]
    found = exact_verdicts(
        share * margin, low=-margin, high=margin, se=se, df=df, confidence=0.95, alpha=0.05
    )
    assert found.equivalent[0] == pytest.approx(expected, abs=2e-5)
    assert found.equivalent[0] + found.different[0] + found.undecided[0] == pytest.approx(1)


def test_error_rates_are_kept_at_no_difference_and_at_the_margin():
    found = exact_verdicts([0.0, 0.012], low=-0.012, high=0.012, se=0.003, df=14, confidence=0.95, alpha=0.05)
    assert found.different[0] <= 0.05
    assert found.equivalent[1] == pytest.approx(0.05, abs=1e-4)


# --- widths ----------------------------------------------------------------------------------------------------


def test_two_rigs_say_little_about_rig_to_rig_scatter():
    # Chi-square points with 1 degree of freedom: 0.00098 and 5.02 (any statistical table).
    low, high = sd_limit_factors(1, level=0.95)
    assert high == pytest.approx(1 / np.sqrt(0.000982069), rel=1e-5)
    assert low == pytest.approx(1 / np.sqrt(5.02389), rel=1e-5)


def test_three_sets_on_each_side_say_little_about_a_ratio_of_standard_deviations():
    # F point 0.975 with 2 and 2 degrees of freedom: 39.00 (any statistical table).
    low, high = sd_ratio_limit_factors(2, 2, level=0.95)
    assert (low, high) == pytest.approx((1 / np.sqrt(39.0), np.sqrt(39.0)), rel=1e-4)


MODEL = model_of(random=["rig", "pad_set", ("rig", "pad_set")])
TRUTH = {"rig": 0.004**2, "pad_set": 0.01**2, "rig × pad_set": 0.003**2, "repeatability": 0.005**2}


def crossed(rigs, sets, runs):
    rows = [(r, s) for r in range(rigs) for s in range(sets) for _ in range(runs)]
    block = planned_block({"rig": [r for r, _ in rows], "pad_set": [s for _, s in rows]})
    return block, layout_of(block, MODEL)


def test_intervals_at_the_expected_mean_squares_are_near_the_median_of_simulated_ones():
    from repeatab.estimation.block_fit import BlockFit, Method

    block, layout = crossed(4, 8, 2)
    found = expected_intervals(block, layout, TRUTH, level=0.95, seed=1)
    drawn = simulate_block(block, layout, np.array(list(TRUTH.values())), 0.4, 4000, np.random.default_rng(5))
    limits = BlockFit(block=drawn, layout=layout, method=Method.ANOVA, level=0.95).limits
    median = np.sqrt(np.median(limits[1], axis=0))
    # The median of a mean square lies below its expectation: by a fifth in SD with the 3 degrees of freedom of rigs.
    assert [one.upper for one in found] == pytest.approx(median, rel=0.15)
    assert found[-1].upper == pytest.approx(median[-1], rel=0.02)
    assert [one.sd for one in found] == pytest.approx(np.sqrt(list(TRUTH.values())))


def test_more_rigs_narrow_the_interval_of_their_scatter_and_more_runs_do_not():
    def factor(rigs, sets, runs):
        return expected_intervals(*crossed(rigs, sets, runs), TRUTH, level=0.95, seed=1)[0].factor

    assert factor(2, 8, 2) > 20
    assert factor(2, 8, 8) > 20
    assert factor(8, 8, 2) < 2.7


# --- contrasts -------------------------------------------------------------------------------------------------


def test_split_sets_have_the_standard_error_and_degrees_of_freedom_of_the_t_test():
    block = planned_block({"rig": ["A"] * 5 + ["B"] * 7, "pad_set": range(12)})
    layout = layout_of(block, model_of(random=["pad_set"], fixed=["rig"]))
    found = contrast_information(block, layout, np.array([0.01**2]), "rig", "A", "B")
    assert (found.se, found.df) == pytest.approx((0.01 * np.sqrt(1 / 5 + 1 / 7), 10))


def test_sets_in_both_orders_have_those_of_the_cross_over():
    # Grizzle (1965), Biometrics 21, 467-480: n - 2 degrees of freedom, variance 2 sigma^2 / n.
    block = planned_block(
        {"rig": ["A"] * 8 + ["B"] * 8, "pad_set": [*range(8)] * 2, "position": [1, 2] * 4 + [2, 1] * 4}
    )
    layout = layout_of(block, model_of(random=["pad_set"], fixed=["rig", "position"]))
    found = contrast_information(block, layout, np.array([0.02**2, 0.004**2]), "rig", "A", "B")
    assert (found.se, found.df) == pytest.approx((0.004 * np.sqrt(2 / 8), 6))


# --- beliefs ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("df", [2, 7, 40])
def test_a_range_is_the_interval_of_the_degrees_of_freedom_it_stands_for(df):
    low, high = sd_limit_factors(df, level=0.95)
    assert df_of_range(low, high) == pytest.approx(df, rel=1e-6)


def test_possible_variances_follow_the_pivot():
    belief = ScatterBelief(sd=0.006, df=12)
    drawn = belief.variances(4000, np.random.default_rng(1))
    assert np.median(drawn) == pytest.approx(0.006**2 * 12 / stats.chi2.ppf(0.5, 12), rel=1e-3)
    assert stats.kstest(12 * 0.006**2 / drawn, stats.chi2(12).cdf).pvalue > 0.5
    assert set(ScatterBelief(sd=0.006).variances(3, np.random.default_rng(1))) == {0.006**2}
