"""Scores, assigned values and the checks of homogeneity and stability (ISO 13528)."""

import numpy as np
import pytest

from repeatab.base.errors import EstimationError
from repeatab.interlab.homogeneity import Criterion, homogeneity, homogeneity_factors, stability
from repeatab.interlab.scores import (
    AssignedBasis,
    Signal,
    e_n_score,
    negligible_beside,
    robust_assigned_value,
    signal_of_z,
    z_prime_score,
    z_score,
    zeta_score,
)


def test_scores_of_the_arithmetic_example(published):
    # ISO 13528:2015, 9.4 to 9.7 (formulas); the numbers are invented for the arithmetic.
    case = published.case("performance_scores")["expected"]
    given, out = case["input"], case["output"]
    x, x_pt, sigma = np.array([given["x"]]), given["x_pt"], given["sigma_pt"]
    u_x, u_pt = given["U_x"] / 2, given["U_pt"] / 2
    assert z_score(x, x_pt, sigma)[0] == pytest.approx(out["z"], rel=1e-9)
    assert z_prime_score(x, x_pt, sigma, u_pt)[0] == pytest.approx(out["z_prime"], rel=1e-9)
    assert zeta_score(x, x_pt, np.array([u_x]), u_pt)[0] == pytest.approx(out["zeta"], rel=1e-9)
    found = e_n_score(x, x_pt, np.array([given["U_x"]]), given["U_pt"])[0]
    assert found == pytest.approx(out["En"], rel=1e-9)
    assert found == pytest.approx(out["zeta"] / 2, rel=1e-9)


def test_scores_take_whole_arrays_and_keep_gaps():
    x = np.array([0.40, np.nan, 0.44])
    assert z_score(x, 0.40, 0.02).tolist() == pytest.approx([0.0, np.nan, 2.0], nan_ok=True)
    by_place = z_prime_score(x, 0.40, 0.02, np.array([0.0, 0.0, 0.015]))
    assert by_place[2] == pytest.approx(0.04 / 0.025, rel=1e-12)


@pytest.mark.parametrize(
    ("score", "signal"),
    [
        (0.0, Signal.ACCEPTABLE),
        (-2.0, Signal.ACCEPTABLE),
        (2.001, Signal.WARNING),
        (-2.999, Signal.WARNING),
        (3.0, Signal.ACTION),
        (-8.0, Signal.ACTION),
    ],
)
def test_signals_of_z_at_their_limits(score, signal):
    # ISO 13528:2022, 9.4.2: up to 2 acceptable, above 2 and below 3 warning, from 3 action.
    assert signal_of_z(score) is signal


def test_robust_assigned_value_and_whether_its_uncertainty_is_negligible():
    # ISO 13528:2022, 7.7.3: u = 1.25 s* / sqrt(p); 9.2.1: negligible below 0.3 sigma_pt.
    found = robust_assigned_value(0.40, 0.016, 16)
    assert found.standard_uncertainty == pytest.approx(0.005, rel=1e-12)
    assert found.basis is AssignedBasis.ROBUST_CONSENSUS
    assert negligible_beside(found.standard_uncertainty, 0.017)
    assert not negligible_beside(found.standard_uncertainty, 0.0166)
    assert not negligible_beside(0.003, 0.01)


# Thompson, Ellison & Wood (2006), Pure Appl. Chem. 78, 145-196, appendix 1: copper in soya flour (ppm),
# twelve samples in duplicate, sigma_p = 1.14; data and factors from memory.
SOYA = np.array(
    [
        [10.5, 10.4], [9.6, 9.5], [10.4, 9.9], [9.5, 9.9], [10.0, 9.7], [9.6, 10.1],
        [9.8, 10.4], [9.8, 10.2], [10.8, 10.7], [10.2, 10.0], [9.8, 9.5], [10.2, 10.0],
    ]
)  # fmt: skip


