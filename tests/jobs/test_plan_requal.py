"""Plans of requalifications: level and repeatability together, what they promise and what a study gives, looks."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.jobs.plans.comparison import planned_results
from repeatab.jobs.plans.moves import move_plan
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions, SectionBelief
from repeatab.jobs.requalifying.judge import judge_move
from repeatab.jobs.requalifying.question import Burden, Burdens, Requalification, RequalSection
from repeatab.outcome.verdict import Verdict
from repeatab.planning.beliefs import ScatterBelief
from repeatab.planning.cost import HourCosts, Limits
from repeatab.planning.move_verdicts import Case, move_chances

MARGIN = Margin(size=5, unit=MarginUnit.PERCENT)
OPTIONS = PlanOptions(costs=HourCosts(run=5.0), seconds=1.0, operators=("ann", "bo"))
SHOWN, NOT_AGAINST = Burden.MUST_BE_SHOWN, Burden.MUST_NOT_BE_CONTRADICTED


def beliefs(**sds):
    scatter = {name: ScatterBelief(sd=sd, df=12.0) for name, sd in sds.items()}
    return PlanBeliefs(common=SectionBelief(level=0.4, scatter=scatter))


def moved(*, level=SHOWN, ratio=NOT_AGAINST, limit=2.0, sections=("cold",), **changes):
    return Requalification(
        moved_rig="R2", control_rigs=("R1",), before="before", after="after", repeatability_limit=limit,
        sections=tuple(RequalSection(name=name, margin=MARGIN) for name in sections),
        burdens=Burdens(level=level, repeatability=ratio), **changes,
    )  # fmt: skip


DRIFTING = {"pad_set": 0.003, "visit": 0.004, "rig_by_visit": 0.006}


@pytest.fixture(scope="module")
def plan():
    options = replace(OPTIONS, limits=Limits(sets=40), seconds=0.3)
    return rb.plan_runs(moved(sections=("cold", "fade")), beliefs=beliefs(**DRIFTING), options=options)


def test_ordinary_drift_asks_for_visits_and_not_for_sets(plan):
    plans = plan.table("plans").to_frame().set_index(["visits", "sets"])
    # Sixteen sets in four visits tell more than sixteen in two.
    assert plans.loc[(4, 2), "level"] > plans.loc[(2, 4), "level"] + 0.1
    sheet = plan.table("run_sheet").to_frame()
    sheet = sheet[sheet["section"] == "cold"]
    phases = list(sheet["phase"])
    assert phases == sorted(phases, key=["before", "after"].index)
    assert len(set(Counter(zip(sheet["visit"], sheet["rig"], strict=True)).values())) == 1
    assert sheet["pad_set"].is_unique


def test_sections_by_themselves_and_both_questions_stand_in_tables(plan):
    sections = plan.table("section_chances").to_frame()
    assert list(sections["section"]) == ["cold", "fade"]
    assert (sections["wrongly"] < 0.07).all()
    assert (sections["wrongly_kept"] < 0.09).all()
    ratio = plan.table("ratio_chances").to_frame()
    assert ratio["kept"].is_monotonic_decreasing
    assert ratio["held"].is_monotonic_increasing
    chances = plan.table("chances").to_frame()
    assert chances["returned"].is_monotonic_decreasing
    assert chances[["returned", "held", "undecided"]].sum(axis=1).to_numpy() == pytest.approx(1)
    # Both sections together are shown less often than either.
    assert chances["level"].iloc[0] <= sections["equivalent"].min()


def test_a_requalification_beyond_the_limits_is_refused():
    tight = PlanOptions(costs=HourCosts(run=5.0), limits=Limits(sets=3))
    with pytest.raises(StudyError, match="no requalification can be run"):
        rb.plan_runs(moved(), beliefs=beliefs(pad_set=0.003), options=tight)


def test_the_ratio_of_one_section_has_its_exact_probability():
    # Within visits: 3 visits of 4 sets leave 9 degrees of freedom on each side. Shown to be kept where
    # F / F(0.05; 9, 9) <= limit^2 (one-sided upper bound), a central F if nothing has changed.
    plan = move_plan(moved(ratio=SHOWN), 3, 4, beliefs(pad_set=0.004, visit=0.002))
    draws = 1200
    found = move_chances(plan, [Case(share=0.0), Case(share=0.0, ratio=2.0)], draws=draws, seed=1)
    for chance, ratio in zip(found, (1.0, 2.0), strict=True):
        exact = stats.f.cdf(4 * stats.f.ppf(0.05, 9, 9) / ratio**2, 9, 9)
        assert chance.kept == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / draws))
    # At the limit itself: five percent, by the definition of the bound.
    assert found[1].kept == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / draws))


def drawn(visits, sets, shift, ratio, rng, sections=("cold", "fade")):
    """Results of a planned requalification, drawn row by row by numpy alone; sections correlated 0.5."""

    def of(sd):
        return sd * (np.sqrt(0.5) * rng.standard_normal() + np.sqrt(0.5) * rng.standard_normal(len(sections)))

    rows = []
    for phase in ("before", "after"):
        for visit in range(visits):
            common = of(0.004)
            for rig in ("R2", "R1"):
                drift, off = of(0.006), rig == "R2" and phase == "after"
                for i in range(sets):
                    value = (
                        0.4 + common + drift + of(0.003 * (ratio if off else 1.0)) + (shift if off else 0.0)
                    )
                    rows += [
                        {"result": v, "rig": rig, "phase": phase, "visit": f"{phase} {visit}", "section": name,
                         "pad_set": f"{phase}{visit}{rig}{i}", "run": len(rows)}
                        for name, v in zip(sections, value, strict=True)
                    ]  # fmt: skip
    return planned_results(pd.DataFrame(rows))


@pytest.mark.parametrize("studies", [4, pytest.param(400, marks=pytest.mark.full)])
@pytest.mark.parametrize(
    ("case", "level"),
    [(Case(share=0.0), SHOWN), (Case(share=1.5), SHOWN), (Case(share=0.0, ratio=3.0), NOT_AGAINST)],
)
def test_the_study_gives_what_the_plan_promises(case, level, studies):
    question = moved(level=level, sections=("cold", "fade"))
    plan = move_plan(question, 4, 2, beliefs(**DRIFTING))
    promised = move_chances(plan, [case], draws=2000, seed=3)[0].overall
    rng = np.random.default_rng(20261128)
    found = Counter(
        judge_move(question, drawn(4, 2, case.share * 0.02, case.ratio, rng)).verdict for _ in range(studies)
    )
    for p, verdict in ((promised.equivalent, Verdict.RETURN_TO_SERVICE), (promised.different, Verdict.HOLD)):
        error = np.sqrt(max(p * (1 - p), 0.5 / studies) * (1 / studies + 1 / 2000))
        assert abs(found[verdict] / studies - p) < 4 * error


def test_declared_looks_are_part_of_the_plan():
    outcome = rb.plan_runs(
        moved(looks=(4, 8)),
        beliefs=beliefs(pad_set=0.004, rig_by_visit=0.002),
        options=replace(OPTIONS, seconds=0.5),
    )
    plans = outcome.table("plans").to_frame()
    assert (plans["visits"] * plans["sets"] == 8).all()
    chances = outcome.table("chances").to_frame()
    # O'Brien-Fleming spending: half way little can be shown, and what is clear is seen.
    assert chances["look 1"].iloc[-1] > 0.5
    assert (chances["look 1"] + chances["look 2"]).to_numpy() == pytest.approx(
        1 - chances["undecided"].to_numpy()
    )
    with pytest.raises(StudyError, match="With declared looks the plan has 7 sets"):
        rb.plan_runs(
            moved(looks=(3, 7)),
            beliefs=beliefs(pad_set=0.004),
            options=replace(OPTIONS, limits=Limits(sets=9)),
        )


def test_where_nothing_has_to_be_shown_a_shifted_rig_must_be_held():
    outcome = rb.plan_runs(
        moved(level=NOT_AGAINST),
        beliefs=beliefs(pad_set=0.006, rig_by_visit=0.002),
        options=replace(OPTIONS, seconds=0.3, limits=Limits(sets=48)),
    )
    plans = outcome.table("plans").to_frame()
    chosen = plans[plans["note"] == "recommended"].iloc[0]
    assert min(chosen["expected"], chosen["held"]) >= 0.8
    # The cheapest plan returns nearly every rig, a shifted one as well: it is not enough.
    cheapest = plans.iloc[0]
    assert cheapest["expected"] > 0.8 > cheapest["held"]
