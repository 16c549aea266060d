"""Whole sets: overall values and deviations against the tests they come to in simple cases, and their laws."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from repeatab.base.errors import EstimationError, LayoutError, NotSeparableError
from repeatab.estimation.set_effects import overall_values, paired_deviations, split_deviations


def sets_of(seed, *, sets=6, sections=5, set_sd=0.01, sd=0.004, offset=0.0):
    rng = np.random.default_rng(seed)
    level = 0.35 + 0.02 * np.arange(sections)
    return level + offset + rng.normal(0, set_sd, (sets, 1)) + rng.normal(0, sd, (sets, sections))


def test_complete_sets_keep_their_weighted_mean():
    values, weights = sets_of(1), np.array([1.0, 1, 2, 1, 5])
    level = np.array([0, 0, 0, 1, 1, 1])
    assert overall_values(values, level) == pytest.approx(values.mean(axis=1), rel=1e-14)
    found = overall_values(values, level, weights=weights)
    assert found == pytest.approx(np.average(values, axis=1, weights=weights), rel=1e-14)


def test_a_set_without_its_high_section_does_not_come_out_low():
    values = sets_of(2, sets=5, set_sd=0, sd=1e-6)
    values[1, 4] = np.nan
    found = overall_values(values, np.zeros(5, int))
    assert np.nanmean(values[1]) < 0.385
    assert found == pytest.approx(np.full(5, 0.39), abs=1e-5)


def test_overall_values_of_incomplete_sets_are_those_of_the_additive_model():
    # With equal weights the value is the set's effect in the least-squares fit of set and section.
    values = sets_of(3)
    values[0, 1] = values[2, 4] = values[2, 0] = np.nan
    table = pd.DataFrame(values).stack().dropna().reset_index()
    table.columns = ["set", "section", "result"]
    fit = smf.ols("result ~ C(set) + C(section)", table).fit()
    grid = pd.DataFrame([(i, j) for i in range(6) for j in range(5)], columns=["set", "section"])
    expected = fit.predict(grid).to_numpy().reshape(6, 5).mean(axis=1)
    assert overall_values(values, np.zeros(6, int)) == pytest.approx(expected, rel=1e-10)


def test_levels_whose_sections_differ_in_their_own_way_are_not_mixed():
    # Level 1 lies 0.1 higher in the last section only; its incomplete set must not drag the others' pattern in.
    a, b = sets_of(4, set_sd=0, sd=1e-7), sets_of(5, set_sd=0, sd=1e-7)
    b[:, 4] += 0.1
    b[0, 4] = np.nan
    found = overall_values(np.vstack([a, b]), np.repeat([0, 1], 6))
    assert found[:6] == pytest.approx(np.full(6, 0.39), abs=1e-6)
    assert found[6:] == pytest.approx(np.full(6, 0.41), abs=1e-6)


def test_two_paired_sections_are_a_t_test_of_half_their_difference():
    d = sets_of(6, sections=2)
    found = paired_deviations(d)
    theirs = stats.ttest_1samp((d[:, 0] - d[:, 1]) / 2, 0.0)
    assert found.estimate / found.se == pytest.approx([theirs.statistic, -theirs.statistic], rel=1e-10)
    assert found.df == pytest.approx(theirs.df)
    alone = found.intervals(0.95)
    limits = theirs.confidence_interval(0.95)
    assert [alone[0].lower, alone[0].upper] == pytest.approx([limits.low, limits.high], rel=1e-10)


def test_two_split_sections_are_welchs_test():
    a, b = sets_of(7, sections=2, sets=4), sets_of(8, sections=2, sets=7, sd=0.01)
    found = split_deviations(a, b)
    theirs = stats.ttest_ind(*((v[:, 0] - v[:, 1]) / 2 for v in (a, b)), equal_var=False)
    assert found.estimate[0] / found.se[0] == pytest.approx(theirs.statistic, rel=1e-10)
    assert found.df[0] == pytest.approx(theirs.df, rel=1e-10)


def test_scatter_of_complete_sets_is_the_sample_one():
    d = sets_of(9)
    found = paired_deviations(d)
    own = d - d.mean(axis=1, keepdims=True)
    assert found.estimate == pytest.approx(own.mean(axis=0), rel=1e-9, abs=1e-15)
    assert found.se == pytest.approx(own.std(axis=0, ddof=1) / np.sqrt(6), rel=1e-12)


@pytest.mark.parametrize("sets", [3, 6])
def test_each_interval_holds_as_often_as_it_says(sets):
    # 500 studies of six sections, each section its own scatter: 3,000 intervals, standard error 0.006 with the sets'
    # sections hanging together.
    truth = 0.35 + 0.02 * np.arange(6)
    held = [
        not interval.excludes(0)
        for seed in range(500)
        for interval in paired_deviations(sets_of(seed, sets=sets, sections=6) - truth).intervals(0.95)
    ]
    assert 0.93 < np.mean(held) < 0.97


@settings(max_examples=25)
@given(seed=st.integers(0, 5000), shift=st.floats(-1, 1), scale=st.floats(0.1, 10), hole=st.booleans())
def test_laws_of_deviations(seed, shift, scale, hole):
    d = sets_of(seed)
    if hole:
        d[0, 0] = d[3, 2] = np.nan
    plain = paired_deviations(d)
    assert plain.estimate.sum() == pytest.approx(0, abs=1e-12)
    # A set's own level, whatever it is, takes no part.
    moved = paired_deviations(scale * (d + shift * np.arange(6)[:, None]))
    assert moved.estimate == pytest.approx(scale * plain.estimate, rel=1e-6, abs=1e-10)
    assert moved.se == pytest.approx(scale * plain.se, rel=1e-6)
    turned = paired_deviations(d[::-1, ::-1])
    assert turned.estimate[::-1] == pytest.approx(plain.estimate, rel=1e-8, abs=1e-12)
    wide, narrow = plain.intervals(0.99), plain.intervals(0.95)
    assert all(w.lower <= n.lower for w, n in zip(wide, narrow, strict=True))


def test_what_sets_cannot_say_is_refused_in_words():
    values = sets_of(1)
    with pytest.raises(LayoutError, match="no result in any section"):
        overall_values(np.vstack([values, np.full(5, np.nan)]), np.zeros(7, int))
    empty = values.copy()
    empty[:3, 2] = np.nan
    with pytest.raises(LayoutError, match=r"1 section\(s\) have no result"):
        overall_values(empty, np.array([0, 0, 0, 1, 1, 1]))
    apart = values.copy()
    apart[:3, 2:] = apart[3:, :2] = np.nan
    with pytest.raises(NotSeparableError, match="share no section"):
        overall_values(apart, np.zeros(6, int))
    with pytest.raises(LayoutError, match="weights"):
        overall_values(values, np.zeros(6, int), weights=np.array([1.0, 1, 0, 1, 1]))
    with pytest.raises(LayoutError, match="one section"):
        paired_deviations(values[:, :1])
    with pytest.raises(LayoutError, match=r"1 set\(s\)"):
        split_deviations(values, values[:1])
    with pytest.raises(EstimationError, match="no scatter"):
        paired_deviations(np.zeros((4, 3)))
