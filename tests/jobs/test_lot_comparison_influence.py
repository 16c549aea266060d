"""Influence of single sets and patterns of residuals: against leaving the set out of the data, and against scipy and
statsmodels. Invented data.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.margin import Margin, MarginUnit
from repeatab.jobs.lot_comparison import compare_lots

ROOT = Path(__file__).parents[2]
FIVE = Margin(size=5, unit=MarginUnit.PERCENT)


def lots(*, seed: int = 5, sets: int = 5, odd: float = 0.0) -> pd.DataFrame:
    """Three lots on two rigs; the first set of L2 reads higher by `odd`; one set in three ran twice."""
    rng = np.random.default_rng(seed)
    rows = []
    for lot in ("L1", "L2", "L3"):
        for rig in ("R1", "R2"):
            for i in range(sets):
                own = 0.4 + 0.01 * (rig == "R2") + rng.normal(0, 0.005)
                own += odd if (lot, rig, i) == ("L2", "R1", 0) else 0.0
                for run in range(2 if i % 3 == 0 else 1):
                    rows.append(
                        (
                            lot,
                            rig,
                            f"{rig}-{i}",
                            own + rng.normal(0, 0.003),
                            f"2026-06-{i + 1 + 10 * run:02d}",
                        )
                    )
    return pd.DataFrame(rows, columns=["pad_lot", "rig", "pad_set", "mu", "time"]).assign(
        run=lambda f: range(len(f))
    )


def compare(frame: pd.DataFrame, **more):
    return compare_lots(
        frame, lots=["L2", "L3"], reference="L1", margin=FIVE, result="mu", rig="rig", run="run",
        remove_wear=False, **more,
    )  # fmt: skip


def test_leaving_a_set_out_is_the_same_as_not_having_it():
    """Every extreme offset of the table is that of the study without that set."""
    frame = lots()
    table = compare(frame).table("influence").to_frame()
    assert table["sets"].tolist() == [20, 20]
    for _, row in table.iterrows():
        for end in ("lowest", "highest"):
            lot, label = row[f"{end}_without"].split(" / ")
            left = frame[(frame["pad_lot"] != lot) | (frame["pad_set"] != label)]
            numbers = dict(compare(left).numbers)
            found = 100 * (numbers[f"result, {row['pair']}: estimate"] - 1)
            assert row[end] == pytest.approx(found, rel=1e-6, abs=1e-9)


def test_a_set_that_carries_a_difference_is_named_and_kept():
    frame = lots(seed=8, odd=0.25)
    outcome = compare(frame)
    plain = compare(lots(seed=8))
    row = outcome.table("influence").to_frame().iloc[0]
    assert row["changed"] == "equivalent without L2 / R1-0"
    assert "L2 / R1-0" in outcome.table("residuals").to_frame()["farthest"].tolist()
    assert any("L2 / R1-0 lies" in note.text for note in outcome.notes)
    assert len(outcome.table("runs").rows) == len(plain.table("runs").rows)
    assert outcome.table("runs").rows == plain.table("runs").rows


def test_a_verdict_that_no_set_carries_is_said_to_stand():
    frame = lots(seed=8)
    frame.loc[frame["pad_lot"] != "L1", "mu"] += 0.08
    outcome = compare(frame)
    assert any("No verdict rests on a single pad set" in sentence for sentence in outcome.evidence)
    assert set(outcome.table("influence").to_frame()["changed"]) == {"never"}


def test_a_lot_left_with_one_set_is_undecided_without_the_other():
    frame = lots(seed=8)
    kept = (frame["pad_lot"] != "L2") | frame["pad_set"].isin(["R1-1", "R1-2", "R2-1"])
    table = compare(frame[kept]).table("influence").to_frame()
    assert table["sets"].tolist() == [13, 20]


def test_the_correlation_check_shows_the_same_table():
    outcome = rb.run_study(rb.load_study(ROOT / "studies" / "crossover_correlation.toml"))
    table = outcome.table("influence").to_frame()
    assert table["sets"].tolist() == [10, 10, 10, 10]


# --- residuals ---------------------------------------------------------------------------------------------------


def test_residuals_agree_with_ordinary_least_squares_and_shapiro():
    import statsmodels.formula.api as smf

    frame = lots(seed=9)
    frame = frame[~frame.duplicated(["pad_lot", "pad_set"])].reset_index(drop=True)
    row = compare(frame, time="time").table("residuals").to_frame().iloc[0]
    fit = smf.ols("mu ~ C(pad_lot) + C(rig)", frame).fit()
    scaled = fit.get_influence().resid_studentized_internal
    far = frame.loc[np.argmax(np.abs(scaled))]
    assert row["farthest"] == f"{far['pad_lot']} / {far['pad_set']}"
    assert row["distance"] == pytest.approx(np.abs(scaled).max(), rel=1e-9)
    # Bonferroni over the outside-studentised residuals, as statsmodels has it.
    worst = fit.outlier_test(method="bonf")["bonf(p)"].min()
    assert row["p_farthest"] == pytest.approx(worst, rel=1e-9)
    assert row["p_shape"] == pytest.approx(stats.shapiro(scaled).pvalue, rel=1e-3)
    day = pd.to_datetime(frame["time"]).rank(method="dense")
    trend = smf.ols("mu ~ C(pad_lot) + C(rig) + day", frame.assign(day=day)).fit()
    assert row["p_trend"] == pytest.approx(trend.pvalues["day"], rel=1e-7)
