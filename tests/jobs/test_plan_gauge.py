"""Plans of gauge studies and round robins: layouts and what they mix, chances by section, widths in numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.errors import StudyError
from repeatab.jobs.gauge_study import run_gauge_study
from repeatab.jobs.plans.comparison import planned_results
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions, SectionBelief
from repeatab.jobs.questions import AcceptanceBands, GaugeStudy, GaugeStudySection, Tolerance
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.planning.beliefs import ScatterBelief
from repeatab.planning.cost import HourCosts, Limits
from repeatab.planning.layouts import LayoutKind
from repeatab.planning.precision_plans import uncertainty_of_reproducibility

OPTIONS = PlanOptions(
    costs=HourCosts(run=5.0, set=1.0, change_over=0.5), seconds=0.3, limits=Limits(rigs=3, hours=100)
)
SCATTER = {"rig": 0.003, "pad_set": 0.012, "rig_by_pad_set": 0.001, "repeatability": 0.003}
WIDE = Tolerance(lower=0.3, upper=0.5)
QUESTION = GaugeStudy(
    sections=tuple(GaugeStudySection(name=name, tolerance=WIDE) for name in ("cold", "fade")),
    bands=AcceptanceBands(conditional=60),
)


def beliefs(df=10.0, **changes):
    scatter = {name: ScatterBelief(sd=sd, df=df) for name, sd in (SCATTER | changes).items()}
    return PlanBeliefs(common=SectionBelief(level=0.4, scatter=scatter))


@pytest.fixture(scope="module")
def plan():
    return rb.plan_runs(QUESTION, beliefs=beliefs(), options=OPTIONS)


def recommended(outcome):
    return outcome.table("plans").to_frame().query("note == 'recommended'").iloc[0]


def test_crossed_and_nested_and_staggered_and_split_layouts_are_weighed(plan):
    plans = plan.table("plans").to_frame()
    kinds = set(plans["layout"])
    assert {LayoutKind.CROSSOVER.value, LayoutKind.SPLIT_LOT.value} <= kinds
    assert kinds & {LayoutKind.NESTED.value, LayoutKind.STAGGERED.value}
    # A set that runs on one rig only leaves its scatter inside R&R.
    own = plans["layout"].str.contains("its own sets|split")
    assert (plans["grr"].str.startswith("upper bound") == own).all()


def test_every_section_and_all_together_have_their_chance(plan):
    table = plan.table("section_chances").to_frame()
    cold, fade, both = (table.iloc[i] for i in range(3))
    for one in (cold, fade):
        judged = one[["acceptable", "conditional", "not_acceptable", "undecided"]].astype(float)
        assert judged.sum() == pytest.approx(1)
    for _, one in plan.table("section_limits").to_frame().iterrows():
        assert one["grr_lower"] < np.hypot(np.hypot(0.003, 0.001), 0.003) < one["grr_upper"]
        # 6 SD of the R&R against a tolerance of 0.2, in percent.
        assert one["tolerance_upper"] == pytest.approx(100 * 6 * one["grr_upper"] / 0.2)
    # Together less often than each, and more often than if the sections had nothing in common.
    decided = 1 - both["undecided"]
    assert decided <= min(1 - cold["undecided"], 1 - fade["undecided"])
    assert decided >= (1 - cold["undecided"]) * (1 - fade["undecided"]) - 0.05
    assert dict(plan.numbers)["decided"] == pytest.approx(decided)


def test_what_few_rigs_and_few_sets_say_comes_out_in_numbers(plan):
    widths = plan.table("scatter_widths").to_frame()
    rigs = widths[widths["varied"].str.startswith("rigs")].set_index("rigs")["factor_0"]
    # One degree of freedom: at least the chi-square limit 31.9, whatever the number of runs; with ten rigs below 2.5.
    assert rigs[2] > 1 / np.sqrt(stats.chi2.ppf(0.025, 1))
    assert rigs[10] < 2.5
    sets = widths[widths["varied"].str.startswith("sets")].set_index("sets")
    assert sets["factor_0"].min() > 1 / np.sqrt(stats.chi2.ppf(0.025, recommended(plan)["rigs"] - 1))
    # Three sets each once on two rigs: the root of the F point 39.00 with 2 and 2 degrees of freedom.
    assert sets.loc[3, "between"] == pytest.approx(np.sqrt(39.0), rel=1e-3)
    assert any(sentence.startswith("2 rigs, however many runs") for sentence in plan.evidence)
    assert any("only to a factor of 6.2 either way" in sentence for sentence in plan.evidence)


@pytest.mark.parametrize(
    ("limits", "mixed"),
    [
        (Limits(rigs=3, hours=75, stays=True), "Pad set and rig × pad set are one number"),
        (
            Limits(rigs=3, hours=75, runs_per_set=1),
            "Pad set, rig × pad set and repeatability are one number",
        ),
    ],
)
def test_sets_that_cannot_be_shared_leave_a_bound_and_the_plan_says_what_is_mixed(limits, mixed):
    outcome = rb.plan_runs(QUESTION, beliefs=beliefs(), options=replace(OPTIONS, limits=limits, seconds=0.1))
    assert any(sentence.startswith(mixed) for sentence in outcome.cannot_tell)
    assert any("upper bound, which can pass and never fail" in sentence for sentence in outcome.cannot_tell)
    plans = outcome.table("plans").to_frame()
    assert plans["grr"].str.startswith("upper bound").all()
    sheet = outcome.table("run_sheet").to_frame()
    assert sheet.groupby("pad_set")["rig"].nunique().max() == 1
    # The study finds the very mixture that the plan named.
    rng = np.random.default_rng(3)
    frame = sheet.assign(result=0.4 + 0.003 * rng.standard_normal(len(sheet))).drop(columns=["day"])
    found = run_gauge_study(QUESTION, planned_results(frame))
    assert any(mixed.split(" are")[0].lower() in str(note).lower() for note in found.notes) or any(
        mixed.split(" are")[0].lower() in sentence.lower() for sentence in found.cannot_tell
    )


def test_operators_whose_scatter_is_stated_are_part_of_the_layout():
    options = replace(OPTIONS, operators=("ann", "bo"), seconds=0.1, limits=Limits(rigs=2, hours=50))
    outcome = rb.plan_runs(QUESTION, beliefs=beliefs(operator=0.002), options=options)
    sheet = outcome.table("run_sheet").to_frame()
    sheet = sheet[sheet["section"] == "cold"]
    counts = sheet.groupby(["rig", "operator"]).size()
    assert counts.nunique() == 1
    assert any("Operators are part of the layout" in sentence for sentence in outcome.evidence)
    unstated = rb.plan_runs(QUESTION, beliefs=beliefs(), options=options)
    assert any("Their scatter is not stated" in sentence for sentence in unstated.evidence)


def test_a_gauge_study_without_rig_scatter_or_room_is_refused():
    bare = PlanBeliefs(common=SectionBelief(level=0.4, scatter={"pad_set": ScatterBelief(sd=0.01)}))
    with pytest.raises(StudyError, match="needs what is believed of 'rig' and of 'repeatability'"):
        rb.plan_runs(QUESTION, beliefs=bare, options=OPTIONS)
    with pytest.raises(StudyError, match=r"no layout can be run under the limits.*rig hours"):
        rb.plan_runs(QUESTION, beliefs=beliefs(), options=replace(OPTIONS, limits=Limits(hours=10)))


# --- round robin -----------------------------------------------------------------------------------------------


def round_beliefs(df=None):
    scatter = {"rig": ScatterBelief(sd=0.008, df=df), "repeatability": ScatterBelief(sd=0.004, df=df)}
    return PlanBeliefs(common=SectionBelief(level=0.4, scatter=scatter))


def test_a_round_robin_asks_how_well_it_has_to_be_known_and_gives_the_standard_s_uncertainty():
    open_hours = replace(OPTIONS, limits=Limits())
    with pytest.raises(StudyError, match=r"plan\.widest: is missing"):
        rb.plan_runs(RoundRobin(), beliefs=round_beliefs(), options=open_hours)
    outcome = rb.plan_runs(RoundRobin(), beliefs=round_beliefs(), options=replace(open_hours, widest=0.45))
    chosen = recommended(outcome)
    # gamma = sqrt(0.008^2 + 0.004^2) / 0.004.
    exact = uncertainty_of_reproducibility(chosen["laboratories"], chosen["results"], np.sqrt(5))
    assert [chosen["A_R"], chosen["expected"]] == pytest.approx([100 * exact] * 2)
    assert chosen["A_R"] <= 45
    assert chosen["laboratories"] >= 8


def test_uncertain_scatter_is_averaged_over_in_a_round_robin():
    options = replace(OPTIONS, limits=Limits(), widest=0.45)
    found = recommended(rb.plan_runs(RoundRobin(), beliefs=round_beliefs(df=3.0), options=options))
    rng = np.random.default_rng(8)
    # The mean of A_R over the pivots of both variances (df s^2 / chi-square), by plain simulation.
    ratio = np.sqrt(1 + 4 * rng.chisquare(3, 4000) / rng.chisquare(3, 4000))
    p, n = int(found["laboratories"]), int(found["results"])
    mean = np.mean([uncertainty_of_reproducibility(p, n, one) for one in ratio])
    assert found["expected"] == pytest.approx(100 * mean, rel=0.02)
    assert 0 < found["within"] < 1


def test_the_sheet_of_a_round_robin_holds_every_level_of_every_laboratory():
    options = replace(OPTIONS, limits=Limits(rigs=5), widest=0.9)
    outcome = rb.plan_runs(RoundRobin(levels=("A", "B", "C")), beliefs=round_beliefs(), options=options)
    chosen, sheet = recommended(outcome), outcome.table("run_sheet").to_frame()
    cells = sheet.groupby(["laboratory", "level"]).size()
    assert len(cells) == chosen["laboratories"] * 3
    assert set(cells) == {chosen["results"]}
    assert sheet.groupby("pad_set")["level"].nunique().max() == 1
    for _, own in sheet.groupby("laboratory"):
        assert list(own["run_order"]) == list(range(1, len(own) + 1))
