"""The probability of a verdict, simulated through the estimators, against exact values by integration.

Exact values: the mean difference is normal and the variance chi-square, independent of it, so the probability of each
verdict is an integral of normal probabilities over the chi-square (Owen 1965, Biometrika 52, 437-446, for one
chi-square; written out here for the two of Welch's test). The power of the t test comes from statsmodels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from repeatab.base.margin import Margin, MarginUnit
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.pairs import Pair, difference_pair, pooled_pair, separate_pair
from repeatab.judgement.comparison import bounds_of
from repeatab.layout.blocks import Block
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.planning.verdict_probability import (
    Arrangement,
    Belief,
    PlannedComparison,
    VerdictProbability,
    expected_half_width,
    smallest_number,
    verdict_probabilities,
    verdict_probability,
)
from repeatab.simulate import planned_block

SD, DRAWS = 0.006, 6000
SPLIT = model_of(random=["pad_set"], fixed=["rig"])
SAME = model_of(random=["pad_set", ("rig", "pad_set")], fixed=["rig", "position"])


def split_sets(sets: int) -> Arrangement:
    labels = [f"{rig}{i}" for rig in "AB" for i in range(sets)]
    block = planned_block({"rig": ["A"] * sets + ["B"] * sets, "pad_set": labels})
    return arranged(block, SPLIT)


def same_sets(sets: int) -> Arrangement:
    first = np.arange(sets) % 2 == 0
    block = planned_block(
        {
            "rig": ["A"] * sets + ["B"] * sets,
            "pad_set": [*range(sets)] * 2,
            "position": [*np.where(first, 1, 2), *np.where(first, 2, 1)],
        }
    )
    return arranged(block, SAME)


def arranged(block: Block, model: object) -> Arrangement:
    rigs = np.array(block.levels_of("rig"))[block.code_of("rig")]
    return Arrangement(block=block, layout=layout_of(block, model), first=(rigs == "A").astype(float))


def pooled(block: Block, model: object) -> Pair:
    fit = BlockFit(block=block, layout=layout_of(block, model), method=Method.REML, level=0.95)
    return pooled_pair(fit, "rig", "A", "B")


def pooled_alone(block: Block) -> Sequence[Pair]:
    return (pooled(block, SPLIT),)


def both_views(block: Block) -> Sequence[Pair]:
    return pooled(block, SPLIT), separate_pair(block, SPLIT, "rig", "A", "B")


def differences(block: Block) -> Sequence[Pair]:
    rigs = np.array(block.levels_of("rig"))[block.code_of("rig")]
    place = np.array(block.levels_of("position"))[block.code_of("position")]
    means = []
    for rig in "AB":
        own = np.flatnonzero(rigs == rig)
        own = own[np.argsort(block.code_of("pad_set")[own])]
        means.append(block.mean[:, own, 0] + block.shift[0])
        if rig == "A":
            a_first = place[own] == 1
    return pooled(block, SAME), difference_pair(np.stack(means, axis=2), a_first)


def planned(
    arrange: Callable[[int], Arrangement],
    pairs: Callable[[Block], Sequence[Pair]],
    margin: float,
    *,
    unit: MarginUnit = MarginUnit.ABSOLUTE,
) -> PlannedComparison:
    bounds = bounds_of(Margin(size=margin, unit=unit))
    return PlannedComparison(arrange=arrange, pairs=pairs, bounds=bounds, confidence=0.95, alpha=0.05)


def simulated(
    plan: PlannedComparison, sets: int, effect: float, variances: tuple[float, ...] = (SD**2,)
) -> VerdictProbability:
    belief = Belief(reference_mean=0.4, effect=effect, variances=variances)
    return verdict_probability(plan, sets, belief, draws=DRAWS, rng=np.random.default_rng([20261124, sets]))


def nodes(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Legendre nodes and weights on 0 to 1."""
    x, w = np.polynomial.legendre.leggauss(count)
    return (x + 1) / 2, w / 2


def inside(limit: np.ndarray, offset: float, se: float) -> np.ndarray:
    """Probability that a normal estimate lies within ± limit; zero where the limit is negative."""
    found = stats.norm.cdf((limit - offset) / se) - stats.norm.cdf((-limit - offset) / se)
    return np.where(limit > 0, found, 0.0)


def exact_one_chi_square(offset: float, margin: float, se: float, df: int) -> tuple[float, float]:
    """Equivalent and different when one t test with `df` decides."""
    u, w = nodes(400)
    s = se * np.sqrt(stats.chi2.ppf(u, df) / df)
    keep = margin - stats.t.ppf(0.95, df) * s
    detect = np.maximum(stats.t.ppf(0.975, df) * s, keep)
    return float(w @ inside(keep, offset, se)), float(w @ (1 - inside(detect, offset, se)))


def exact_two_chi_squares(offset: float, margin: float, sd: float, n: int) -> tuple[float, float]:
    """Equivalent and different for n sets on each rig when pooled and Welch's test both have to agree.

    With equal numbers both have the same standard error and Welch's has the fewer degrees of freedom: it decides on
    equivalence and on a difference, while the pooled one, if it alone shows equivalence, leaves it undecided.
    """
    u, w = nodes(160)
    v = sd**2 * stats.chi2.ppf(u, n - 1) / (n - 1)
    v_a, v_b = v[:, None], v[None, :]
    s = np.sqrt((v_a + v_b) / n)
    df = (n - 1) * (v_a + v_b) ** 2 / (v_a**2 + v_b**2)
    se = sd * np.sqrt(2 / n)
    weight = w[:, None] * w[None, :]
    equivalent = inside(margin - stats.t.ppf(0.95, df) * s, offset, se)
    keep_pooled = margin - stats.t.ppf(0.95, 2 * n - 2) * s
    detect = np.maximum(stats.t.ppf(0.975, df) * s, keep_pooled)
    return float((weight * equivalent).sum()), float((weight * (1 - inside(detect, offset, se))).sum())


