"""Rules of a comparison: verdicts and qualifiers at their boundaries, under one and under several views.

Equivalence is checked against published-method implementations in statsmodels and pingouin, Holm's steps
against statsmodels. The cases of the rules are made by hand, each on both sides of its boundary.
"""

from __future__ import annotations

import csv
import json
import math
from dataclasses import dataclass
from typing import Any
from unittest import mock

import numpy as np
import pingouin
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from repeatab.base.errors import StudyError
from repeatab.base.interval import IntervalMethod
from repeatab.base.margin import Margin, MarginUnit
from repeatab.cells import FloatArray, cells_of_arrays
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.pairs import Pair, difference_pair, pooled_pair, separate_pair
from repeatab.judgement.comparison import (
    Bounds,
    bounds_of,
    decide,
    evidence_of,
    holm_levels,
    limits_over,
)
from repeatab.layout.blocks import blocks_of
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.outcome.verdict import Qualifier, Verdict

DF = 10.0


@dataclass(frozen=True)
class StatedPair:
    """A comparison with a stated standard error, so that a test can stand exactly on a boundary."""

    mean_a: FloatArray
    mean_b: FloatArray
    se: float
    df: float = DF
    method: IntervalMethod = IntervalMethod.STUDENT

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        return np.full(len(ratio), self.se), np.full(len(ratio), self.df)


def stated(difference: float, se: float, *, level: float = 0.0, df: float = DF) -> StatedPair:
    return StatedPair(mean_a=np.array([level + difference]), mean_b=np.array([level]), se=se, df=df)


def within(margin: float) -> Bounds:
    return bounds_of(Margin(size=margin, unit=MarginUnit.ABSOLUTE))


def verdict_of(views: list[Pair], bounds: Bounds, *, alpha: float = 0.05) -> tuple[Verdict, Qualifier]:
    return decide(evidence_of(views, bounds), confidence=0.95, alpha=alpha).verdict(0)


# --- equivalence against other implementations
# -----------------------------------------------------------------

MODEL = model_of(random=["pad_set", ("rig", "pad_set")], fixed=["rig"])


def two_views(a: Any, b: Any) -> tuple[Pair, Pair]:
    factors = {"rig": ["A"] * len(a) + ["B"] * len(b), "pad_set": list(range(len(a) + len(b)))}
    block = blocks_of(cells_of_arrays(factors, {"result": np.concatenate([a, b])}))[0]
    fit = BlockFit(block=block, layout=layout_of(block, MODEL), method=Method.REML, level=0.95)
    return pooled_pair(fit, "rig", "A", "B"), separate_pair(block, MODEL, "rig", "A", "B")


