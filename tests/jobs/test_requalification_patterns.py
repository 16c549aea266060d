"""Residual patterns and wear of a requalification, against scipy, statsmodels and direct computation. Invented data."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

import repeatab as rb
from repeatab.base.margin import Margin, MarginUnit
from repeatab.base.notes import NoteKind
from repeatab.jobs.questions import Analysis
from repeatab.jobs.requalification import requalify_rig
from repeatab.jobs.requalifying.judge import MoveFindings, judge_move
from repeatab.jobs.requalifying.question import Burden, Burdens, Requalification, RequalSection
from repeatab.outcome.outcome import Outcome

# (rig, phase) -> runs of each set
ONCE = dict.fromkeys(product("MC", ("before", "after")), 1)
TWICE = dict.fromkeys(ONCE, 2)


def table(
    runs: dict[tuple[str, str], int], *, wear: float = 0.0, sets: int = 6, seed: int = 5
) -> pd.DataFrame:
    """Fresh sets of rigs M and C before and after; each further run of a set reads `wear` more."""
    rng = np.random.default_rng(seed)
    offset = {"M": 0.03, "C": -0.02}
    rows: list[dict[str, Any]] = []
    for (rig, phase), number in runs.items():
        for i in range(sets):
            own = 0.4 + offset[rig] + 0.05 * (phase == "after") + 0.003 * rng.standard_normal()
            for run in range(number):
                value = own + wear * run + 0.001 * rng.standard_normal()
                order = 1000 * (phase == "after") + 2 * (sets * run + i) + (rig == "C")
                rows.append({"rig": rig, "phase": phase, "pad_set": f"{rig}{phase}{i}", "run_order": order,
                             "result": value})  # fmt: skip
    return pd.DataFrame(rows)


def asked(**changes: Any) -> Requalification:
    margin = Margin(size=5, unit=MarginUnit.PERCENT)
    stated: dict[str, Any] = {
        "moved_rig": "M", "control_rigs": ("C",), "before": "before", "after": "after",
        "sections": (RequalSection(name="result", margin=margin),), "repeatability_limit": 3.0,
        "burdens": Burdens(level=Burden.MUST_BE_SHOWN, repeatability=Burden.MUST_NOT_BE_CONTRADICTED),
    }  # fmt: skip
    return Requalification(**(stated | changes))


def judged(frame: pd.DataFrame, **changes: Any) -> MoveFindings:
    return judge_move(asked(**changes), rb.read_results(frame, columns={c: c for c in frame.columns}))


def page(frame: pd.DataFrame, **changes: Any) -> Outcome:
    return requalify_rig(asked(**changes), rb.read_results(frame, columns={c: c for c in frame.columns}))


def test_the_farthest_set_is_that_of_least_squares_within_rig_and_phase() -> None:
    """Internally scaled residuals and the shape test of statsmodels and scipy."""
    frame = table(ONCE)
    fit = smf.ols("result ~ C(rig) * C(phase)", frame).fit()
    scaled = fit.get_influence().resid_studentized_internal
    (found,) = judged(frame).residuals
    assert found.sets == 24
    assert found.farthest == frame["pad_set"][int(np.argmax(np.abs(scaled)))]
    assert found.distance == pytest.approx(np.abs(scaled).max(), rel=1e-9)
    # Five digits: the p value of this test differs beyond them from one version of scipy to the next.
    assert found.p_shape == pytest.approx(stats.shapiro(scaled).pvalue, rel=5e-5)


def test_the_trend_in_time_is_that_of_least_squares_beside_rig_and_phase() -> None:
    frame = table(ONCE)
    frame["place"] = frame["run_order"].rank()
    fit = smf.ols("result ~ C(rig) * C(phase) + place", frame).fit()
    assert judged(frame).residuals[0].p_trend == pytest.approx(fit.pvalues["place"], rel=1e-7)


def test_an_odd_set_is_noted_and_offsets_between_rigs_or_phases_are_not() -> None:
    plain = page(table(ONCE))
    assert not [note for note in plain.notes if note.kind is NoteKind.ASSUMPTION]
    assert any("no clear outlier" in text for text in plain.evidence)
    frame = table(ONCE)
    frame.loc[frame["pad_set"] == "Mafter2", "result"] += 0.03
    outcome = page(frame)
    assert "residuals" in [one.key for one in outcome.tables]
    (note,) = [note for note in outcome.notes if note.kind is NoteKind.ASSUMPTION and "Mafter2" in note.text]
    assert "standard deviations out" in note.text


def test_residuals_are_taken_within_visits_where_they_hold_several_sets() -> None:
    frame = table(ONCE)
    odd = frame["pad_set"].str[-1].astype(int) % 2
    frame["visit"] = odd.astype(str)
    frame["result"] += 0.05 * odd
    fit = smf.ols("result ~ C(rig) * C(phase) * C(visit)", frame).fit()
    scaled = np.abs(fit.get_influence().resid_studentized_internal)
    assert judged(frame).residuals[0].distance == pytest.approx(scaled.max(), rel=1e-9)


@pytest.mark.parametrize("analysis", list(Analysis))
def test_wear_of_sets_that_ran_twice_is_the_paired_t_test(analysis: Analysis) -> None:
    """Two runs of every set: the trend is the mean difference of the pairs, by scipy's paired test."""
    frame = table(TWICE, wear=0.0005)
    value = np.log(frame["result"]) if analysis is Analysis.RATIO else frame["result"]
    pairs = (
        frame.assign(value=value).sort_values("run_order").groupby("pad_set")["value"].agg(["first", "last"])
    )
    wanted = stats.ttest_rel(pairs["last"], pairs["first"])
    wear = judged(frame, analysis=analysis).wear
    assert wear is not None
    (trend,) = wear.trends
    assert trend.sets == 24
    assert trend.slope == pytest.approx((pairs["last"] - pairs["first"]).mean(), rel=1e-6)
    assert trend.p == pytest.approx(wanted.pvalue, rel=1e-4)
    low, high = wanted.confidence_interval(0.95)
    assert (trend.lower, trend.upper) == pytest.approx((low, high), rel=1e-4)
    assert not wear.unlike


