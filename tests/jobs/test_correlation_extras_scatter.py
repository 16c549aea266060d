"""Assumptions of a correlation check about scatter: the robust test of equal scatter, and scatter against level."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy import stats

from repeatab.base.margin import Margin, MarginUnit
from repeatab.base.notes import NoteKind
from repeatab.jobs.questions import Analysis


def frame_of(rng, levels, sd_of, *, sets=8):
    rows = [
        (rig, f"{rig}{i}", name, level + sd_of(rig, level) * rng.standard_normal(), 2 * i + (rig == "B"))
        for rig in "AB"
        for i in range(sets)
        for name, level in levels.items()
    ]
    return pd.DataFrame(rows, columns=["rig", "pad_set", "section", "result", "run_order"])


ONE = {"cold": 0.40}
SEVEN = {f"section {i}": 0.2 + 0.05 * i for i in range(7)}


def test_equal_scatter_is_tested_as_pingouin_does_about_the_medians(rigs):
    frame = frame_of(np.random.default_rng(1), ONE, lambda rig, _: 0.01 if rig == "A" else 0.004)
    p = rigs.check(frame).table("residuals").to_frame()["p_scatter"][0]
    known = pingouin.homoscedasticity(frame, dv="result", group="rig", method="levene", center="median")
    assert p == pytest.approx(float(known["pval"].iloc[0]), rel=1e-10)


def test_rigs_that_clearly_do_not_scatter_alike_are_noted_with_what_to_do(rigs):
    frame = frame_of(np.random.default_rng(2), ONE, lambda rig, _: 0.02 if rig == "A" else 0.002)
    notes = [note for note in rigs.check(frame).notes if note.kind is NoteKind.UNEQUAL_SCATTER]
    assert any(
        "do not scatter alike" in note.text and "rig that scatters more" in note.remedy for note in notes
    )


def test_sets_that_ran_on_both_rigs_are_not_tested_as_if_they_were_different_ones(rigs):
    rng = np.random.default_rng(3)
    frame = rigs.same(rng.normal(0.4, 0.01, 8), rng.normal(0.4, 0.01, 8), np.arange(8) % 2 == 0)
    assert "p_scatter" not in rigs.check(frame).table("residuals").to_frame().columns


@pytest.mark.parametrize(
    ("power", "words"),
    [(0.0, "is not called for"), (1.0, "is called for")],
    ids=["constant", "in proportion"],
)
def test_whether_ratios_are_called_for_follows_the_scatter_over_the_levels(rigs, power, words):
    frame = frame_of(
        np.random.default_rng(4), SEVEN, lambda _, level: 0.02 * level**power * 0.3 ** (1 - power)
    )
    outcome = rigs.check(frame)
    (method,) = [one for one in outcome.methods if one.quantity == "analysis of ratios"]
    assert method.method.startswith(words)
    noted = any('analysis = "ratio"' in note.remedy for note in outcome.notes)
    assert noted == (power == 1.0)
    # The line itself: least squares of log SD on log level, by scipy on the sections' own numbers.
    wide = frame.pivot(index=["rig", "pad_set"], columns="section", values="result")
    sd = np.sqrt((wide - wide.groupby("rig").transform("mean")).pow(2).sum() / 14)
    slope = stats.linregress(np.log(wide.mean()), np.log(sd)).slope
    assert f"power {slope:.1f}" in method.method


def test_a_ratio_analysis_and_few_sections_say_nothing_of_it(rigs):
    frame = frame_of(np.random.default_rng(5), SEVEN, lambda _, level: 0.02 * level)
    few = frame[frame["section"].isin(list(SEVEN)[:4])]
    percent = Margin(size=5, unit=MarginUnit.PERCENT)
    for outcome in (rigs.check(few), rigs.check(frame, margin=percent, analysis=Analysis.RATIO)):
        assert "analysis of ratios" not in [one.quantity for one in outcome.methods]


# --- wear ------------------------------------------------------------------------------------------------------


def test_wear_of_sets_on_both_rigs_is_the_order_effect_of_their_differences(rigs):
    rng = np.random.default_rng(6)
    sets, first = rng.normal(0.4, 0.02, 10), np.arange(10) % 2 == 0
    a = sets + rng.normal(0, 0.002, 10) - 0.01 * ~first
    b = sets + rng.normal(0, 0.002, 10) - 0.01 * first
    row = rigs.check(rigs.same(a, b, first)).table("wear").to_frame().iloc[0]
    # Second run less first: half the difference of the mean differences of the two orders, 8 degrees of freedom.
    known = stats.ttest_ind((a - b)[~first], (a - b)[first])
    assert row["slope"] == pytest.approx(((a - b)[~first].mean() - (a - b)[first].mean()) / 2, rel=1e-6)
    assert row["p"] == pytest.approx(known.pvalue, rel=1e-4)


def test_wear_is_taken_out_where_one_rigs_sets_ran_more_often(rigs):
    rng = np.random.default_rng(7)
    rows = [
        (rig, f"{rig}{i}", 0.4 - 0.01 * run + rng.normal(0, 0.001), 10 * i + 4 * (rig == "B") + run)
        for rig, runs in (("A", 3), ("B", 1))
        for i in range(8)
        for run in range(runs)
    ]
    outcome = rigs.check(pd.DataFrame(rows, columns=["rig", "pad_set", "result", "run_order"]))
    # Untouched, A would read 0.01 low.
    assert abs(rigs.number(outcome, "estimate")) < 0.002
    assert "taken out" in outcome.table("wear").remarks[0]
    assert any("Sets change from run to run" in text for text in outcome.evidence)


def test_wear_that_lies_alike_on_both_rigs_is_shown_and_left(rigs):
    rng = np.random.default_rng(8)
    rows = [
        (rig, f"{rig}{i}", 0.4 - 0.01 * run + rng.normal(0, 0.001), 10 * i + 4 * (rig == "B") + run)
        for rig in "AB"
        for i in range(6)
        for run in range(2)
    ]
    table = rigs.check(pd.DataFrame(rows, columns=["rig", "pad_set", "result", "run_order"])).table("wear")
    assert "it cancels" in table.remarks[0]
