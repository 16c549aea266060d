"""Run lengths where residuals are charted: a shift that fades from the second visit on. Invented data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.control.rules import PUBLISHED_RULES
from repeatab.control.run_length import residual_run_length
from repeatab.jobs.charts.question import Residuals
from repeatab.outcome.outcome import Outcome


def wandering(*, carry=0.75, rigs=("R1",), visits=40, seed=6):
    rng = np.random.default_rng(seed)
    rows = []
    for rig in rigs:
        level = 0.0
        for month in range(visits):
            level = carry * level + rng.normal(0, 0.004)
            day = str(pd.Timestamp("2020-01-15") + pd.DateOffset(months=month))[:10]
            rows.append((rig, day, 0.4 + level))
    return pd.DataFrame(rows, columns=["rig", "date", "mu"])


def chart(frame, **options) -> Outcome:
    # Below 20 base visits nothing is worked out on what estimated limits cost, which is not the question here.
    options = {"base": rb.BasePeriod(visits=18), "residuals": Residuals.ALWAYS} | options
    return rb.control_chart(frame, result="mu", time="date", **options)


def lengths(outcome):
    return outcome.table("run_lengths").to_frame().set_index("chart")


def test_a_chart_of_residuals_has_run_lengths_of_its_own():
    ewma, cusum = rb.Ewma(weight=0.2, limit=2.86), rb.Cusum(reference=0.5, decision=4.77)
    frame = wandering()
    outcome, points = (
        chart(frame, ewma=ewma, cusum=cusum, residuals=kind) for kind in (Residuals.ALWAYS, Residuals.NEVER)
    )
    found, plain = lengths(outcome), lengths(points)
    carry = outcome.table("neighbours").to_frame()["carry"].iloc[0]
    of_them = f", residuals of R1, result (carry-over {carry:.2f})"
    assert set(found.index) - set(plain.index) == {
        f"{name}{of_them}" for name in ("limits", str(ewma), str(cusum))
    }
    # Closed form: a first point with the whole shift, later ones with 1 − carry of it, in SD of the residuals.
    for shift in (0.5, 1.0, 3.0):
        full = shift / np.sqrt(1 - carry**2)
        once, later = (stats.norm.sf(3 - d) + stats.norm.cdf(-3 - d) for d in (full, (1 - carry) * full))
        # Printed with four digits.
        assert found.loc[f"limits{of_them}", f"shift_{shift:g}"] == pytest.approx(
            1 + (1 - once) / later, rel=1e-3
        )
        expected = residual_run_length(cusum, carry=carry, shift=shift)
        assert found.loc[f"{cusum}{of_them}", f"shift_{shift:g}"] == pytest.approx(expected, rel=1e-3)
    # A chart of residuals gives false alarms as any other; beside it the same rows stand as without residuals.
    assert found.loc[f"limits{of_them}", "in_control"] == plain.loc["limits", "in_control"]
    pd.testing.assert_frame_equal(found.loc[plain.index], plain)


def test_the_sentences_say_how_soon_a_shift_is_found_there():
    outcome = chart(wandering())
    text = next(text for text in outcome.evidence if "residuals are charted" in text)
    carry = outcome.table("neighbours").to_frame()["carry"].iloc[0]
    assert f"In R1, result residuals are charted (carry-over {carry:.2f})" in text
    assert f"and then {1 - carry:.2f} times" in text
    months = residual_run_length(rb.Shewhart(), carry=carry, shift=1.0)  # one visit a month
    assert f"found there after about {float(f'{months:.2g}'):.0f} months by limits." in text
    remarks = outcome.table("run_lengths").remarks
    assert any("in full in the first residual" in one for one in remarks)
    plain = chart(wandering(carry=0.0), residuals=Residuals.NEVER)
    assert not any("residual" in one for one in (*plain.evidence, *plain.table("run_lengths").remarks))


def test_of_many_series_the_four_that_carry_over_most_are_shown():
    rigs = tuple(f"R{i}" for i in range(1, 7))
    # So long a base that a wander is not taken for a trend on any of them.
    frame, base = wandering(rigs=rigs, visits=70), rb.BasePeriod(visits=50)
    outcome = chart(frame, base=base)
    carries = outcome.table("neighbours").to_frame().set_index("rig")["carry"]
    shown = [name for name in lengths(outcome).index if "residuals of" in name]
    most = carries.abs().sort_values(ascending=False).index[:4]
    assert [name.split("residuals of ")[1].split(",")[0] for name in shown] == list(most)
    assert any("2 further such series" in one for one in outcome.table("run_lengths").remarks)
    # Two are named in the sentence, and the false alarms of the laboratory count every series once.
    assert sum("residuals are charted" in part for part in outcome.evidence[1].split(". ")) == 2
    alone = chart(frame, base=base, residuals=Residuals.NEVER)
    assert outcome.evidence[1].split("together: ")[1] == alone.evidence[1].split("together: ")[1]


def test_rules_about_rises_and_falls_are_computed_for_the_asked_shift_only():
    trend = PUBLISHED_RULES["six rising or falling"]
    outcome = chart(wandering(), shewhart=rb.Shewhart(rules=(trend,)), shift=1.5)
    row = lengths(outcome).filter(like="residuals of", axis=0).iloc[0]
    carry = outcome.table("neighbours").to_frame()["carry"].iloc[0]
    expected = residual_run_length(rb.Shewhart(rules=(trend,)), carry=carry, shift=1.5)
    assert row["shift_1.5"] == pytest.approx(expected, rel=1e-3)
    assert row[["shift_0.5", "shift_1", "shift_2", "shift_3"]].isna().all()
