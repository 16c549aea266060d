"""Two levels compared: each view of the scatter against the textbook test that it must equal.

Reference data: NIST/SEMATECH e-Handbook of Statistical Methods, 7.3.1 (two processes). Everything else is checked
against scipy, statsmodels, or the definition written out. Invented numbers stand for property tests only.
"""

from __future__ import annotations

import csv
import json
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from repeatab.base.errors import EstimationError, LayoutError, NotSeparableError
from repeatab.cells import cells_of_arrays
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.pairs import (
    Pair,
    combined_pair,
    difference_limits,
    difference_pair,
    pooled_pair,
    ratio_limits,
    separate_pair,
)
from repeatab.layout.blocks import Block, blocks_of
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import Model, model_of

PLAIN = model_of(random=["pad_set", ("rig", "pad_set")], fixed=["rig"])
ONE = np.ones(1)


def split_block(a: Any, b: Any, **more: Any) -> Block:
    """Each value a set of its own; `more` are further factors or covariates (numbers) by name."""
    values = np.concatenate([a, b])
    factors = {"rig": ["A"] * len(a) + ["B"] * len(b), "pad_set": [f"set {i}" for i in range(len(values))]}
    numbers = {name: v for name, v in more.items() if np.asarray(v).dtype.kind == "f"}
    factors |= {name: v for name, v in more.items() if name not in numbers}
    return blocks_of(cells_of_arrays(factors, {"result": values, **numbers}))[0]


def pooled(block: Block, model: Model = PLAIN) -> Pair:
    fit = BlockFit(block=block, layout=layout_of(block, model), method=Method.REML, level=0.95)
    return pooled_pair(fit, "rig", "A", "B")


def separate(block: Block, model: Model = PLAIN) -> Pair:
    return separate_pair(block, model, "rig", "A", "B")


def paired(a: Any, b: Any, a_first: Any = None) -> Pair:
    return difference_pair(np.stack([a, b], axis=1)[None], None if a_first is None else np.asarray(a_first))


def t_of(pair: Pair, ratio: float = 1.0) -> tuple[float, float, float]:
    """t, df and two-sided p of mean_a - ratio * mean_b."""
    se, df = pair.precision(ratio * ONE)
    t = float((pair.mean_a - ratio * pair.mean_b)[0] / se[0])
    return t, float(df[0]), float(2 * stats.t.sf(abs(t), df[0]))


def friction(seed: int, n: int, *, mean: float = 0.4, sd: float = 0.006) -> np.ndarray:
    return np.random.default_rng(seed).normal(mean, sd, n)


