"""Plans of lot comparisons and reference charts; several rigs at once."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.margin import Margin, MarginUnit
from repeatab.control.estimated_limits import estimated_limits
from repeatab.jobs.charts.question import BasePeriod, ChartedSection, ControlChart
from repeatab.jobs.lots.question import LotComparison, LotSection
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions, SectionBelief
from repeatab.jobs.questions import CorrelationCheck, Section
from repeatab.planning.beliefs import ScatterBelief
from repeatab.planning.cost import HourCosts

MARGIN = Margin(size=5, unit=MarginUnit.PERCENT)
OPTIONS = PlanOptions(costs=HourCosts(run=5.0), seconds=1.0, operators=("ann", "bo"), rigs=("R1", "R2"))


def beliefs(**sds):
    scatter = {name: ScatterBelief(sd=sd, df=12.0) for name, sd in sds.items()}
    return PlanBeliefs(common=SectionBelief(level=0.4, scatter=scatter))


def test_lots_are_compared_on_fresh_sets_spread_over_the_rigs():
    question = LotComparison(
        lots=("L2",), reference_lot="L1", sections=(LotSection(name="cold", margin=MARGIN),)
    )
    outcome = rb.plan_runs(question, beliefs=beliefs(pad_set=0.006), options=OPTIONS)
    assert sum("scatter of repeats is not stated" in sentence for sentence in outcome.evidence) == 2
    assert all("every lot" in words for words in outcome.table("plans").to_frame()["layout"])
    sheet = outcome.table("run_sheet").to_frame()
    cells = Counter(zip(sheet["pad_lot"], sheet["rig"], strict=True))
    assert len(cells) == 4
    assert max(cells.values()) - min(cells.values()) <= 1
    # A place in the lot is a place in the set's own lot.
    for _, own in sheet.groupby("pad_lot"):
        assert sorted(own["position_in_lot"]) == list(range(1, len(own) + 1))


def test_three_rigs_bring_incomplete_layouts_and_a_stricter_rate():
    question = CorrelationCheck(
        rigs=("R2", "R3"), reference_rig="R1", sections=(Section(name="cold", margin=MARGIN),)
    )
    options = PlanOptions(costs=HourCosts(run=5.0), seconds=0.5, most_sets=10)
    outcome = rb.plan_runs(question, beliefs=beliefs(pad_set=0.010, repeatability=0.004), options=options)
    layouts = set(outcome.table("plans").to_frame()["layout"])
    assert "each set on some of the rigs, balanced over sets" in layouts
    assert set(outcome.table("run_sheet").to_frame()["rig"]) == {"R1", "R2", "R3"}


def test_a_base_period_is_as_good_as_its_estimated_limits():
    question = ControlChart(sections=(ChartedSection(name="cold"),), base=BasePeriod(visits=20), rigs=("R1",))
    options = PlanOptions(costs=HourCosts(run=5.0), target=0.6)
    outcome = rb.plan_runs(question, beliefs=beliefs(pad_set=0.006, visit=0.003), options=options)
    chosen = outcome.table("plans").to_frame().query("note == 'recommended'").iloc[0]
    expected = estimated_limits(question.shewhart, base=int(chosen["base"]), df=float(chosen["base"] - 1))
    assert chosen["kept"] == pytest.approx(1 - expected.below_half)
    assert chosen["kept"] >= 0.6
    # A shift of one standard deviation: 43.9 points (Montgomery 2013, Introduction to Statistical Quality Control,
    # section 5.3.2, average run length of the three-sigma chart).
    assert chosen["points"] == pytest.approx(43.9, abs=0.05)
    assert len(outcome.table("run_sheet").rows) == chosen["base"]


def test_run_lengths_out_of_control_are_those_of_simulated_charts():
    question = ControlChart(sections=(ChartedSection(name="cold"),), base=BasePeriod(visits=20), rigs=("R1",))
    options = PlanOptions(costs=HourCosts(run=5.0), target=0.6)
    outcome = rb.plan_runs(question, beliefs=beliefs(pad_set=0.006, visit=0.003), options=options)
    base = int(dict(outcome.numbers)["base"])
    table = outcome.table("run_lengths").to_frame().set_index("shift")
    # Charts with limits from so many base points, drawn by numpy: points until half of them have signalled.
    rng = np.random.default_rng(6)
    points = rng.standard_normal((4000, base))
    centre, sd = points.mean(axis=1), points.std(axis=1, ddof=1)
    for shift in (1.5, 3.0):
        beyond = stats.norm.sf(centre + 3 * sd - shift) + stats.norm.cdf(centre - 3 * sd - shift)
        signalled = [1 - np.mean((1 - beyond) ** t) for t in range(1, 200)]
        half = 1 + int(np.searchsorted(signalled, 0.5))
        assert abs(table.loc[shift, "half"] - half) <= 1 + 0.1 * half
    assert table["size"].to_numpy() == pytest.approx(table.index.to_numpy() * np.hypot(0.006, 0.003))
    # Uncertain scatter costs points: the run length is convex in the scatter.
    plans = outcome.table("plans").to_frame()
    assert (plans["expected"] > plans["points"]).all()
