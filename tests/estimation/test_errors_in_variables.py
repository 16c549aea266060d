"""A line with errors in both variables: Pearson's and York's example, the likelihood itself, laws, answers."""

from __future__ import annotations

import contextlib
import csv
import json

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.estimation.errors_in_variables import fit_line
from repeatab.estimation.level_lines import drawn_lines, level_line, level_points
from repeatab.estimation.shift_or_gain import LevelAnswer, shift_or_gain


@pytest.fixture
def pearson(reference_folder):
    """Pearson (1901), Phil. Mag. 2, 559-572: the ten points and the line at equal errors."""
    folder = reference_folder / "standards"
    with (folder / "errors_in_both_variables_equal.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    x, y = (np.array([float(row[name]) for row in rows]) for name in "xy")
    return x, y, json.loads((folder / "errors_in_both_variables_equal.json").read_text(encoding="utf-8"))


def test_pearsons_line_at_equal_errors(pearson):
    x, y, reference = pearson
    line = fit_line(x, y, var_x=np.ones(10), var_y=np.ones(10))
    assert line.slope == pytest.approx(reference["expected"]["slope"], abs=5e-4)
    assert line.intercept == pytest.approx(reference["expected"]["intercept"], abs=5e-4)
    assert line.slope == pytest.approx(reference["recomputed"]["slope"], rel=1e-9)
    assert line.intercept == pytest.approx(reference["recomputed"]["intercept"], rel=1e-9)


def test_yorks_weights_on_pearsons_points(pearson):
    # York (1966), Can. J. Phys. 44, 1079-1086: weights of x and y for Pearson's points; values with their standard
    # errors as given by York et al. (2004), Am. J. Phys. 72, 367-375, table II. From memory.
    x, y, _ = pearson
    weight_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
    weight_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    line = fit_line(x, y, var_x=1 / weight_x, var_y=1 / weight_y)
    assert line.slope == pytest.approx(-0.480533407, abs=1e-9)
    assert line.intercept == pytest.approx(5.47991022, abs=1e-8)
    assert line.se_slope == pytest.approx(0.0579850090, abs=1e-9)
    assert line.se_intercept == pytest.approx(0.294970735, abs=1e-8)
    # Chi-square over points - 2 is printed as 1.48.
    assert line.misfit / 8 == pytest.approx(1.483, abs=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_no_other_line_has_a_greater_likelihood(seed):
    # The definition: minimise the weighted squared errors over slope, intercept and every true x.
    rng = np.random.default_rng(seed)
    true_x = np.linspace(0.3, 0.42, 7)
    var_x, var_y = rng.uniform(0.5, 2, (2, 7)) * 1e-4
    cov = 0.6 * np.sqrt(var_x * var_y) * rng.uniform(-1, 1, 7)
    x, y = true_x + rng.normal(0, 0.01, 7), 0.02 + 0.9 * true_x + rng.normal(0, 0.01, 7)
    line = fit_line(x, y, var_x=var_x, var_y=var_y, cov=cov)
    inverse = np.linalg.inv(np.stack([var_x, cov, cov, var_y], axis=1).reshape(7, 2, 2))

    def squared(parameters: np.ndarray) -> float:
        slope, intercept, *truth = parameters
        away = np.stack([x - truth, y - intercept - slope * np.array(truth)], axis=1)
        return float(np.einsum("pi,pij,pj->", away, inverse, away))

    best = optimize.minimize(squared, [1.0, 0.0, *x], method="BFGS", options={"gtol": 1e-8})
    assert line.misfit == pytest.approx(best.fun, rel=1e-8)
    assert [line.slope, line.intercept] == pytest.approx(best.x[:2], abs=1e-4)


points = st.lists(st.tuples(st.floats(0.2, 0.6), st.floats(-0.03, 0.03)), min_size=4, max_size=12)


@given(found=points, ratio=st.floats(0.1, 10), scale=st.floats(0.2, 5), shift=st.floats(-1, 1))
def test_laws_of_the_line(found, ratio, scale, shift):
    x = np.array([p[0] for p in found])
    y = 0.05 + 0.9 * x + np.array([p[1] for p in found])
    if np.ptp(x) < 0.05 or np.corrcoef(x, y)[0, 1] < 0.5:
        return
    one = np.ones_like(x)
    line = fit_line(x, y, var_x=one, var_y=ratio * one)
    turned = fit_line(y, x, var_x=ratio * one, var_y=one)
    assert turned.slope == pytest.approx(1 / line.slope, rel=1e-8)
    moved = fit_line(scale * x + shift, scale * y + shift, var_x=one, var_y=ratio * one)
    assert moved.slope == pytest.approx(line.slope, rel=1e-7)
    assert moved.centre == pytest.approx(scale * line.centre + shift, rel=1e-7, abs=1e-9)
    # Without error in one variable it is the ordinary regression on that one.
    exact = fit_line(x, y, var_x=0 * one, var_y=one)
    assert [exact.slope, exact.intercept] == pytest.approx(np.polyfit(x, y, 1), rel=1e-8, abs=1e-10)


def rigs(seed, *, sets=6, levels=6, shift=0.0, gain=1.0, set_sd=0.006, sd=0.002, paired=False):
    """Whole sets over levels on two rigs; a set is high or low throughout."""
    rng = np.random.default_rng(seed)
    true = np.linspace(0.25, 0.45, levels)
    own_a, own_b = rng.normal(0, set_sd, (2, sets, 1))
    a = shift + gain * (true + (own_b if paired else own_a)) + rng.normal(0, sd, (sets, levels))
    return a, true + own_b + rng.normal(0, sd, (sets, levels))


@pytest.mark.parametrize("missing", [False, True])
def test_error_variances_are_those_of_the_regression_on_set_and_level(missing):
    a, b = rigs(5)
    if missing:
        a[0, 1] = a[3, 4] = b[2, 0] = np.nan
    found = level_points(a, b, paired=False)
    for values, variance in ((a, found.var_y), (b, found.var_x)):
        table = pd.DataFrame(values).stack().dropna().reset_index()
        table.columns = ["set", "level", "result"]
        fit = smf.ols("result ~ C(set) + C(level)", table).fit()
        assert variance == pytest.approx(fit.mse_resid, rel=1e-9)
    assert found.n_y.sum() == np.isfinite(a).sum()


def test_the_slope_is_not_bent_by_error_in_the_reference():
    # 300 studies with a reliability of about 0.75: ordinary regression loses a quarter of the slope.
    found, plain = [], []
    for seed in range(300):
        rng = np.random.default_rng(seed)
        true = np.linspace(0.35, 0.40, 12)
        a, b = (true + rng.normal(0, 0.02, (5, 12)) for _ in range(2))
        found.append(level_line(a, b, paired=False).slope)
        plain.append(np.polyfit(b.mean(axis=0), a.mean(axis=0), 1)[0])
    assert np.mean(plain) < 0.85
    # Standard error of the median about 0.02.
    assert np.median(found) == pytest.approx(1, abs=0.06)


def test_rigs_that_differ_by_an_amount_by_a_factor_or_not_at_all():
    common = {"paired": False, "level": 0.95, "draws": 199}
    answers = {}
    for name, options in {
        "shift": {"shift": 0.05}, "gain": {"gain": 1.15}, "both": {"shift": 0.15, "gain": 0.7}, "none": {},
    }.items():  # fmt: skip
        a, b = rigs(3, set_sd=0.002, **options)
        answers[name] = shift_or_gain(a, b, rng=np.random.default_rng(1), **common).answer
    assert answers == {
        "shift": LevelAnswer.SHIFT, "gain": LevelAnswer.GAIN, "both": LevelAnswer.BOTH,
        "none": LevelAnswer.NOT_TOLD,
    }  # fmt: skip


def test_too_few_levels_too_little_spread_or_too_few_sets_give_no_answer():
    def ask(a, b, paired=False):
        return shift_or_gain(a, b, paired=paired, level=0.95, rng=np.random.default_rng(1), draws=49)

    a, b = rigs(1, shift=0.05)
    four = ask(a[:, :4], b[:, :4])
    assert (four.answer, "4 level(s)" in four.reason) == (LevelAnswer.NOT_TOLD, True)
    few = ask(a[:2], b)
    assert (few.answer, "2 set(s)" in few.reason) == (LevelAnswer.NOT_TOLD, True)
    rng = np.random.default_rng(2)
    flat = [0.40 + rng.normal(0, 0.01, (5, 7)) for _ in range(2)]
    near = ask(flat[0] + 0.05, flat[1])
    assert (near.answer, "too close together" in near.reason) == (LevelAnswer.NOT_TOLD, True)
    assert near.line.reliability < 0.9
    one_level_each = np.where(np.eye(6, dtype=bool), a, np.nan)
    alone = ask(one_level_each, np.where(np.eye(6, dtype=bool), b, np.nan))
    assert (alone.answer, "no level has repeats" in alone.reason) == (LevelAnswer.NOT_TOLD, True)


@pytest.mark.parametrize("paired", [False, True])
def test_coverage_of_slope_and_intercept_with_few_sets(paired):
    # Sets are high or low throughout, so points are not independent. 120 studies, 4 sets: standard error 0.02.
    hits = np.zeros((2, 2))
    for seed in range(120):
        a, b = rigs(seed, sets=4, shift=0.02, gain=1.05, paired=paired)
        found = shift_or_gain(a, b, paired=paired, level=0.95, rng=np.random.default_rng(seed), draws=99)
        for i, (interval, truth) in enumerate(((found.slope, 1.05), (found.intercept, 0.02))):
            hits[i] += [not interval.jackknife.excludes(truth), not interval.bootstrap.excludes(truth)]
    assert (hits / 120 > 0.88).all()


def test_the_same_seed_gives_the_same_answer_and_the_order_of_sets_means_nothing():
    a, b = rigs(7, shift=0.01)
    a[0, 0] = np.nan
    first, again, turned = (
        shift_or_gain(*pair, paired=False, level=0.95, rng=np.random.default_rng(4), draws=99)
        for pair in ((a, b), (a, b), (a[::-1], b[::-1]))
    )
    assert first == again
    assert turned.slope.jackknife.lower == pytest.approx(first.slope.jackknife.lower, rel=1e-9)
    assert turned.line.slope == pytest.approx(first.line.slope, rel=1e-12)


@settings(max_examples=20)
@given(seed=st.integers(0, 1000), scale=st.floats(0.2, 5))
def test_a_stated_ratio_is_used_and_scale_carries_over(seed, scale):
    a, b = rigs(seed, shift=0.03)
    stated = level_line(a, b, paired=False, ratio=2.5)
    assert stated.error_ratio == pytest.approx(2.5)
    scaled = level_line(scale * a, scale * b, paired=False, ratio=2.5)
    assert scaled.slope == pytest.approx(stated.slope, rel=1e-8)
    assert scaled.offset == pytest.approx(scale * stated.offset, rel=1e-6)
    # One set per rig has no repeats; a stated ratio then stands in, and the line's misfit gives the reliability.
    alone = level_line(a[:1], b[:1], paired=False, ratio=2.5)
    assert 0.9 < alone.reliability <= 1


def test_what_gives_no_line_is_refused_in_words():
    with pytest.raises(LayoutError, match="three or more"):
        fit_line(np.arange(2.0), np.arange(2.0), var_x=np.ones(2), var_y=np.ones(2))
    with pytest.raises(EstimationError, match="all alike"):
        fit_line(np.ones(4), np.arange(4.0), var_x=np.ones(4), var_y=np.ones(4))
    copy = rigs(1)[0]
    with pytest.raises(EstimationError, match="not copies"):
        level_line(copy, copy, paired=True)
    with pytest.raises(LayoutError, match="state the ratio"):
        level_line(copy[:1], copy[:1] + 0.1, paired=False)


@pytest.mark.parametrize("ratio", [None, 1.3])
@pytest.mark.parametrize("paired", [False, True])
def test_lines_side_by_side_are_those_of_each_draw_alone(paired, ratio):
    rng = np.random.default_rng(5)
    a, b = rng.normal(0.4, 0.02, (2, 40, 4, 5))
    # Without true differences between levels some slopes are open or upright; alike results cancel.
    a[:30] += np.linspace(0, 0.2, 5)
    b[:30] += np.linspace(0, 0.2, 5)
    b[0], b[1] = a[0], 0.4
    found = np.stack(drawn_lines(a, b, paired=paired, ratio=ratio), axis=1)
    alone = np.full((40, 3), np.nan)
    for i in range(40):
        with contextlib.suppress(EstimationError, LayoutError):
            line = level_line(a[i], b[i], paired=paired, ratio=ratio)
            alone[i] = line.slope, line.intercept, line.offset
    assert np.isnan(alone[1]).all()
    # Seen: equal to the last digit; sums of a single table may be formed in another order elsewhere.
    np.testing.assert_allclose(found, alone, rtol=1e-9)
