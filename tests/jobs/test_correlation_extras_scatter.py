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