def test_homogeneity_of_soya_flour():
    found = homogeneity(SOYA, 1.14)
    # Analysis of variance written out: duplicates' half mean square of differences, variance of item means.
    differences = SOYA[:, 0] - SOYA[:, 1]
    within = np.sum(differences**2) / 24
    between = np.var(SOYA.mean(axis=1), ddof=1) - within / 2
    assert found.s_w**2 == pytest.approx(within, rel=1e-12)
    assert found.s_s**2 == pytest.approx(between, rel=1e-12)
    assert found.plain_limit == pytest.approx(0.342, rel=1e-12)
    assert found.adequate
    assert found.criterion is Criterion.PLAIN
    # Cochran's statistic for duplicates: largest squared difference over the sum of squared differences.
    assert found.scatter_test.statistic == pytest.approx(
        np.max(differences**2) / np.sum(differences**2), rel=1e-12
    )
    assert found.scatter_test.laboratory == 7


def test_homogeneity_factors_as_printed():
    # Fearn & Thompson (2001), Analyst 126, 1414-1417, and ISO 13528, B.2.4: factors for duplicates; from
    # memory.
    for items, f1, f2 in ((20, 1.59, 0.57), (12, 1.79, 0.86), (10, 1.88, 1.01), (7, 2.10, 1.43)):
        found = homogeneity_factors(items, 2)
        assert (round(found[0], 2), round(found[1], 2)) == (f1, f2)


def test_between_item_scatter_beyond_the_limit_is_not_met_and_in_between_is_expanded():
    items = np.linspace(-0.03, 0.03, 10)[:, None] + 0.40
    repeats = items + np.array([[-0.002, 0.002]])
    assert homogeneity(repeats, 0.02).criterion is Criterion.NOT_MET
    assert not homogeneity(repeats, 0.02).adequate
    found = homogeneity(repeats, 0.055)
    assert found.plain_limit < found.s_s < found.expanded_limit
    assert found.criterion is Criterion.EXPANDED


def test_items_that_agree_too_well_have_between_scatter_zero():
    # Opposite repeats: the item means agree exactly.
    assert homogeneity(np.array([[0.39, 0.41], [0.41, 0.39], [0.38, 0.42]]), 0.02).s_s == 0


def test_stability_by_hand():
    before, after = np.array([0.40, 0.42, 0.41]), np.array([0.40, 0.41, 0.39])
    found = stability(before, after, 0.03)
    assert found.change == pytest.approx(-0.01, rel=1e-12)
    assert found.standard_uncertainty == pytest.approx(np.sqrt(1e-4 / 3 + 1e-4 / 3), rel=1e-9)
    assert found.criterion is Criterion.EXPANDED
    assert stability(before, after, 0.034).criterion is Criterion.PLAIN
    assert not stability(before, after - 0.05, 0.03).adequate


@pytest.mark.parametrize(
    ("call", "part"),
    [
        (lambda: z_score(np.array([0.4]), 0.4, 0.0), "organiser's decision"),
        (lambda: z_prime_score(np.array([0.4]), 0.4, 0.02, -0.1), "at least zero"),
        (lambda: zeta_score(np.array([0.4]), 0.4, np.array([0.0]), 0.0), "both uncertainties are zero"),
        (lambda: e_n_score(np.array([0.4]), 0.4, np.array([-0.1]), 0.1), "U\\(x\\)"),
        (lambda: robust_assigned_value(0.4, -0.1, 5), "s\\* = -0.1"),
        (lambda: robust_assigned_value(0.4, 0.1, 0), "0 laboratories"),
        (lambda: homogeneity(np.zeros((5, 1)), 0.02), "at least two repeats"),
        (lambda: homogeneity(np.array([[0.4, np.nan], [0.4, 0.5]]), 0.02), "finite"),
        (lambda: homogeneity(SOYA, 0.0), "sigma_pt"),
        (lambda: stability(np.array([0.4]), np.array([0.4, 0.5]), 0.02), "before the round"),
    ],
)
def test_impossible_input_is_refused(call, part):
    with pytest.raises(EstimationError, match=part):
        call()
