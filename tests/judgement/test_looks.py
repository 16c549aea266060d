"""Declared looks: published bounds, and the error rate over all looks together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from repeatab.base.errors import StudyError
from repeatab.judgement.looks import (
    Sides,
    Spending,
    exit_probabilities,
    information_fractions,
    look_bounds,
    look_levels,
)

# Pocock (1977), Biometrika 64, 191-199, and O'Brien & Fleming (1979), Biometrics 35, 549-556, two-sided 5 percent,
# as tabled by Jennison & Turnbull (2000), tables 2.1 and 2.3: the constant bound, and the last bound. From memory.
POCOCK = {2: 2.178, 3: 2.289, 4: 2.361, 5: 2.413}
O_BRIEN_FLEMING = {2: 1.977, 3: 2.004, 4: 2.024, 5: 2.040}
# Lan & DeMets bounds for equal steps at two-sided 5 percent (Reboussin, DeMets, Kim & Lan 2000, Control. Clin.
# Trials 21, 190-207, tables). From memory.
LAN_DEMETS = {
    (Spending.O_BRIEN_FLEMING, 2): (2.963, 1.969),
    (Spending.O_BRIEN_FLEMING, 3): (3.710, 2.511, 1.993),
    (Spending.O_BRIEN_FLEMING, 4): (4.333, 2.963, 2.359, 2.014),
    (Spending.O_BRIEN_FLEMING, 5): (4.877, 3.357, 2.680, 2.290, 2.031),
    (Spending.POCOCK, 5): (2.438, 2.427, 2.410, 2.397, 2.386),
}
# Armitage, McPherson & Rowe (1969), table 2: the probability of ever being significant at 5 percent in 1, 2, ...
# looks at equal steps. From memory.
REPEATED = {1: 0.050, 2: 0.083, 3: 0.107, 4: 0.126, 5: 0.142, 10: 0.193}


def equal(looks: int) -> np.ndarray:
    return np.arange(1, looks + 1) / looks


@pytest.mark.parametrize("looks", POCOCK)
def test_tabled_bounds_of_pocock_and_of_obrien_and_fleming_spend_five_percent(looks):
    fractions = equal(looks)
    for bounds in (np.full(looks, POCOCK[looks]), O_BRIEN_FLEMING[looks] / np.sqrt(fractions)):
        spent = exit_probabilities(bounds, fractions, sides=Sides.TWO).sum()
        # Three decimals of a bound are 6e-5 of probability.
        assert spent == pytest.approx(0.05, abs=1.2e-4)


@pytest.mark.parametrize(("spending", "looks"), LAN_DEMETS)
def test_bounds_of_spending_functions(spending, looks):
    found = look_bounds(equal(looks), alpha=0.05, spending=spending, sides=Sides.TWO)
    assert found == pytest.approx(LAN_DEMETS[spending, looks], abs=6e-4)


@pytest.mark.parametrize("looks", REPEATED)
def test_error_of_repeated_looks_at_an_unchanged_level(looks):
    bounds = np.full(looks, -special.ndtri(0.025))
    crossed = exit_probabilities(bounds, equal(looks), sides=Sides.TWO)
    assert crossed.sum() == pytest.approx(REPEATED[looks], abs=6e-4)


@pytest.mark.parametrize("sides", Sides)
@pytest.mark.parametrize("spending", Spending)
def test_bounds_against_the_multivariate_normal_integral(spending, sides):
    # The estimates at information s < t are correlated sqrt(s / t); scipy integrates the box where nothing crosses.
    fractions = np.array([0.3, 0.45, 0.8, 1.0])
    bounds = look_bounds(fractions, alpha=0.05, spending=spending, sides=sides)
    low, high = np.minimum.outer(fractions, fractions), np.maximum.outer(fractions, fractions)
    for k in (2, 3, 4):
        normal = stats.multivariate_normal(
            cov=np.sqrt(low / high)[:k, :k], seed=1, maxpts=200_000, abseps=1e-6, releps=1e-6
        )
        lower = -bounds[:k] if sides is Sides.TWO else np.full(k, -np.inf)
        box = normal.cdf(bounds[:k], lower_limit=lower)
        spent = spending.spent(fractions[k - 1], 0.05 / sides.value) * sides.value
        assert 1 - box == pytest.approx(spent, abs=2e-5)


def test_one_look_is_the_ordinary_test():
    for spending in Spending:
        found = look_levels([1.0], confidence=0.95, spending=spending)
        assert found.difference == pytest.approx([0.05], rel=1e-9)
        assert found.equivalence == pytest.approx([0.05], rel=1e-9)


rising = st.lists(st.floats(0.02, 0.98), min_size=0, max_size=4, unique=True).map(
    lambda found: [*sorted(f for f in found), 1.0]
)


@settings(max_examples=30)
@given(fractions=rising, spending=st.sampled_from(Spending), alpha=st.floats(0.01, 0.2))
def test_laws_of_looks(fractions, spending, alpha):
    fractions = [f for i, f in enumerate(fractions) if i == 0 or f - fractions[i - 1] > 1e-3]
    fractions[-1] = 1.0
    found = look_levels(fractions, confidence=1 - alpha, spending=spending)
    # Whatever the looks, all of the rate is spent at the end, and no look alone spends more than all.
    for levels, sides in ((found.difference / 2, Sides.TWO), (found.equivalence, Sides.ONE)):
        assert (levels * sides.value <= alpha * (1 + 1e-9)).all()
        spent = exit_probabilities(-special.ndtri(levels), fractions, sides=sides).sum()
        assert spent == pytest.approx(alpha, rel=1e-6)
    # A look does not depend on those after it.
    before = look_levels(fractions[:1], confidence=1 - alpha, spending=spending)
    assert before.difference[0] == pytest.approx(found.difference[0], rel=1e-6, abs=1e-12)


def test_a_very_early_look_spends_nothing_and_claims_nothing():
    found = look_levels([0.02, 1.0], confidence=0.95, spending=Spending.O_BRIEN_FLEMING)
    assert found.difference[0] == 0
    assert found.difference[1] == pytest.approx(0.05, rel=1e-9)


def test_t_tests_at_the_nominal_levels_keep_the_error_rate_over_all_looks():
    # Two rigs, 3, 6 and 9 sets each, both errors: claiming a difference of none, and claiming equivalence when the
    # offset stands on the margin. 20,000 studies: standard error 0.0015.
    rng = np.random.default_rng(20)
    sets = (3, 6, 9)
    levels = look_levels(
        information_fractions([(n, n) for n in sets]), confidence=0.95, spending=Spending.O_BRIEN_FLEMING
    )
    a, b = rng.normal(size=(2, 20_000, sets[-1]))
    different, equivalent = np.zeros(20_000, bool), np.zeros(20_000, bool)
    for n, rate, one_sided in zip(sets, levels.difference, levels.equivalence, strict=True):
        t = (a[:, :n].mean(axis=1) - b[:, :n].mean(axis=1)) / np.sqrt(
            (a[:, :n].var(axis=1, ddof=1) + b[:, :n].var(axis=1, ddof=1)) / n
        )
        p_low = special.stdtr(2 * n - 2, t)
        different |= 2 * np.minimum(p_low, 1 - p_low) < rate
        equivalent |= p_low < one_sided
    assert 0.043 < different.mean() < 0.06
    assert 0.043 < equivalent.mean() < 0.06


def test_information_of_unequal_numbers_of_sets():
    # Variance of a difference of means is 1/a + 1/b in units of the scatter.
    assert information_fractions([(2, 4), (4, 4), (8, 8)]) == pytest.approx([1 / 3, 1 / 2, 1])
    with pytest.raises(StudyError, match="at least one set on each"):
        information_fractions([(0, 3), (3, 3)])


@pytest.mark.parametrize("wrong", [[], [0.0, 1.0], [0.5, 1.2], [0.5, 0.5, 1.0], [0.8, 0.4]])
def test_looks_that_make_no_sense_are_refused(wrong):
    with pytest.raises(StudyError, match="looks: found"):
        look_levels(wrong, confidence=0.95, spending=Spending.POCOCK)
