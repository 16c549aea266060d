"""The demo round robin end to end: what was put into its data is found, and the truth lies inside the intervals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from repeatab.outcome.figures import (
    ConsistencyByLaboratory,
    PairsOfLevels,
    PrecisionByLevel,
    ResultsByLaboratory,
    WearOfSets,
)
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.serialise import to_json_bytes
from repeatab.outcome.verdict import Verdict
from repeatab.run import run_study
from repeatab.study.loading import load_study

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return json.loads((ROOT / "demo_data" / "round_robin.truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def outcome() -> Outcome:
    return run_study(load_study(ROOT / "studies" / "round_robin.toml"))


def test_the_laboratory_that_reads_high_is_called(outcome: Outcome) -> None:
    verdicts = {one.subject: one.verdict for one in outcome.judgements if one.decides}
    assert verdicts.pop("L05") is Verdict.ACTION_SIGNAL
    assert set(verdicts.values()) == {Verdict.ACCEPTABLE}
    assert outcome.headline.verdict is Verdict.DESCRIBED


def test_the_ragged_one_and_the_straggler_are_found_where_they_were_put(
    outcome: Outcome, truth: dict[str, Any]
) -> None:
    steps = outcome.table("outlier_tests").to_frame().query("branch == 'all cells' and test == 'Cochran'")
    found = steps.set_index("level")[["laboratory", "decision"]]
    messy = {entry["what"]: entry for entry in truth["messy"]}
    for level in ("A", "C", "D"):
        assert found.loc[level].tolist() == [messy["ragged"]["laboratory"], "statistical outlier"]
    # The truth file: the statistic of material B lies between its 5 % and 1 % critical values.
    assert found.loc[messy["straggler"]["material"]].tolist() == ["L03", "straggler"]


def test_the_missing_cell_is_missing_and_counted(outcome: Outcome) -> None:
    cells = outcome.table("consistency").to_frame()
    assert len(cells) == 31
    assert cells.query("laboratory == 'L07' and level == 'B'").empty
    assert any("1 cell missing" in sentence for sentence in outcome.evidence)


def test_wear_lies_inside_its_interval(outcome: Outcome, truth: dict[str, Any]) -> None:
    for row in outcome.table("drift").to_frame().itertuples():
        assert row.lower < truth["wear_per_run"][row.level] < row.upper
        assert row.handled == "taken out"


def test_assigned_values_are_near_the_level_at_the_first_visit(
    outcome: Outcome, truth: dict[str, Any]
) -> None:
    """Results are taken back to run 2 of the set; a robust mean of eight laboratories lies within 3 of its u."""
    for row in outcome.table("assigned_values").to_frame().itertuples():
        expected = truth["level_of_the_new_set"][row.level] + 2 * truth["wear_per_run"][row.level]
        assert abs(row.value - expected) < 3 * row.u


def test_robust_and_excluding_repeatability_is_near_the_truth(
    outcome: Outcome, truth: dict[str, Any]
) -> None:
    """With 14 degrees of freedom 99.9 % of s_r lie within 0.44 and 1.65 times the truth (chi-square)."""
    frame = outcome.table("precision").to_frame().query("analysis == 'with exclusion'").set_index("level")
    for level in ("A", "C", "D"):
        assert 0.44 < frame.loc[level, "s_r"] / truth["s_r"][level] < 1.65


def test_every_figure_is_there(outcome: Outcome) -> None:
    kinds = {type(figure) for figure in outcome.figures}
    assert kinds == {
        ResultsByLaboratory, ConsistencyByLaboratory, PairsOfLevels, PrecisionByLevel, WearOfSets,
    }  # fmt: skip
    assert all(figure.reading for figure in outcome.figures)


def test_there_is_a_page_for_each_laboratory_and_the_outcome_repeats(outcome: Outcome) -> None:
    assert [one.code for one in outcome.participants] == [f"P0{i}" for i in range(1, 9)]
    again = run_study(load_study(ROOT / "studies" / "round_robin.toml"))
    assert to_json_bytes(again) == to_json_bytes(outcome)
