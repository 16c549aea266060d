"""Precision of one level: definitions, intervals, laws that hold for every lab, edges."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import stats

from repeatab.base.errors import EstimationError, NotSeparableError
from repeatab.base.interval import IntervalMethod
from repeatab.interlab.consistency import mandel
from repeatab.interlab.level import LevelCells
from repeatab.interlab.precision import precision, single_result_precision
from repeatab.interlab.robust_precision import RobustMethod, q_hampel_precision, robust_precision

FRICTION = st.floats(0.10, 0.80)
LEVELS = st.lists(st.lists(FRICTION, min_size=2, max_size=5), min_size=3, max_size=8)


def level_of(results):
    return LevelCells.from_results(level="x", results=dict(enumerate(results)))


def balanced(seed=4, p=7, n=4):
    rng = np.random.default_rng(seed)
    return 0.40 + 0.02 * rng.normal(size=(p, 1)) + 0.01 * rng.normal(size=(p, n))


@pytest.mark.filterwarnings("ignore:The MLE may be on the boundary")
def test_components_agree_with_restricted_maximum_likelihood_of_a_general_library():
    """Balanced one-way data with a positive component: the moment estimate is the REML estimate.

    Source: Searle, Casella & McCulloch (1992), Variance Components, section 4.4.
    """
    import statsmodels.api as sm

    y = balanced()
    laboratory = np.repeat(np.arange(len(y)), y.shape[1])
    fit = sm.MixedLM(y.ravel(), np.ones(y.size), groups=laboratory).fit(
        reml=True, method=["bfgs"], gtol=1e-10
    )
    found = precision(level_of(y))
    # The library stops at about 1e-6 relative.
    assert found.s_r**2 == pytest.approx(fit.scale, rel=1e-4)
    assert found.s_L**2 == pytest.approx(float(np.asarray(fit.cov_re).item()), rel=1e-4)


def test_interval_of_s_r_satisfies_its_definition():
    found = precision(level_of([[0.40, 0.41, 0.42], [0.39, 0.41], [0.40, 0.45, 0.41]]), confidence=0.90)
    ss = found.s_r**2 * found.repeatability_df
    assert found.s_r_interval.method is IntervalMethod.CHI_SQUARE
    assert stats.chi2.sf(ss / found.s_r_interval.lower**2, 5) == pytest.approx(0.05, rel=1e-9)
    assert stats.chi2.cdf(ss / found.s_r_interval.upper**2, 5) == pytest.approx(0.05, rel=1e-9)


def test_interval_of_s_L_touches_zero_where_the_f_test_stands_on_its_point():
    """Defining property of the modified large-sample limits (Ting et al. 1990)."""
    p, n = 6, 3
    f = stats.f.isf(0.025, p - 1, p * (n - 1))
    for factor, positive in ((0.999, False), (1.001, True)):
        means = np.array([-2.0, -1.0, -0.5, 0.5, 1.0, 2.0])
        means *= np.sqrt(f * factor / (n * np.var(means, ddof=1)))
        level = LevelCells(
            level=1,
            laboratories=tuple(range(p)),
            count=np.full(p, n),
            mean=means,
            centred_ss=np.full(p, n - 1.0),
        )
        assert (precision(level).s_L_interval.lower > 0) is positive


def test_intervals_hold_their_estimates_and_widen_with_confidence():
    level = level_of([[0.40, 0.41, 0.42], [0.37, 0.38], [0.44, 0.45, 0.43, 0.44], [0.41, 0.40]])
    narrow, wide = precision(level, confidence=0.80), precision(level, confidence=0.95)
    for name in ("s_r", "s_L", "s_R"):
        inner, outer = getattr(narrow, f"{name}_interval"), getattr(wide, f"{name}_interval")
        assert outer.lower <= inner.lower < getattr(narrow, name) < inner.upper < outer.upper


def test_limits_are_the_factor_times_the_standard_deviations():
    # ISO 5725-6:1994, 4.1.2: r = 2.8 s_r, R = 2.8 s_R.
    found = precision(level_of(balanced()))
    assert (found.r_limit, found.R_limit) == (2.8 * found.s_r, 2.8 * found.s_R)
    other = precision(level_of(balanced()), limit_factor=2.77)
    assert other.R_limit == 2.77 * found.s_R


@given(results=LEVELS, shift=st.floats(-5, 5), scale=st.floats(0.1, 100))
@example(results=[[0.5, 0.5, 0.5, 0.75]] * 3, shift=0.0, scale=32.0)
def test_shift_and_scale_of_the_results(results, shift, scale):
    found = precision(level_of(results))
    moved = precision(level_of([[scale * (v + shift) for v in cell] for cell in results]))
    size = scale * 6
    assert moved.mean == pytest.approx(scale * (found.mean + shift), abs=1e-9 * size)
    for name in ("s_r", "s_R"):
        assert getattr(moved, name) == pytest.approx(scale * getattr(found, name), rel=1e-6, abs=1e-8 * size)


@given(results=LEVELS, seed=st.integers(0, 99))
def test_order_of_laboratories_does_not_matter(results, seed):
    order = np.random.default_rng(seed).permutation(len(results))
    first, second = precision(level_of(results)), precision(level_of([results[i] for i in order]))
    assert second.s_R == pytest.approx(first.s_R, rel=1e-9, abs=1e-12)
    assert second.s_R_interval.upper == pytest.approx(first.s_R_interval.upper, rel=1e-9, abs=1e-12)


@given(results=LEVELS)
def test_h_sums_to_zero_and_k_pools_to_one(results):
    level = level_of(results)
    rows = mandel(level)
    if rows[0].h is not None:
        assert sum(row.h for row in rows) == pytest.approx(0, abs=1e-6)
        assert sum(row.h**2 for row in rows) == pytest.approx(level.p - 1, rel=1e-6)
    if rows[0].k is not None:
        pooled = sum((n - 1) * row.k**2 for n, row in zip(level.count, rows, strict=True))
        assert pooled == pytest.approx(level.degrees_of_freedom, rel=1e-9)


def test_results_far_from_zero_keep_their_scatter():
    # 1e6 with a scatter of 0.01: ten of sixteen digits go in the common part, so about six are left in s.
    shape = balanced(seed=9) - 0.4
    near, far = precision(level_of(shape)), precision(level_of(1e6 + shape))
    assert far.s_r == pytest.approx(near.s_r, rel=1e-6)
    assert far.s_R == pytest.approx(near.s_R, rel=1e-6)


def test_one_run_per_cell_has_no_k_and_no_s_r_but_s_R():
    level = level_of([[0.40], [0.42], [0.39], [0.41]])
    assert all(row.k is None and row.k_indicator_5 is None and row.h is not None for row in mandel(level))
    with pytest.raises(NotSeparableError, match="at least two results per laboratory"):
        precision(level)
    found = single_result_precision(level)
    assert found.s_R == pytest.approx(np.std([0.40, 0.42, 0.39, 0.41], ddof=1), rel=1e-12)
    assert found.s_R_interval.method is IntervalMethod.CHI_SQUARE
    robust = robust_precision(level)
    assert (robust.s_r, robust.s_L, robust.r_limit) == (None, None, None)
    assert robust.s_R > 0
    with pytest.raises(EstimationError, match="several results"):
        single_result_precision(level_of(balanced()))


def test_a_single_result_beside_full_cells_counts_for_the_mean_and_has_no_k():
    level = level_of([[0.40, 0.41], [0.42], [0.39, 0.40], [0.41, 0.43]])
    rows = mandel(level)
    assert (rows[1].k, rows[1].k_indicator_5) == (None, None)
    assert all(row.k is not None for index, row in enumerate(rows) if index != 1)
    assert precision(level).results == 7
    assert precision(level).repeatability_df == 3
    assert level.replicated().laboratories == (0, 2, 3)


def test_a_laboratory_with_all_results_equal_has_k_zero():
    rows = mandel(level_of([[0.40, 0.40, 0.40], [0.42, 0.43, 0.41], [0.39, 0.40, 0.41]]))
    assert rows[0].k == 0
    assert rows[0].h is not None


def test_all_laboratories_alike_has_neither_h_nor_k():
    rows = mandel(level_of([[0.4, 0.4]] * 4))
    assert all(row.h is None and row.k is None for row in rows)
    found = precision(level_of([[0.4, 0.4]] * 4))
    assert (found.s_r, found.s_L, found.s_R) == (0, 0, 0)


def test_two_laboratories_have_precision_with_a_wide_interval_and_no_h():
    level = level_of([[0.40, 0.41], [0.44, 0.45]])
    assert all(row.h is None and row.k is not None for row in mandel(level))
    found = precision(level)
    # One degree of freedom between laboratories: the upper limit is 1/sqrt(chi2_0.025(1)) = 32 times the
    # estimate.
    assert found.s_R_interval.upper > 25 * found.s_R


def test_one_laboratory_cannot_show_scatter_between_laboratories():
    with pytest.raises(EstimationError, match="one laboratory"):
        precision(level_of([[0.40, 0.41]]))


def test_robust_precision_stays_where_a_wild_laboratory_moves_the_classical_one():
    y = balanced(seed=12, p=10, n=3)
    clean, wild = level_of(y), level_of(np.vstack([y[:9], y[9:] + 0.5]))
    assert precision(wild).s_R > 4 * precision(clean).s_R
    assert robust_precision(wild).s_R < 1.6 * robust_precision(clean).s_R
    by_q = q_hampel_precision("x", dict(enumerate(np.vstack([y[:9], y[9:] + 0.5]))))
    assert by_q.method is RobustMethod.Q_AND_HAMPEL
    assert by_q.s_R < 1.6 * precision(clean).s_R
    assert by_q.mean == pytest.approx(robust_precision(clean).mean, abs=0.01)


def test_robust_components_add_up():
    found = robust_precision(level_of(balanced()))
    assert found.s_R**2 == pytest.approx(found.s_r**2 + found.s_L**2, rel=1e-12)
    assert found.R_limit == 2.8 * found.s_R