@pytest.fixture(scope="module")
def two_processes(reference_folder: Any) -> tuple[np.ndarray, np.ndarray]:
    with (reference_folder / "standards" / "two_process_means.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    old, new = ([float(r["time"]) for r in rows if r["process"] == name] for name in ("old", "new"))
    return np.array(old), np.array(new)


# --- two samples -----------------------------------------------------------------------------------------------


def test_separate_view_is_the_two_process_example_of_the_nist_handbook(two_processes, reference_folder):
    # Source: NIST/SEMATECH e-Handbook 7.3.1; t and df as printed, and recomputed to more digits.
    known = json.loads((reference_folder / "standards" / "two_process_means.json").read_text())
    pair = separate(split_block(*two_processes))
    t, df, p = t_of(pair)
    assert t == pytest.approx(known["expected"]["t"], abs=5e-4)
    assert df == pytest.approx(known["expected"]["df"], abs=5e-4)
    assert (t, df) == pytest.approx((known["recomputed"]["t"], known["recomputed"]["df"]), abs=1e-8)
    assert p == pytest.approx(known["recomputed"]["p_two_sided"], abs=1e-8)
    assert [pair.mean_a[0], pair.mean_b[0]] == pytest.approx(known["expected"]["mean"], abs=5e-5)


@pytest.mark.parametrize("sizes", [(8, 8), (8, 7), (4, 10), (3, 3), (2, 8)])
def test_each_set_once_equals_the_two_t_tests_of_scipy(sizes):
    a, b = friction(1, sizes[0], mean=0.405), friction(2, sizes[1], sd=0.012)
    block = split_block(a, b)
    for pair, equal_var in ((pooled(block), True), (separate(block), False)):
        known = stats.ttest_ind(a, b, equal_var=equal_var)
        assert t_of(pair) == pytest.approx((known.statistic, known.df, known.pvalue), rel=1e-10)
        limits = difference_limits(pair, 0.9)
        interval = known.confidence_interval(0.9)
        assert [limits[0][0], limits[1][0]] == pytest.approx([interval.low, interval.high], rel=1e-9)


def test_a_large_common_level_costs_no_digits():
    a, b = friction(1, 6), friction(2, 7)
    high = [t_of(view(split_block(a + 1000, b + 1000))) for view in (pooled, separate)]
    low = [t_of(view(split_block(a, b))) for view in (pooled, separate)]
    # 1000 with 0.006 scatter: six of sixteen digits are in the level.
    assert np.array(high) == pytest.approx(np.array(low), rel=1e-8)


def test_lots_as_blocks_equal_ordinary_least_squares_rig_by_rig_and_pooled():
    a, b = friction(3, 7, mean=0.41), friction(4, 6)
    lot_a, lot_b = ["L1"] * 4 + ["L2"] * 3, ["L1"] * 2 + ["L2"] * 4
    a = a + np.where(np.array(lot_a) == "L2", 0.03, 0.0)
    b = b + np.where(np.array(lot_b) == "L2", 0.03, 0.0)
    block = split_block(a, b, pad_lot=lot_a + lot_b)
    model = model_of(random=["pad_set", ("rig", "pad_set")], fixed=["rig", "pad_lot"])
    second = (np.array(lot_a + lot_b) == "L2").astype(float)
    on_a = np.r_[np.ones(7), np.zeros(6)]
    whole = sm.OLS(np.r_[a, b], np.c_[np.ones(13), on_a, second]).fit()
    assert t_of(pooled(block, model))[:2] == pytest.approx((whole.tvalues[1], whole.df_resid), rel=1e-9)
    # Each rig alone, at lots weighted alike: t from the two regressions combined (Welch 1947; Satterthwaite 1946).
    even, parts = np.array([1, 0.5]), []
    for y, lots in ((a, second[:7]), (b, second[7:])):
        fit = sm.OLS(y, np.c_[np.ones(len(y)), lots]).fit()
        parts.append((even @ fit.params, even @ fit.cov_params() @ even, fit.df_resid))
    (m_a, v_a, df_a), (m_b, v_b, df_b) = parts
    df = (v_a + v_b) ** 2 / (v_a**2 / df_a + v_b**2 / df_b)
    found = separate(block, model)
    assert t_of(found)[:2] == pytest.approx(((m_a - m_b) / np.sqrt(v_a + v_b), df), rel=1e-9)


# --- the same sets on both -------------------------------------------------------------------------------------


def test_differences_without_order_equal_the_paired_t_test_of_scipy():
    a, b = friction(5, 9, mean=0.405), friction(6, 9)
    known = stats.ttest_rel(a, b)
    assert t_of(paired(a, b)) == pytest.approx((known.statistic, known.df, known.pvalue), rel=1e-10)


@pytest.mark.parametrize("first", [5, 4, 3, 1])
def test_cross_over_equals_a_regression_of_the_differences_on_the_order(first):
    # The cross-over of Grizzle (1965), Biometrics 21, 467-480: differences within sets, order coded +1 and -1.
    n = 10
    a_first = np.arange(n) < first
    wear = 0.01
    a = friction(7, n, mean=0.405) - wear * ~a_first
    b = friction(8, n) - wear * a_first
    known = sm.OLS(a - b, np.c_[np.ones(n), np.where(a_first, 1.0, -1.0)]).fit()
    pair = paired(a, b, a_first)
    assert t_of(pair) == pytest.approx((known.tvalues[0], known.df_resid, known.pvalues[0]), rel=1e-10)
    assert pair.mean_a[0] - pair.mean_b[0] == pytest.approx(known.params[0], rel=1e-10)
    low, high = difference_limits(pair, 0.95)
    assert [low[0], high[0]] == pytest.approx(known.conf_int(0.05)[0], rel=1e-9)


def test_pooled_view_of_a_complete_cross_over_is_the_regression_of_the_differences_too():
    # Balanced in everything but the order: where the set component is not zero, REML with Kenward-Roger gives the
    # exact analysis of the differences (Kenward & Roger 1997, Biometrics 53, 983-997).
    n, rng = 8, np.random.default_rng(9)
    a_first = np.arange(n) % 2 == 0
    material = rng.normal(0, 0.02, n)
    a = 0.41 + material + rng.normal(0, 0.003, n) - 0.004 * ~a_first
    b = 0.40 + material + rng.normal(0, 0.003, n) - 0.004 * a_first
    sets = [f"set {i}" for i in range(n)]
    position = [*np.where(a_first, 1, 2), *np.where(a_first, 2, 1)]
    factors = {"rig": ["A"] * n + ["B"] * n, "pad_set": sets * 2, "position": position}
    block = blocks_of(cells_of_arrays(factors, {"result": np.r_[a, b]}))[0]
    model = model_of(random=["pad_set", ("rig", "pad_set")], fixed=["rig", "position"])
    known = sm.OLS(a - b, np.c_[np.ones(n), np.where(a_first, 1.0, -1.0)]).fit()
    assert t_of(pooled(block, model)) == pytest.approx(
        (known.tvalues[0], known.df_resid, known.pvalues[0]), rel=1e-8
    )


@pytest.mark.parametrize(("sets", "a_first"), [(1, None), (2, [True, False])])
def test_too_few_sets_on_both_are_refused_with_the_number_needed(sets, a_first):
    with pytest.raises(LayoutError, match=f"{sets} set.*at least {sets + 1}"):
        paired(friction(1, sets), friction(2, sets), a_first)


# --- percent: tests on mean_a - ratio * mean_b -----------------------------------------------------------------


@pytest.mark.parametrize("ratio", [0.95, 1.0, 1.05, 2.0])
def test_a_ratio_enters_the_standard_error_as_written_out(ratio):
    a, b = friction(11, 6, mean=0.42), friction(12, 9, sd=0.011)
    n_a, n_b, v_a, v_b = len(a), len(b), a.var(ddof=1), b.var(ddof=1)
    block = split_block(a, b)
    gap = a.mean() - ratio * b.mean()
    within = ((n_a - 1) * v_a + (n_b - 1) * v_b) / (n_a + n_b - 2)
    t = gap / np.sqrt(within * (1 / n_a + ratio**2 / n_b))
    assert t_of(pooled(block), ratio)[:2] == pytest.approx((t, n_a + n_b - 2), rel=1e-9)
    # Mean of ratio * b has variance ratio^2 v_b / n_b: Welch's test of a against ratio * b.
    known = stats.ttest_ind(a, ratio * b, equal_var=False)
    assert t_of(separate(block), ratio)[:2] == pytest.approx((known.statistic, known.df), rel=1e-9)
    pairs = stats.ttest_rel(a, ratio * b[:6])
    assert t_of(paired(a, b[:6]), ratio)[:2] == pytest.approx((pairs.statistic, pairs.df), rel=1e-9)


VIEWS = {
    "pooled": lambda a, b: pooled(split_block(a, b)),
    "separate": lambda a, b: separate(split_block(a, b)),
    "paired": lambda a, b: paired(a, b),
    "cross-over": lambda a, b: paired(a, b, np.arange(len(a)) % 2 == 0),
}


@pytest.mark.parametrize("level", [0.90, 0.95, 0.99])
@pytest.mark.parametrize("view", VIEWS)
def test_limits_of_a_ratio_are_where_the_t_value_stands_on_its_point(view, level):
    pair = VIEWS[view](friction(13, 8, mean=0.43), friction(14, 8, sd=0.015))
    low, high = ratio_limits(pair, level)
    assert low[0] < (pair.mean_a / pair.mean_b)[0] < high[0]
    for limit, sign in ((low[0], 1), (high[0], -1)):
        t, df, _ = t_of(pair, limit)
        assert t == pytest.approx(sign * stats.t.ppf((1 + level) / 2, df), rel=1e-9)


@pytest.mark.parametrize("view", VIEWS)
def test_limits_of_a_ratio_agree_with_a_search_for_the_ratio(view):
    # Fieller (1954), J. R. Stat. Soc. B 16, 175-185, by a root search on the test itself instead of the quadratic.
    # Means at only four to seven times their standard errors, where the limits are far from symmetric.
    a, b = friction(15, 8, mean=0.43, sd=0.25), friction(16, 8, mean=0.40, sd=0.18)
    pair = VIEWS[view](a, b)
    low, high = ratio_limits(pair, 0.90)

    def beyond(ratio: float) -> float:
        t, df, _ = t_of(pair, ratio)
        return abs(t) - float(stats.t.ppf(0.95, df))

    estimate = float((pair.mean_a / pair.mean_b)[0])
    assert low[0] == pytest.approx(optimize.brentq(beyond, -1, estimate, xtol=1e-14), rel=1e-9)
    assert high[0] == pytest.approx(optimize.brentq(beyond, estimate, 20, xtol=1e-14), rel=1e-9)


def test_a_reference_mean_that_is_not_clear_of_zero_bounds_no_ratio():
    pair = separate(split_block(friction(1, 5), friction(2, 5, mean=0.001, sd=0.2)))
    low, high = ratio_limits(pair, 0.95)
    assert np.isneginf(low[0])
    assert np.isposinf(high[0])


# --- covariates ------------------------------------------------------------------------------------------------


def test_separate_view_compares_the_rigs_at_the_same_covariate():
    """Rigs that started at different temperatures: each rig has a line of its own, compared at the common mean."""
    rng = np.random.default_rng(17)
    temperature = np.r_[rng.normal(100, 6, 9), rng.normal(112, 6, 8)]
    y = 0.40 + 0.002 * (temperature - 100) + rng.normal(0, 0.002, 17)
    block = split_block(y[:9], y[9:], temperature=temperature)
    model = model_of(random=["pad_set", ("rig", "pad_set")], fixed=["rig"], covariates=["temperature"])
    at = np.array([1, temperature.mean()])
    parts = []
    for rows in (slice(0, 9), slice(9, 17)):
        fit = sm.OLS(y[rows], sm.add_constant(temperature[rows])).fit()
        parts.append((at @ fit.params, at @ fit.cov_params() @ at, fit.df_resid))
    (m_a, v_a, df_a), (m_b, v_b, df_b) = parts
    df = (v_a + v_b) ** 2 / (v_a**2 / df_a + v_b**2 / df_b)
    pair = separate(block, model)
    assert float((pair.mean_a - pair.mean_b)[0]) == pytest.approx(m_a - m_b, rel=1e-8)
    assert t_of(pair)[:2] == pytest.approx(((m_a - m_b) / np.sqrt(v_a + v_b), df), rel=1e-8)
    # One line for both: regression on rig and temperature.
    whole = sm.OLS(y, np.c_[np.ones(17), np.arange(17) < 9, temperature]).fit()
    assert t_of(pooled(block, model))[:2] == pytest.approx((whole.tvalues[1], whole.df_resid), rel=1e-8)


def test_the_same_sets_are_compared_at_no_gap_of_the_covariate():
    rng = np.random.default_rng(18)
    n = 10
    order = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)
    gap = rng.normal(-15, 6, n)
    material = rng.normal(0.4, 0.02, n)
    a, b = material + 0.002 * gap + rng.normal(0, 0.002, n), material + rng.normal(0, 0.002, n)
    known = sm.OLS(a - b, np.c_[np.ones(n), order, gap]).fit()
    pair = difference_pair(np.stack([a, b], axis=1)[None], order > 0, gap[:, None])
    assert t_of(pair) == pytest.approx((known.tvalues[0], known.df_resid, known.pvalues[0]), rel=1e-9)
    # A column that tells nothing more (no gap at all, or the order once again) changes nothing.
    plain = t_of(paired(a, b, order > 0))
    for column in (np.zeros(n), 2 * order):
        again = difference_pair(np.stack([a, b], axis=1)[None], order > 0, column[:, None])
        assert t_of(again) == pytest.approx(plain, rel=1e-9)


