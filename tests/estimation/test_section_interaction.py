"""Section by level: the sums of squares, exact probabilities where scipy enumerates them, and error rates."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.estimation.section_interaction import (
    Resampling,
    _Space,
    bootstrap_interaction,
    paired_interaction,
    split_interaction,
)


def sets_of(seed, *, sets=6, sections=5, set_sd=0.01, sd=0.004):
    """Sets with a level of their own and neighbouring sections alike, as wear or temperature makes them."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, sd, (sets, sections))
    noise[:, 1:] += 0.8 * noise[:, :-1]
    return 0.35 + 0.02 * np.arange(sections) + rng.normal(0, set_sd, (sets, 1)) + noise


HALF = np.array([0, 0, 0, 1, 1, 1])


def rng():
    return np.random.default_rng(11)


@pytest.mark.parametrize("missing", [False, True])
def test_sum_of_squares_is_that_of_the_analysis_of_variance(missing):
    values = sets_of(1)
    if missing:
        values[0, 0] = values[4, 3] = values[4, 1] = np.nan
    table = pd.DataFrame(values).stack().dropna().reset_index()
    table.columns = ["set", "section", "result"]
    table["level"] = HALF[table["set"]]
    plain = smf.ols("result ~ C(set) + C(section)", table).fit()
    pattern = pd.get_dummies(table["section"], dtype=float).mul(table["level"], axis=0)
    columns = np.c_[plain.model.exog, pattern]
    y = table["result"].to_numpy()
    left = y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]
    expected = plain.ssr - left @ left
    found = split_interaction(values, HALF, rng=rng())
    assert found.statistic == pytest.approx(expected, rel=1e-8)
    assert (found.resampled, found.complete) == (20, True)


@pytest.mark.parametrize("levels", [2, 3])
@pytest.mark.parametrize("missing", ["none", "some", "a section at one level only", "sections in two halves"])
def test_what_a_pattern_explains_is_the_difference_of_two_fits(levels, missing):
    values = sets_of(5, sets=9, sections=6)
    if missing == "some":
        values[np.random.default_rng(4).random(values.shape) < 0.2] = np.nan
    elif missing == "a section at one level only":
        values[:3, 2] = values[4, 1] = np.nan
    elif missing == "sections in two halves":
        values[[0, 1, 3, 4, 6], :3] = values[[2, 5, 7, 8], 3:] = np.nan
    rows, columns = np.nonzero(np.isfinite(values))
    y = values[rows, columns]
    base = np.c_[np.eye(9)[rows], np.eye(6)[columns]]
    draw = np.random.default_rng(2)
    codes = np.stack([draw.permutation(np.arange(9) % levels) for _ in range(12)])
    found = _Space(values).explained(codes)
    for own, value in zip(codes, found, strict=True):
        cells = np.eye(levels * 6)[own[rows] * 6 + columns]
        ssr = [
            float(np.sum((y - x @ np.linalg.lstsq(x, y, rcond=1e-10)[0]) ** 2))
            for x in (base, np.c_[base, cells])
        ]
        assert value == pytest.approx(ssr[0] - ssr[1], rel=1e-8, abs=1e-12 * ssr[0])


