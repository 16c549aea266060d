"""Layouts that a plan offers beyond the even ones: fewer sets of one level, sets that stay, what the search finds."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

import repeatab as rb
from repeatab.base.margin import Margin, MarginUnit
from repeatab.jobs.correlation_check import check_correlation
from repeatab.jobs.lots.question import LotComparison, LotSection
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions, SectionBelief
from repeatab.jobs.questions import CorrelationCheck, RunCost, Section
from repeatab.outcome.verdict import Verdict
from repeatab.planning.beliefs import ScatterBelief
from repeatab.planning.cost import HourCosts, Limits
from repeatab.planning.layouts import LayoutKind
from repeatab.study.plan_part import PlanPart

MARGIN = Margin(size=5, unit=MarginUnit.PERCENT)
OPTIONS = PlanOptions(costs=HourCosts(run=5.0, set=1.0), seconds=0.3, rigs=("R1", "R2"), most_sets=14)
LOTS = LotComparison(
    lots=("L2", "L3"), reference_lot="L1", sections=(LotSection(name="cold", margin=MARGIN),)
)


def beliefs(**sds):
    scatter = {name: ScatterBelief(sd=sd, df=20.0) for name, sd in sds.items()}
    return PlanBeliefs(common=SectionBelief(level=0.4, scatter=scatter))


@pytest.fixture(scope="module")
def scarce():
    options = replace(OPTIONS, limits=Limits(sets_of={"L3": 4}))
    return rb.plan_runs(LOTS, beliefs=beliefs(pad_set=0.006), options=options)


def test_a_lot_with_few_sets_at_hand_is_met_by_more_of_the_others(scarce):
    plans = scarce.table("plans").to_frame()
    each = [tuple(map(int, text.split(", "))) for text in plans["each"]]
    assert max(third for _, third, _ in each) == 4
    assert any(third < first for first, third, _ in each)
    sheet = scarce.table("run_sheet").to_frame()
    sets = sheet.groupby("pad_lot")["pad_set"].nunique()
    assert sets["L3"] <= 4
    # Every lot runs on both rigs, as evenly as its number allows.
    cells = Counter(zip(sheet["pad_lot"], sheet["rig"], strict=True))
    assert all(abs(cells[lot, "R1"] - cells[lot, "R2"]) <= 2 for lot in ("L1", "L2", "L3"))


def test_the_search_gives_a_shared_reference_more_sets_than_each_of_the_others(scarce):
    # Dunnett (1955): the reference of k comparisons is worth sqrt(k) sets of each of them.
    plans = scarce.table("plans").to_frame()
    found = plans[plans["layout"].str.contains("search")]
    assert not found.empty
    for text in found["each"]:
        second, third, first = map(int, text.split(", "))
        assert first > third
        assert first >= second


def test_sets_that_stay_on_their_rig_are_repeated_there_and_never_moved():
    question = CorrelationCheck(
        rigs=("R2",), reference_rig="R1", sections=(Section(name="cold", margin=MARGIN),)
    )
    options = replace(OPTIONS, limits=Limits(stays=True))
    outcome = rb.plan_runs(question, beliefs=beliefs(pad_set=0.004, repeatability=0.006), options=options)
    assert not set(outcome.table("plans").to_frame()["layout"]) & {
        LayoutKind.CROSSOVER.value, LayoutKind.CROSSED.value,
    }  # fmt: skip
    assert outcome.table("run_sheet").to_frame().groupby("pad_set")["rig"].nunique().max() == 1
    assert any("stays on the rig" in sentence for sentence in outcome.evidence)


def part(**changes):
    return PlanPart.model_validate(
        {"hours_per_run": 5, "level": 0.4, "scatter": {"pad_set": {"sd": 0.006}}, **changes}
    )


def test_the_study_file_says_what_a_set_bears_and_what_each_lot_has():
    limits = part(sets_at_hand={"L1": 20, "L2": 6}, runs_per_set=3, sets_stay=True).options().limits
    assert (limits.sets, dict(limits.sets_of), limits.runs_per_set, limits.stays) == (
        None, {"L1": 20, "L2": 6}, 3, True,
    )  # fmt: skip
    assert part(sets_at_hand=9, used_up=True).options().limits == Limits(sets=9, runs_per_set=1)
    with pytest.raises(
        ValidationError, match=r"plan\.used_up: is true, so a set runs once, but plan\.runs_per_set is 3"
    ):
        part(used_up=True, runs_per_set=3)


def test_after_an_undecided_check_new_sets_go_first_to_the_rig_that_has_fewer():
    rng = np.random.default_rng(7)
    rows = [
        {"rig": rig, "pad_set": f"{rig}{i}", "run": f"{rig}{i}", "section": "cold",
         "mu": 0.4 + 0.008 * rng.standard_normal()}
        for rig, sets in (("R1", 9), ("R2", 4)) for i in range(sets)
    ]  # fmt: skip
    results = rb.read_results(
        pd.DataFrame(rows),
        columns={"result": "mu"} | {role: role for role in ("rig", "pad_set", "run", "section")},
    )
    small = Margin(size=0.006, unit=MarginUnit.ABSOLUTE)
    question = CorrelationCheck(
        rigs=("R2",), reference_rig="R1", sections=(Section(name="cold", margin=small),),
        cost=RunCost(hours_per_set=5.0, sets_at_hand=30),
    )  # fmt: skip
    found = check_correlation(question, results)
    assert found.headline.verdict is Verdict.UNDECIDED
    table = found.next_runs.table.to_frame()
    known = table.dropna(subset=["sets"])
    assert not known.empty
    for _, row in known.iterrows():
        assert row["further"] == row["sets"] - 4
        assert row["beside"] == max(0, row["sets"] - 9)
        assert row["hours"] == 5.0 * (row["further"] + row["beside"])
        # Thirty sets in all: never more.
        assert row["further"] + row["beside"] <= 30
    assert " of R2" in found.next_runs.sentence