def test_a_covariate_that_goes_with_the_rig_in_every_set_is_refused():
    with pytest.raises(NotSeparableError, match="by the same amount in every set"):
        difference_pair(np.stack([friction(1, 6), friction(2, 6)], axis=1)[None], None, np.full((6, 1), 15.0))


# --- independent comparisons joined ----------------------------------------------------------------------------


def test_joined_comparisons_are_their_weighted_mean_with_combined_degrees_of_freedom():
    # Satterthwaite (1946), Biometrics Bulletin 2, 110-114, written out.
    first = paired(friction(21, 6), friction(22, 6))
    second = separate(split_block(friction(23, 4), friction(24, 5)))
    found = combined_pair([first, second], [3.0, 1.0])
    (se_1, df_1), (se_2, df_2) = first.precision(ONE), second.precision(ONE)
    v_1, v_2 = (0.75 * se_1[0]) ** 2, (0.25 * se_2[0]) ** 2
    gap = 0.75 * (first.mean_a - first.mean_b) + 0.25 * (second.mean_a - second.mean_b)
    df = (v_1 + v_2) ** 2 / (v_1**2 / df_1[0] + v_2**2 / df_2[0])
    assert t_of(found)[:2] == pytest.approx((gap[0] / np.sqrt(v_1 + v_2), df), rel=1e-12)


