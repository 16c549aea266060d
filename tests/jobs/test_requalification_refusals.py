"""Slips of a lab in a requalification: each a clear message that names what was found and what to do."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

import repeatab as rb
from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.outcome.verdict import Verdict


def table(sets: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    return pd.DataFrame(
        [
            {"rig": rig, "phase": phase, "pad_set": f"{rig}{phase}{i}", "pad_lot": "RL-1",
             "time": f"2026-0{month}-0{i + 1}", "result": 0.40 + 0.004 * rng.standard_normal()}
            for rig in ("M", "C", "D")
            for phase, month in (("before", 1), ("after", 3))
            for i in range(sets)
        ]
    )  # fmt: skip


def requalify(frame: pd.DataFrame, **changes: Any) -> Any:
    stated: dict[str, Any] = {
        "moved_rig": "M", "control_rigs": ("C",), "margin": 0.02, "repeatability_limit": 2.0,
        "level_burden": "must be shown", "repeatability_burden": "must not be contradicted",
        "pad_lot": "pad_lot", "time": "time",
    }  # fmt: skip
    return rb.requalify(frame, **(stated | changes))


def refusal(frame: pd.DataFrame, **changes: Any) -> str:
    with pytest.raises(StudyError) as caught:
        requalify(frame, **changes)
    return str(caught.value)


@pytest.mark.parametrize(
    ("changes", "parts"),
    [
        ({"moved_rig": "N"}, ("moved_rig", "'N'", "'M'")),
        ({"control_rigs": ("Q",)}, ("control_rigs", "'Q'")),
        ({"sister_rig": "Q", "sister_burden": "must be shown", "sister_margin": 0.02}, ("sister_rig", "'Q'")),
        ({"control_rigs": ("M",)}, ("control_rigs", "'M'", "stayed")),
        ({"control_rigs": ("C", "C")}, ("control_rigs", "twice")),
        ({"after": "later"}, ("phase", "'later'", "'after'")),
        ({"after": "before"}, ("before, after", "'before'", "different")),
        ({"repeatability_limit": 0.9}, ("repeatability_limit", "0.9", "above 1")),
        ({"level_burden": "shown"}, ("burden", "'shown'", "'must be shown'")),
        ({"sister_rig": "C", "sister_margin": 0.02}, ("burdens.sister", "is missing")),
        ({"sister_burden": "must be shown"}, ("burdens.sister", "sister_rig")),
        ({"looks": (6, 3)}, ("looks", "rising")),
        ({"nothing_else_changed": "quick move"}, ("nothing_else_changed", "control rigs")),
        ({"margin": 5.0}, ("margin", "larger than the results", "percentage")),
        ({"margin": -0.02}, ("margin", "positive")),
        ({"margin": 0.0}, ("margin", "positive")),
        ({"ordinary_drift": -0.1}, ("ordinary_drift", "zero or more")),
    ],
)  # fmt: skip
def test_what_the_study_says_wrong(changes: dict[str, Any], parts: tuple[str, ...]) -> None:
    text = refusal(table(), **changes)
    for part in parts:
        assert part in text


def test_a_control_that_is_missing_in_one_phase() -> None:
    frame = table().query("not (rig == 'C' and phase == 'after')")
    text = refusal(frame)
    for part in ("'C'", "control", "'after'", "leave it out of control_rigs"):
        assert part in text


def test_the_moved_rig_missing_in_one_phase() -> None:
    text = refusal(table().query("not (rig == 'M' and phase == 'before')"))
    for part in ("'M'", "moved rig", "'before'"):
        assert part in text


def test_a_control_on_another_lot() -> None:
    frame = table()
    frame.loc[(frame["rig"] == "C") & (frame["phase"] == "after"), "pad_lot"] = "RL-2"
    text = refusal(frame)
    for part in ("'C'", "'RL-2'", "'RL-1'", "same lot", "control_rigs"):
        assert part in text


def test_another_lot_after_the_move() -> None:
    frame = table()
    frame.loc[frame["phase"] == "after", "pad_lot"] = "RL-2"
    text = refusal(frame)
    for part in ("'M'", "'RL-1'", "'RL-2'", "one lot in both phases"):
        assert part in text


def test_phases_that_overlap_in_time() -> None:
    frame = table()
    frame.loc[(frame["rig"] == "C") & (frame["pad_set"] == "Cbefore2"), "time"] = "2026-03-20"
    text = refusal(frame)
    for part in ("overlap in time", "'Cbefore2'", "2026-03-20", "2026-03-01", "Correct"):
        assert part in text


def test_no_phase_column() -> None:
    results = rb.read_results(table(), columns={"result": "result", "rig": "rig", "pad_set": "pad_set"})
    with pytest.raises(StudyError, match="no column for 'phase'"):
        requalify(results)


def test_a_sister_that_did_not_run_after_the_move() -> None:
    frame = table().query("not (rig == 'D' and phase == 'after')")
    text = refusal(frame, sister_rig="D", sister_burden="must be shown", sister_margin=0.02)
    for part in ("sister_rig", "'D'", "'after'"):
        assert part in text


def test_one_set_after_the_move_decides_nothing() -> None:
    frame = table()
    single = frame[~((frame["rig"] == "M") & (frame["phase"] == "after") & (frame["pad_set"] != "Mafter0"))]
    outcome = requalify(single, level_burden="must not be contradicted")
    assert outcome.headline.verdict is Verdict.UNDECIDED
    reasons = " ".join(judgement.reason for judgement in outcome.judgements)
    assert "Run more pad sets" in reasons or "Run more sets" in reasons


def test_a_rig_that_is_neither_moved_nor_control_is_said_to_take_no_part() -> None:
    outcome = requalify(table())
    assert any("'D'" in text and "no part" in text for text in outcome.cannot_tell)


def test_a_percent_margin_of_a_hundred_is_refused() -> None:
    with pytest.raises(StudyError, match="less than 100"):
        requalify(table(), margin=Margin(size=100, unit=MarginUnit.PERCENT))