@pytest.mark.parametrize("seed", range(4))
def test_two_sections_are_the_permutation_test_of_their_difference(seed):
    values = sets_of(seed, sets=7, sections=2)
    level = np.array([0, 0, 0, 0, 1, 1, 1])
    gap = values[:, 0] - values[:, 1]
    theirs = stats.permutation_test(
        (gap[level == 0], gap[level == 1]), lambda a, b: abs(a.mean() - b.mean()), alternative="greater"
    )
    assert split_interaction(values, level, rng=rng()).p == pytest.approx(theirs.pvalue, rel=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_two_paired_sections_are_the_sign_test_by_randomisation(seed):
    difference = sets_of(seed, sets=8, sections=2)
    gap = difference[:, 0] - difference[:, 1] + 0.02
    difference[:, 0] += 0.02
    theirs = stats.permutation_test(
        (gap,), lambda d: abs(d.mean()), permutation_type="samples", alternative="greater"
    )
    found = paired_interaction(difference, rng=rng())
    assert found.p == pytest.approx(theirs.pvalue, rel=1e-12)
    assert found.complete


def test_a_rig_that_differs_in_one_section_is_found_and_a_plain_offset_is_not():
    values = sets_of(3, sets=10)
    level = np.repeat([0, 1], 5)
    values[level == 1] += 0.1
    plain = split_interaction(values, level, rng=rng())
    values[level == 1, 2] += 0.03
    for test in (split_interaction, bootstrap_interaction):
        assert test(values, level, rng=rng()).p < 0.02
    difference = sets_of(4, sets=8) - (0.35 + 0.02 * np.arange(5))
    difference[:, 3] += 0.03
    assert plain.p > 0.05
    assert paired_interaction(difference, rng=rng()).p < 0.02


def test_random_arrangements_stand_in_for_all_of_them():
    values = sets_of(5, sets=12)
    level = np.repeat([0, 1], 6)
    values[level == 1, 1] += 0.005
    complete = split_interaction(values, level, rng=rng())
    three = split_interaction(np.vstack([values, sets_of(6)]), np.repeat([0, 1, 2], 6), rng=rng(), draws=499)
    assert (complete.resampled, complete.complete) == (924, True)
    assert (three.resampled, three.complete) == (499, False)
    assert three.p * 500 == pytest.approx(round(three.p * 500))
    many = paired_interaction(sets_of(7, sets=20), rng=rng(), draws=999)
    assert (many.resampled, many.complete) == (999, False)


def test_few_sets_say_what_they_could_show_at_best():
    # 3 + 3 sets: 20 arrangements, each as large as its mirror. 2 + 3: ten. Five paired sets: 16 patterns of signs.
    assert split_interaction(sets_of(1), HALF, rng=rng()).smallest_p == pytest.approx(2 / 20)
    five = split_interaction(sets_of(1, sets=5), np.array([0, 0, 1, 1, 1]), rng=rng())
    assert five.smallest_p == pytest.approx(1 / 10)
    paired = paired_interaction(sets_of(1, sets=5), rng=rng())
    assert (paired.smallest_p, paired.resampled) == (1 / 16, 16)
    strong = sets_of(1)
    strong[HALF == 1, 0] += 1.0
    assert split_interaction(strong, HALF, rng=rng()).p == pytest.approx(2 / 20)


@pytest.mark.parametrize("resampling", Resampling)
def test_error_rate_where_sections_of_a_set_hang_together(resampling):
    # 600 studies, 5 + 5 sets (8 paired): standard error 0.009 at 0.05. Counting sections as independent would
    # reject the plain F test of section by rig several times as often.
    level = np.repeat([0, 1], 5)
    rejected = 0
    for seed in range(600):
        if resampling is Resampling.PERMUTATION:
            p = split_interaction(sets_of(seed, sets=10), level, rng=rng()).p
        elif resampling is Resampling.BOOTSTRAP:
            p = bootstrap_interaction(sets_of(seed, sets=10), level, rng=rng(), draws=199).p
        else:
            p = paired_interaction(sets_of(seed, sets=8) - (0.35 + 0.02 * np.arange(5)), rng=rng()).p
        rejected += p <= 0.05
    assert rejected / 600 < 0.075
    # The bootstrap of few sets is cautious: seen 0.02. The other two are exact, up to the steps of p.
    assert rejected / 600 > (0.005 if resampling is Resampling.BOOTSTRAP else 0.025)


def test_bootstrap_keeps_the_error_rate_where_the_levels_scatter_unlike():
    # 3 sets with four times the scatter against 10: exchanging sets rejects in 44 of 100, drawing within does not.
    level = np.repeat([0, 1], [3, 10])
    exchanged = drawn = 0
    for seed in range(300):
        values = np.vstack([sets_of(seed, sets=3, sd=0.016), sets_of(seed + 1000, sets=10, sd=0.004)])
        exchanged += split_interaction(values, level, rng=rng()).p <= 0.05
        drawn += bootstrap_interaction(values, level, rng=rng(), draws=199).p <= 0.05
    assert drawn / 300 < 0.05
    assert exchanged / 300 > 0.3


@settings(max_examples=20)
@given(seed=st.integers(0, 5000), shift=st.floats(-1, 1), scale=st.floats(0.1, 10))
def test_laws_of_the_test(seed, shift, scale):
    values = sets_of(seed)
    plain = split_interaction(values, HALF, rng=rng())
    # The level of a set, of a section or of a rig takes no part; nor does the unit, nor the order.
    moved = scale * (values + shift * np.arange(6)[:, None] + shift * np.arange(5) + shift * HALF[:, None])
    assert split_interaction(moved, HALF, rng=rng()).p == pytest.approx(plain.p, rel=1e-12)
    assert split_interaction(values[::-1, ::-1], HALF, rng=rng()).p == pytest.approx(plain.p, rel=1e-12)
    by_margin = split_interaction(values, HALF, rng=rng(), scale=np.full(5, scale))
    assert by_margin.statistic == pytest.approx(plain.statistic / scale**2, rel=1e-8)
    paired = paired_interaction(values, rng=rng())
    assert paired_interaction(-scale * values + shift, rng=rng()).p == pytest.approx(paired.p, rel=1e-12)


def test_what_sets_cannot_say_is_refused_in_words():
    values = sets_of(1)
    with pytest.raises(LayoutError, match=r"found 1 section\(s\)"):
        split_interaction(values[:, :1], HALF, rng=rng())
    with pytest.raises(LayoutError, match=r"at 1 level\(s\)"):
        split_interaction(values, np.zeros(6, int), rng=rng())
    with pytest.raises(LayoutError, match=r"1 set\(s\) ran"):
        split_interaction(values, np.array([0, 1, 1, 1, 1, 1]), rng=rng())
    holes = values.copy()
    holes[3:, 1:] = np.nan
    with pytest.raises(LayoutError):
        split_interaction(holes, HALF, rng=rng())
    with pytest.raises(LayoutError, match="expected at least 2"):
        paired_interaction(values[:1], rng=rng())
    with pytest.raises(LayoutError, match="expected at least 3"):
        bootstrap_interaction(values[:5], HALF[:5], rng=rng())
    with pytest.raises(EstimationError, match="one pattern exactly"):
        split_interaction(np.tile(values[0], (6, 1)), HALF, rng=rng())
    with pytest.raises(EstimationError, match="one pattern exactly"):
        paired_interaction(np.full((5, 3), 0.25), rng=rng())