# --- laws ------------------------------------------------------------------------------------------------------

some_friction = st.lists(st.floats(0.05, 0.80), min_size=3, max_size=12)


def spread(values: list[float]) -> np.ndarray:
    """Values of which no two are alike, so that there is scatter on each rig."""
    return np.array(values) + 0.001 * np.arange(len(values))


@settings(max_examples=15, deadline=None)
@given(a=some_friction, b=some_friction, shift=st.floats(-0.5, 0.5), scale=st.floats(0.01, 100))
def test_shift_and_scale_leave_the_t_value(a, b, shift, scale):
    a, b = spread(a), spread(b)
    for view in (pooled, separate):
        before, after = (
            t_of(view(split_block(a, b))),
            t_of(view(split_block(scale * a + shift, scale * b + shift))),
        )
        # At a scale of 0.01 the scatter is small against the shift.
        assert after == pytest.approx(before, rel=1e-6, abs=1e-8)


@settings(max_examples=15, deadline=None)
@given(a=some_friction, b=some_friction)
def test_the_ratio_of_b_to_a_is_the_reciprocal_of_that_of_a_to_b(a, b):
    a, b = 1 + spread(a), 1 + spread(b)
    for view in (pooled, separate):
        there, back = (ratio_limits(view(split_block(*p)), 0.9) for p in ((a, b), (b, a)))
        assert there[0][0] == pytest.approx(1 / back[1][0], rel=1e-8)
        assert there[1][0] == pytest.approx(1 / back[0][0], rel=1e-8)


# --- edges -----------------------------------------------------------------------------------------------------


def test_a_single_set_on_one_rig_has_no_scatter_of_its_own():
    with pytest.raises(LayoutError, match=r"rig B has a single result.*Run more pad sets"):
        separate(split_block(friction(1, 6), friction(2, 1)))


def test_equal_results_on_one_rig_are_refused_by_its_name():
    with pytest.raises(EstimationError, match="rig A: all results are equal"):
        separate(split_block(np.full(4, 0.4), friction(2, 4)))


@pytest.mark.parametrize("view", [pooled, separate])
def test_equal_results_throughout_are_refused(view):
    with pytest.raises(EstimationError, match="all results are equal"):
        t_of(view(split_block(np.full(4, 0.4), np.full(4, 0.4))))