def test_two_one_sided_tests_of_the_two_process_example(reference_folder):
    # Method: Schuirmann (1987), J. Pharmacokin. Biopharm. 15, 657-680; data: NIST/SEMATECH e-Handbook 7.3.1.
    folder = reference_folder / "standards"
    known = json.loads((folder / "two_one_sided_tests.json").read_text())["expected"]
    with (folder / "two_process_means.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    old, new = ([float(r["time"]) for r in rows if r["process"] == name] for name in ("old", "new"))
    _, welch = two_views(old, new)
    bounds = within(known["margin"])
    found = evidence_of([welch], bounds)
    assert found.estimate[0] == pytest.approx(known["difference"], rel=1e-9)
    assert found.p_inside[0] == pytest.approx(max(known["p_lower"], known["p_upper"]), rel=1e-9)
    low, high = limits_over([welch], bounds, 0.90)
    assert [low[0], high[0]] == pytest.approx(known["ci90"], rel=1e-9)
    # The 95 % interval excludes zero (p = 0.038), so the difference is detectable as well.
    assert verdict_of([welch], bounds) == (Verdict.EQUIVALENT, Qualifier.TOO_SMALL_TO_MATTER)


@pytest.mark.parametrize("margin", [0.004, 0.01, 0.03])
@pytest.mark.parametrize("sizes", [(8, 8), (4, 10), (3, 3)])
def test_probability_of_equivalence_equals_statsmodels_and_pingouin(sizes, margin):
    rng = np.random.default_rng(sum(sizes))
    a, b = rng.normal(0.405, 0.006, sizes[0]), rng.normal(0.40, 0.010, sizes[1])
    pooled, welch = two_views(a, b)
    for pair, usevar, correction in ((pooled, "pooled", False), (welch, "unequal", True)):
        found = float(evidence_of([pair], within(margin)).p_inside[0])
        assert found == pytest.approx(
            ttost_ind(a, b, -margin, margin, usevar=usevar)[0], rel=1e-10, abs=1e-14
        )
        other = pingouin.tost(a, b, bound=margin, correction=correction)["pval"].iloc[0]
        assert found == pytest.approx(other, rel=1e-10, abs=1e-14)


@pytest.mark.parametrize("margin", [0.004, 0.01])
def test_probability_of_equivalence_of_the_same_sets_equals_statsmodels_and_pingouin(margin):
    rng = np.random.default_rng(2)
    material = rng.normal(0.4, 0.02, 9)
    a, b = material + rng.normal(0.003, 0.004, 9), material + rng.normal(0, 0.004, 9)
    pair = difference_pair(np.stack([a, b], axis=1)[None], None)
    found = float(evidence_of([pair], within(margin)).p_inside[0])
    assert found == pytest.approx(ttost_paired(a, b, -margin, margin)[0], rel=1e-10)
    assert found == pytest.approx(pingouin.tost(a, b, bound=margin, paired=True)["pval"].iloc[0], rel=1e-10)


# --- margins as bounds
# -----------------------------------------------------------------------------------------


def test_percent_bounds_the_ratio_and_absolute_the_difference():
    percent = bounds_of(Margin(size=5, unit=MarginUnit.PERCENT))
    assert (percent.low, percent.high, percent.of_ratio, percent.none) == (0.95, 1.05, True, 1.0)
    absolute = within(0.02)
    assert (absolute.low, absolute.high, absolute.of_ratio, absolute.none) == (-0.02, 0.02, False, 0.0)


def test_percent_on_logarithms_bounds_their_difference():
    found = bounds_of(Margin(size=5, unit=MarginUnit.PERCENT), logarithmic=True)
    assert (found.low, found.high, found.of_ratio) == (math.log(0.95), math.log(1.05), False)
    with pytest.raises(StudyError, match="absolute margin has no bounds as a ratio"):
        bounds_of(Margin(size=0.02, unit=MarginUnit.ABSOLUTE), logarithmic=True)


def test_percent_is_tested_on_mean_less_ratio_times_mean_not_on_a_margin_of_the_estimated_mean():
    rng = np.random.default_rng(3)
    a, b = rng.normal(0.41, 0.012, 7), rng.normal(0.40, 0.012, 6)
    _, welch = two_views(a, b)
    found = evidence_of([welch], bounds_of(Margin(size=5, unit=MarginUnit.PERCENT)))
    low = stats.ttest_ind(a, 0.95 * b, equal_var=False, alternative="greater").pvalue
    high = stats.ttest_ind(a, 1.05 * b, equal_var=False, alternative="less").pvalue
    assert found.p_inside[0] == pytest.approx(max(low, high), rel=1e-10)
    as_if_known = 0.05 * b.mean()
    assert found.p_inside[0] != pytest.approx(
        ttost_ind(a, b, -as_if_known, as_if_known, usevar="unequal")[0], rel=1e-2
    )
    assert found.p_difference[0] == pytest.approx(stats.ttest_ind(a, b, equal_var=False).pvalue, rel=1e-10)


@pytest.mark.parametrize("size", [0, -0.02, math.nan, math.inf])
def test_a_margin_that_is_no_positive_number_is_refused(size):
    with pytest.raises(StudyError, match=f"found {size}, expected a positive number"):
        Margin(size=size, unit=MarginUnit.ABSOLUTE)


# --- each verdict at its boundary
# ------------------------------------------------------------------------------

SE = 0.004
T90, T95 = stats.t.ppf(0.95, DF), stats.t.ppf(0.975, DF)
JUST = 1e-9


@pytest.mark.parametrize("side", [-1, 1])
def test_equivalent_just_inside_and_undecided_just_outside(side):
    # The 90 % interval of zero difference reaches T90 * SE: a margin a hair wider holds it, a hair narrower
    # does not.
    reach = T90 * SE
    assert verdict_of([stated(side * 0, SE)], within(reach + JUST)) == (Verdict.EQUIVALENT, Qualifier.NONE)
    assert verdict_of([stated(side * 0, SE)], within(reach - JUST)) == (Verdict.UNDECIDED, Qualifier.NONE)
    # The same with a difference of half a standard error, which moves one end.
    far = side * SE / 2
    assert verdict_of([stated(far, SE)], within(reach + SE / 2 + JUST))[0] is Verdict.EQUIVALENT
    assert verdict_of([stated(far, SE)], within(reach + SE / 2 - JUST))[0] is Verdict.UNDECIDED


@pytest.mark.parametrize("side", [-1, 1])
def test_detectable_but_too_small_to_matter(side):
    wide = within(10 * SE)
    edge = T95 * SE
    assert verdict_of([stated(side * (edge - JUST), SE)], wide) == (Verdict.EQUIVALENT, Qualifier.NONE)
    assert verdict_of([stated(side * (edge + JUST), SE)], wide) == (
        Verdict.EQUIVALENT,
        Qualifier.TOO_SMALL_TO_MATTER,
    )


@pytest.mark.parametrize("side", [-1, 1])
def test_different_just_beyond_its_interval_with_the_margin_open(side):
    margin = within(3 * SE)
    edge = T95 * SE
    assert verdict_of([stated(side * (edge - JUST), SE)], margin)[0] is Verdict.UNDECIDED
    assert verdict_of([stated(side * (edge + JUST), SE)], margin) == (
        Verdict.DIFFERENT,
        Qualifier.MARGIN_OPEN,
    )


@pytest.mark.parametrize("side", [-1, 1])
def test_it_matters_only_if_the_whole_interval_lies_beyond_the_margin(side):
    margin = 3 * SE
    edge = margin + T95 * SE
    assert verdict_of([stated(side * (edge - JUST), SE)], within(margin))[1] is Qualifier.MARGIN_OPEN
    assert verdict_of([stated(side * (edge + JUST), SE)], within(margin)) == (
        Verdict.DIFFERENT,
        Qualifier.IT_MATTERS,
    )


def test_boundaries_of_a_percent_margin_lie_on_the_ratio():
    # mean_a - ratio * mean_b with mean_b = 0.4 and a stated standard error: the interval of the ratio is
    # (mean_a ± t se) / 0.4.
    bounds = bounds_of(Margin(size=5, unit=MarginUnit.PERCENT))
    at_high = 0.4 * 0.05 - T90 * SE
    assert verdict_of([stated(at_high - JUST, SE, level=0.4)], bounds)[0] is Verdict.EQUIVALENT
    assert verdict_of([stated(at_high + JUST, SE, level=0.4)], bounds)[0] is Verdict.DIFFERENT
    beyond = 0.4 * 0.05 + T95 * SE
    assert verdict_of([stated(beyond - JUST, SE, level=0.4)], bounds)[1] is Qualifier.MARGIN_OPEN
    assert verdict_of([stated(beyond + JUST, SE, level=0.4)], bounds)[1] is Qualifier.IT_MATTERS


def test_an_adjusted_rate_makes_a_difference_harder_to_claim_and_equivalence_no_harder():
    p = 0.03
    pair = stated(stats.t.isf(p / 2, DF) * SE, SE)
    assert verdict_of([pair], within(3 * SE), alpha=0.05)[0] is Verdict.DIFFERENT
    assert verdict_of([pair], within(3 * SE), alpha=0.025)[0] is Verdict.UNDECIDED
    assert verdict_of([pair], within(9 * SE), alpha=0.05)[1] is Qualifier.TOO_SMALL_TO_MATTER
    assert verdict_of([pair], within(9 * SE), alpha=0.025) == (Verdict.EQUIVALENT, Qualifier.NONE)


# --- several views of the scatter
# ------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [1, -1])
def test_views_that_disagree_leave_it_undecided(order):
    narrow, wide = 1.0, 3.0

    def together(difference: float, margin: float) -> Verdict:
        return verdict_of([stated(difference, narrow), stated(difference, wide)][::order], within(margin))[0]

    def alone(difference: float, margin: float) -> list[Verdict]:
        return [verdict_of([stated(difference, se)], within(margin))[0] for se in (narrow, wide)]

    for difference, margin, verdicts in (
        (0.0, 3.0, [Verdict.EQUIVALENT, Verdict.UNDECIDED]),
        (4.0, 5.0, [Verdict.DIFFERENT, Verdict.UNDECIDED]),
    ):
        assert alone(difference, margin) == verdicts
        assert together(difference, margin) is Verdict.UNDECIDED


def test_equivalent_under_one_view_and_different_under_the_other_is_undecided():
    # Both views detect the difference, but only one shows that it keeps the margin.
    difference, margin = 7.0, 10.0
    views = [stated(difference, 1.0), stated(difference, 2.5)]
    alone = [verdict_of([view], within(margin)) for view in views]
    assert alone == [
        (Verdict.EQUIVALENT, Qualifier.TOO_SMALL_TO_MATTER),
        (Verdict.DIFFERENT, Qualifier.MARGIN_OPEN),
    ]
    assert verdict_of(views, within(margin)) == (Verdict.UNDECIDED, Qualifier.NONE)


def test_views_on_opposite_sides_of_zero_show_no_difference():
    views = [stated(1.0, 0.1), stated(-1.0, 0.1)]
    assert verdict_of(views, within(0.5)) == (Verdict.UNDECIDED, Qualifier.NONE)


def test_the_printed_interval_covers_every_view():
    low, high = limits_over([stated(1.0, 1.0), stated(1.2, 0.5)], within(9), 0.95)
    assert low[0] == pytest.approx(1.0 - T95)
    assert high[0] == pytest.approx(1.0 + T95)


friction_sample = st.lists(st.floats(0.2, 0.6), min_size=3, max_size=9)


@settings(max_examples=30, deadline=None)
@given(a=friction_sample, b=friction_sample, margin=st.floats(0.005, 0.2), percent=st.booleans())
def test_a_joint_verdict_is_the_verdict_of_every_view_and_its_interval_shows_it(a, b, margin, percent):
    a, b = np.array(a) + 1e-3 * np.arange(len(a)), np.array(b) + 1e-3 * np.arange(len(b))
    unit = MarginUnit.PERCENT if percent else MarginUnit.ABSOLUTE
    bounds = bounds_of(Margin(size=100 * margin if percent else margin, unit=unit))
    views = list(two_views(a, b))
    verdict, qualifier = verdict_of(views, bounds)
    alone = [verdict_of([view], bounds)[0] for view in views]
    assert (verdict is alone[0]) if alone[0] is alone[1] else (verdict is Verdict.UNDECIDED)
    # What the page prints: the inner interval inside the margin, the outer one clear of no difference.
    low, high = limits_over(views, bounds, 0.90)
    inside = bounds.low < low[0] and high[0] < bounds.high
    assert (verdict is Verdict.EQUIVALENT) == inside
    low, high = limits_over(views, bounds, 0.95)
    clear = low[0] > bounds.none or high[0] < bounds.none
    if verdict is Verdict.DIFFERENT:
        assert clear
        assert (qualifier is Qualifier.IT_MATTERS) == (low[0] > bounds.high or high[0] < bounds.low)
    if verdict is Verdict.EQUIVALENT:
        assert clear == (qualifier is Qualifier.TOO_SMALL_TO_MATTER)


@settings(max_examples=15, deadline=None)
@given(a=friction_sample, b=friction_sample, margin=st.floats(0.005, 0.2))
def test_swapping_the_rigs_leaves_the_verdict(a, b, margin):
    a, b = np.array(a) + 1e-3 * np.arange(len(a)), np.array(b) + 1e-3 * np.arange(len(b))
    there, back = (verdict_of(list(two_views(*pair)), within(margin)) for pair in ((a, b), (b, a)))
    assert there == back


# --- several claims: Holm
# --------------------------------------------------------------------------------------


@settings(max_examples=80, deadline=None)
@given(
    p=st.lists(st.one_of(st.floats(0, 1), st.floats(0, 0.1)), min_size=1, max_size=9),
    alpha=st.sampled_from([0.01, 0.05, 0.10]),
)
@example(p=[0.01, 0.04, 0.03], alpha=0.05)
@example(p=[0.01, 0.01, 0.01, 0.01], alpha=0.05)
def test_holm_makes_the_claims_that_statsmodels_makes(p, alpha):
    # Holm (1979), Scand. J. Statist. 6, 65-70.
    p = np.array(p)
    # It collects garbage at every call, which takes a quarter of a second.
    with mock.patch("gc.collect"):
        rejected, adjusted, *_ = multipletests(p, alpha=alpha, method="holm")
    # Exactly on a step, "below" and "not above" part ways.
    assume(not np.isclose(p[:, None] * np.arange(1, len(p) + 1), alpha, rtol=1e-9).any())
    assert list(p < holm_levels(p, alpha)) == list(rejected)
    # The adjusted probability is the smallest rate at which the claim is still made.
    for i, value in enumerate(adjusted):
        if 1e-6 < value < 0.9:
            assert p[i] < holm_levels(p, value * (1 + 1e-9))[i]
            assert not p[i] < holm_levels(p, value * (1 - 1e-9))[i]


def test_holm_rates_written_out():
    # Steps 0.05 / 3, 0.05 / 2, 0.05: the second claim fails at 0.025, and the third keeps that rate.
    assert holm_levels(np.array([0.04, 0.001, 0.03]), 0.05) == pytest.approx([0.025, 0.05 / 3, 0.025])
    assert holm_levels(np.array([0.2]), 0.05) == pytest.approx([0.05])


def test_many_groups_are_judged_as_each_alone():
    rng = np.random.default_rng(5)
    means = rng.normal(0, 2, 50)
    batch = StatedPair(mean_a=means, mean_b=np.zeros(50), se=1.0)
    together = decide(evidence_of([batch], within(2.5)), confidence=0.95, alpha=0.05)
    for i, value in enumerate(means):
        assert together.verdict(i) == verdict_of([stated(value, 1.0)], within(2.5))
    assert {together.verdict(i)[0] for i in range(50)} == {
        Verdict.EQUIVALENT,
        Verdict.DIFFERENT,
        Verdict.UNDECIDED,
    }