def test_wear_that_lies_alike_on_all_rigs_is_said_to_cancel() -> None:
    frame = table(TWICE, wear=0.004)
    pairs = frame.sort_values("run_order").groupby("pad_set")["result"].agg(["first", "last"])
    size = f"{(pairs['last'] - pairs['first']).mean():+.4f}"
    outcome = page(frame)
    (shown,) = [one for one in outcome.tables if one.key == "wear"]
    assert "it cancels" in shown.remarks[0]
    assert any(f"Sets change from run to run: result {size}" in text for text in outcome.evidence)
    assert not any("wear of the sets is part of" in text for text in outcome.cannot_tell)
    assert not any("wear of the sets" in note.text for note in outcome.notes)


def test_no_clear_wear_is_said_as_well() -> None:
    assert any("no clear wear" in text for text in page(table(TWICE)).evidence)


def test_wear_that_is_part_of_the_shift_is_named_with_its_size() -> None:
    """Three runs of each set after the move, one of the others: mean places 2 and 1, so one run's wear is in it."""
    frame = table(ONCE | {("M", "after"): 3}, wear=0.004)
    wear = judged(frame).wear
    assert wear is not None
    assert wear.unlike == {"result": pytest.approx(1.0)}
    assert wear.part_of_the_shift["result"] == pytest.approx(0.004, abs=0.001)
    outcome = page(frame)
    assert any("wear of the sets is part of the shift in result" in text for text in outcome.cannot_tell)
    cautions = [note.text for note in outcome.notes if note.kind is NoteKind.CAUTION]
    assert any(f"about result {wear.part_of_the_shift['result']:+.4f}" in text for text in cautions)


def test_sets_that_ran_once_show_no_wear() -> None:
    assert judged(table(ONCE)).wear is None
    assert "wear" not in [one.key for one in page(table(ONCE)).tables]


def test_runs_without_an_order_are_said_to_show_no_wear() -> None:
    frame = table(TWICE, wear=0.004).drop(columns="run_order")
    outcome = page(frame)
    assert "wear" not in [one.key for one in outcome.tables]
    assert any("the order of their runs is not recorded" in text for text in outcome.cannot_tell)


def test_sets_run_once_in_each_phase_are_not_a_trend_within_a_phase() -> None:
    frame = table(ONCE)
    frame["pad_set"] = frame["pad_set"].str.replace("before|after", "", regex=True)
    assert judged(frame).wear is None
