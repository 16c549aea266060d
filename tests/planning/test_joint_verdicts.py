"""Sections judged together: against exact values, against each other, and their limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from repeatab.base.margin import Margin, MarginUnit
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.pairs import difference_pair, pooled_pair
from repeatab.estimation.simultaneous import adjusted_p, simultaneous_point
from repeatab.judgement.comparison import bounds_of, holm_levels
from repeatab.judgement.looks import Spending, look_levels
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.planning.beliefs import ScatterBelief
from repeatab.planning.contrast_information import contrast_correlations
from repeatab.planning.exact import exact_verdicts
from repeatab.planning.family_rule import FamilyRule, holm_rates
from repeatab.planning.joint_verdicts import (
    JointPlan,
    PlannedLook,
    PlannedSection,
    joint_chances,
)
from repeatab.simulate import planned_block, simulate_sections

SD, MARGIN, DRAWS = 0.006, 0.012, 4000
SHARES = (0.0, 0.5, 1.0, 2.0)
MODEL = model_of(random=["pad_set"], fixed=["rig"])


def split(sets, sections=1, correlation=0.0, unit=MarginUnit.ABSOLUTE, looks=(), drawn=None):
    block = planned_block({"rig": ["A"] * sets + ["B"] * sets, "pad_set": range(2 * sets)})
    size = MARGIN if unit is MarginUnit.ABSOLUTE else 100 * MARGIN / 0.4
    bounds = bounds_of(Margin(size=size, unit=unit))

    def pairs(block):
        fit = BlockFit(block=block, layout=layout_of(block, MODEL), method=Method.REML, level=0.95)
        return ((pooled_pair(fit, "rig", "A", "B"),),)

    everything = PlannedLook(cells=np.ones(2 * sets, bool), difference=0.05, equivalence=0.05)
    return JointPlan(
        block=block, layout=layout_of(block, MODEL), pairs=pairs, looks=looks or (everything,),
        correlation=np.full((sections, sections), correlation) + (1 - correlation) * np.eye(sections),
        sections=tuple(
            PlannedSection(name=str(i), bounds=bounds, level=0.4, variances=np.array([SD**2]), drawn=drawn)
            for i in range(sections)
        ),
    )  # fmt: skip


def agrees(found, exact, draws=DRAWS):
    return abs(found - exact) <= 4 * np.sqrt(max(exact * (1 - exact), 1 / draws) / draws)


@pytest.mark.parametrize("sets", [3, 8])
def test_one_section_has_the_exact_probabilities_at_every_offset_from_one_fit(sets):
    found = joint_chances(split(sets), SHARES, draws=DRAWS, seed=1)
    exact = exact_verdicts(
        np.array(SHARES) * MARGIN, low=-MARGIN, high=MARGIN, se=SD * np.sqrt(2 / sets), df=2 * sets - 2,
        confidence=0.95, alpha=0.05,
    )  # fmt: skip
    for chance, equivalent, different in zip(found, exact.equivalent, exact.different, strict=True):
        assert agrees(chance.overall.equivalent, equivalent)
        assert agrees(chance.overall.different, different)
        assert chance.overall == chance.sections[0]


def test_independent_sections_multiply_and_equal_sections_are_one():
    single = joint_chances(split(6), [0.3], draws=DRAWS, seed=1)[0].overall.equivalent
    apart = joint_chances(split(6, 3, 0.0), [0.3], draws=DRAWS, seed=2)[0].overall
    together = joint_chances(split(6, 3, 1.0), [0.3], draws=DRAWS, seed=3)[0].overall
    between = joint_chances(split(6, 3, 0.7), [0.3], draws=DRAWS, seed=4)[0].overall
    # A difference claimed in one section takes the overall equivalence away only where that one is not equivalent.
    assert apart.equivalent == pytest.approx(single**3, abs=0.03)
    assert together.equivalent == pytest.approx(single, abs=0.03)
    assert apart.equivalent < between.equivalent < together.equivalent


def test_the_difference_claim_over_many_sections_keeps_its_error_rate():
    # A margin that nothing can keep; 4,000 studies: standard error 0.0035.
    for correlation in (0.0, 0.5):
        plan = split(5, 6, correlation)
        narrow = bounds_of(Margin(size=1e-9, unit=MarginUnit.ABSOLUTE))
        sections = tuple(
            PlannedSection(name=s.name, bounds=narrow, level=0.4, variances=s.variances)
            for s in plan.sections
        )
        found = joint_chances(replace(plan, sections=sections), [0.0], draws=DRAWS, seed=5)[0].overall
        assert found.different <= 0.05 + 3 * 0.0035


def test_looks_keep_the_error_rate_at_the_margin_and_stop_early_where_all_is_clear():
    sets = 8
    rates = look_levels([0.5, 1.0], confidence=0.95, spending=Spending.O_BRIEN_FLEMING)
    block = split(sets).block
    number = block.code_of("pad_set") % sets
    looks = tuple(
        PlannedLook(
            cells=number < n, difference=float(rates.difference[i]), equivalence=float(rates.equivalence[i])
        )
        for i, n in enumerate((4, 8))
    )
    plan = split(sets, looks=looks)
    found = joint_chances(plan, [0.0, 1.0, 3.0], draws=DRAWS, seed=6)
    # The t tests of the looks take over nominal levels of the normal theory: at most 5.7 % with few sets.
    assert found[1].overall.equivalent <= 0.057 + 3 * 0.0035
    assert found[2].stopped[0] > 0.9
    assert sum(found[0].stopped) == pytest.approx(found[0].overall.decided)


def test_a_percent_margin_moves_the_first_arm_by_its_share_of_the_reference():
    found = joint_chances(split(12, unit=MarginUnit.PERCENT), [1.0, 0.0], draws=DRAWS, seed=7)
    assert agrees(found[0].overall.equivalent, 0.05)
    assert found[1].overall.equivalent > 0.95


def test_expected_probability_is_the_mean_of_the_exact_ones_over_the_believed_variances():
    drawn = ScatterBelief(sd=SD, df=4).variances(DRAWS, np.random.default_rng(2))
    plan = split(6, drawn=drawn[:, None])
    found = joint_chances(plan, [0.0], draws=DRAWS, seed=8, uncertain=True)[0].overall.equivalent
    exact = [
        exact_verdicts(
            0.0, low=-MARGIN, high=MARGIN, se=np.sqrt(v / 3), df=10, confidence=0.95, alpha=0.05
        ).equivalent[0]
        for v in np.sort(drawn)[10::20]
    ]
    point = joint_chances(plan, [0.0], draws=DRAWS, seed=8)[0].overall.equivalent
    assert found == pytest.approx(np.mean(exact), abs=0.03)
    assert found < point - 0.05


def three(sets, margin=MARGIN):
    """Three rigs with sets of their own, two of them against the third."""
    rigs = [rig for rig in "ABC" for _ in range(sets)]
    block = planned_block({"rig": rigs, "pad_set": range(3 * sets)})
    layout = layout_of(block, MODEL)

    def pairs(block):
        fit = BlockFit(block=block, layout=layout_of(block, MODEL), method=Method.REML, level=0.95)
        return [(pooled_pair(fit, "rig", rig, "C"),) for rig in "AB"]

    correlation = contrast_correlations(block, layout, np.array([SD**2]), "rig", [("A", "C"), ("B", "C")])
    everything = PlannedLook(cells=np.ones(3 * sets, bool), difference=0.05, equivalence=0.05)
    bounds = bounds_of(Margin(size=margin, unit=MarginUnit.ABSOLUTE))
    return JointPlan(
        block=block, layout=layout, pairs=pairs, looks=(everything,), correlation=np.eye(1),
        rule=FamilyRule(correlation=correlation), away=((1.0, 0.0), (1.0, 0.0)),
        sections=(PlannedSection(name="one", bounds=bounds, level=0.4, variances=np.array([SD**2])),),
    )  # fmt: skip


def test_several_pairs_together_keep_the_error_rate_of_one():
    plan = three(5, margin=1e-9)
    # One common arm of equal size: correlation one half (Dunnett 1955).
    assert plan.rule.correlation == pytest.approx(np.array([[1, 0.5], [0.5, 1]]))
    found = joint_chances(plan, [0.0], draws=DRAWS, seed=11)[0]
    assert agrees(found.overall.different, 0.05)
    # Dunnett (1955), table 2b: two-sided 5 % point for two comparisons and 12 degrees of freedom is 2.50.
    point = float(stats.t.isf(plan.rule.rate_at(0.05, 12) / 2, 12))
    assert point == pytest.approx(2.50, abs=0.005)
    assert all(agrees(pair.different, plan.rule.rate_at(0.05, 12)) for pair in found.pairs)


def test_one_level_off_leaves_the_pair_of_the_others_alone():
    plan = replace(three(6), away=((1.0, 0.0), (0.0, 0.0)))
    off, none = joint_chances(plan, [2.0, 0.0], draws=DRAWS, seed=12)
    assert off.pairs[1] == none.pairs[1]
    assert off.pairs[0].different > 0.9
    assert off.overall.different >= off.pairs[0].different
    # Where the reference itself is off, both pairs are, the other way.
    turned = replace(plan, away=((0.0, 1.0), (0.0, 1.0)))
    both = joint_chances(turned, [2.0], draws=DRAWS, seed=12)[0]
    assert min(pair.different for pair in both.pairs) > 0.9


@pytest.mark.parametrize("pairs", [2, 3])
def test_the_tabulated_family_rule_is_the_study_s_own(pairs):
    rng = np.random.default_rng(pairs)
    correlation = np.full((pairs, pairs), 0.5) + 0.5 * np.eye(pairs)
    rule = FamilyRule(correlation=correlation)
    df, p = rng.uniform(3, 40, 12), 10 ** rng.uniform(-6, -0.5, 12)
    found = rule.section_p(p, df)
    for own, one, freedom in zip(found, p, df, strict=True):
        t = np.array([stats.t.isf(one / 2, freedom)])
        assert own == pytest.approx(adjusted_p(t, correlation, freedom)[0], rel=0.02)
    rate = np.where(np.arange(12) % 2, 0.05, 0.0125)
    for own, one, freedom in zip(rule.pair_rate(rate, df), rate, df, strict=True):
        point = simultaneous_point(correlation, freedom, 1 - one)
        assert own == pytest.approx(2 * stats.t.sf(point, freedom), rel=0.005)


def test_holm_rates_are_those_of_the_study():
    rng = np.random.default_rng(9)
    p = rng.uniform(size=(4, 200)) ** 4
    found = holm_rates(p, 0.05)
    for study in range(200):
        np.testing.assert_allclose(found[:, study], holm_levels(p[:, study], 0.05))


def test_sections_simulated_together_have_the_stated_variances_and_correlations():
    block = planned_block({"rig": ["A", "A", "B", "B"], "pad_set": [1, 1, 2, 2]})
    layout = layout_of(block, model_of(random=["pad_set"]))
    variances = np.array([[4.0, 1.0], [1.0, 9.0]])
    correlation = np.array([[1.0, 0.6], [0.6, 1.0]])
    rng = np.random.default_rng(10)
    a, b = simulate_sections(block, layout, variances, np.zeros((2, 2)), correlation, 40_000, rng)
    for one, (between, within) in zip((a, b), variances, strict=True):
        assert one.mean[:, :, 0].var() == pytest.approx(between + within / 2, rel=0.03)
        # Two results in a cell: the scatter within is within times a chi-square with one degree of freedom.
        assert one.cross[:, :, 0, 0].mean() == pytest.approx(within, rel=0.03)
    covariance = np.mean(a.mean[:, :, 0] * b.mean[:, :, 0])
    assert covariance == pytest.approx(0.6 * (2 * 1 + 1 * 3 / 2), rel=0.05)


def test_same_sets_in_both_orders_are_exact_too():
    sets, within = 8, 0.004
    block = planned_block(
        {"rig": ["A"] * sets + ["B"] * sets, "pad_set": [*range(sets)] * 2,
         "position": [1, 2] * (sets // 2) + [2, 1] * (sets // 2)}
    )  # fmt: skip
    model = model_of(random=["pad_set"], fixed=["rig", "position"])
    rigs = np.array(block.levels_of("rig"))[block.code_of("rig")]

    def pairs(block):
        means = []
        for rig in "AB":
            own = np.flatnonzero(rigs == rig)
            own = own[np.argsort(block.code_of("pad_set")[own])]
            means.append(block.mean[:, own, 0] + block.shift[0])
        return ((difference_pair(np.stack(means, axis=2), np.arange(sets) % 2 == 0),),)

    bounds = bounds_of(Margin(size=0.006, unit=MarginUnit.ABSOLUTE))
    plan = JointPlan(
        block=block, layout=layout_of(block, model), pairs=pairs, correlation=np.eye(1),
        looks=(PlannedLook(cells=np.ones(2 * sets, bool), difference=0.05, equivalence=0.05),),
        sections=(
            PlannedSection(name="one", bounds=bounds, level=0.4, variances=np.array([0.02**2, within**2])),
        ),
    )  # fmt: skip
    exact = exact_verdicts(
        np.array(SHARES) * 0.006, low=-0.006, high=0.006, se=within * np.sqrt(2 / sets), df=sets - 2,
        confidence=0.95, alpha=0.05,
    )  # fmt: skip
    for chance, equivalent in zip(
        joint_chances(plan, SHARES, draws=DRAWS, seed=3), exact.equivalent, strict=True
    ):
        assert agrees(chance.overall.equivalent, equivalent)