def agrees(found: float, exact: float) -> bool:
    """Within four standard errors of the simulation."""
    return abs(found - exact) <= 4 * np.sqrt(max(exact * (1 - exact), 1 / DRAWS) / DRAWS)


# Offsets in margins: none, half, one and two.
OFFSETS = (0.0, 0.5, 1.0, 2.0)


@pytest.mark.parametrize("share", OFFSETS)
@pytest.mark.parametrize("sets", [4, 8])
def test_pooled_view_has_the_exact_power_of_the_two_one_sided_tests(sets, share):
    margin = 0.012
    found = simulated(planned(split_sets, pooled_alone, margin), sets, share * margin)
    exact = exact_one_chi_square(share * margin, margin, SD * np.sqrt(2 / sets), 2 * sets - 2)
    assert agrees(found.equivalent, exact[0])
    assert agrees(found.different, exact[1])


@pytest.mark.parametrize("share", OFFSETS)
@pytest.mark.parametrize("sets", [3, 8])
def test_both_views_together_have_the_exact_probability_of_each_verdict(sets, share):
    margin = 0.012
    found = simulated(planned(split_sets, both_views, margin), sets, share * margin)
    exact = exact_two_chi_squares(share * margin, margin, SD, sets)
    assert agrees(found.equivalent, exact[0])
    assert agrees(found.different, exact[1])


@pytest.mark.parametrize("share", OFFSETS)
def test_the_same_sets_in_both_orders_have_the_exact_probability_of_each_verdict(share):
    sets, margin, within = 8, 0.006, 0.004
    found = simulated(planned(same_sets, differences, margin), sets, share * margin, (0.02**2, within**2))
    exact = exact_one_chi_square(share * margin, margin, within * np.sqrt(2 / sets), sets - 2)
    assert agrees(found.equivalent, exact[0])
    assert agrees(found.different, exact[1])


@pytest.mark.parametrize(("sets", "effect"), [(5, 0.009), (10, 0.006)])
def test_with_a_margin_that_nothing_can_keep_it_is_the_power_of_the_t_test(sets, effect):
    found = simulated(planned(split_sets, pooled_alone, 1e-9), sets, effect)
    power = TTestIndPower().power(effect_size=effect / SD, nobs1=sets, alpha=0.05, alternative="two-sided")
    assert found.equivalent == 0
    assert agrees(found.different, power)
    assert found.decided == found.different


def test_a_percent_margin_takes_the_effect_as_a_ratio():
    # 5 % of a reference mean known to 0.5 %: nearly the absolute margin 0.02; with the reference at 0.4 the
    # contrast mean_a - 1.05 mean_b has a slightly larger standard error.
    plan = planned(split_sets, pooled_alone, 5.0, unit=MarginUnit.PERCENT)
    at_limit = simulated(plan, 8, 1.05)
    assert agrees(at_limit.equivalent, 0.05)
    assert simulated(plan, 8, 1.0).equivalent > 0.99


def test_half_width_is_that_of_the_interval_for_equivalence():
    plan = planned(split_sets, pooled_alone, 0.012)
    belief = Belief(reference_mean=0.4, effect=0.0, variances=(SD**2,))
    found = expected_half_width(plan, 8, belief, draws=DRAWS, rng=np.random.default_rng(1))
    median = np.sqrt(stats.chi2.ppf(0.5, 14) / 14)
    assert found == pytest.approx(stats.t.ppf(0.95, 14) * SD * np.sqrt(2 / 8) * median, rel=0.01)


def test_beliefs_in_one_pass_are_those_of_each_alone():
    plan = planned(split_sets, both_views, 0.02)
    beliefs = [
        Belief(reference_mean=0.4, effect=effect, variances=(sd**2,))
        for effect, sd in ((0, 0.01), (0.015, 0.02))
    ]
    together = verdict_probabilities(
        plan, 6, [(one, np.random.default_rng([7, i])) for i, one in enumerate(beliefs)], draws=500
    )
    alone = [
        verdict_probability(plan, 6, one, draws=500, rng=np.random.default_rng([7, i]))
        for i, one in enumerate(beliefs)
    ]
    assert together == alone
    assert together[0] != together[1]


def test_error_of_the_simulation_is_binomial_and_never_nothing():
    assert VerdictProbability(equivalent=0.5, different=0.3, draws=400).monte_carlo_error == pytest.approx(
        0.02
    )
    assert VerdictProbability(equivalent=1.0, different=0.0, draws=400).monte_carlo_error > 0


# --- the search for the smallest number ------------------------------------------------------------------------


@given(
    at_least=st.integers(1, 60),
    room=st.integers(0, 60),
    needed=st.integers(0, 140),
    target=st.floats(0.05, 0.95),
)
def test_smallest_number_of_a_rising_probability(at_least, room, needed, target):
    at_most = at_least + room
    asked: list[int] = []

    def probability(sets: int) -> float:
        asked.append(sets)
        return target if sets >= needed else target * 0.999 * sets / (sets + 1)

    found = smallest_number(probability, at_least=at_least, at_most=at_most, target=target)
    expected = max(at_least, needed)
    assert found == (expected if expected <= at_most else None)
    assert all(at_least <= sets <= at_most for sets in asked)
    # Strides double and then halve: logarithmic, not one study after the other.
    assert len(set(asked)) <= 2 * np.log2(room + 2) + 3


def test_smallest_number_where_nothing_may_be_run():
    assert smallest_number(lambda _: 1.0, at_least=9, at_most=8, target=0.8) is None
