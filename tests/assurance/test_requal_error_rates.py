"""Error rates of a requalification with ordinary drift between visits, by simulation through its own estimators.

A rig that did not shift is called shifted in at most 6 % (the verdict promises 5 % at 95 % confidence), and a rig
that shifted by exactly its margin is called unshifted in at most 6 %, whatever its ordinary drift, where the design
shows the drift or the laboratory states it. Where neither is so the verdict is conditional, and one test shows why.
Rates are those of the verdict, which has to hold under both views of the scatter, so they may fall below 5 %: with few
visits and little drift the component stays in the degrees of freedom.

The short form draws 400 data sets per layout, the full form (marker `full`) 4,000. The measured table is made by
running this file:

    python tests/assurance/test_requal_error_rates.py 2026-11-24
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.margin import Margin, MarginUnit
from repeatab.jobs.levels.stacks import blocks_by_section
from repeatab.jobs.questions import Analysis
from repeatab.jobs.requalifying.design import DRIFT, MOVED_AFTER, VISIT, YES, MoveDesign
from repeatab.jobs.requalifying.judge import judge_move
from repeatab.jobs.requalifying.laying_out import move_design
from repeatab.jobs.requalifying.question import Burden, Burdens, Requalification, RequalSection, StatedDrift
from repeatab.jobs.requalifying.views import MoveFit
from repeatab.judgement.comparison import Bounds, Decisions, decide, evidence_of
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import model_of
from repeatab.outcome.verdict import Verdict
from repeatab.simulate import planned_block, simulate_batches

SEED = 20261124
LEVEL, MARGIN, SET_SD, COMMON_SD = 0.40, 0.02, 0.008, 0.003
ALLOWED = 0.06
FULL_DRAWS, SHORT_DRAWS = 4000, 400


@dataclass(frozen=True)
class Plan:
    """Controls, visits before and after, fresh sets per rig and visit; SD of ordinary drift, stated or shown;
    SD of the moved rig after the move against that before."""

    controls: int
    before: int
    after: int
    sets: int
    drift: float
    stated: bool = False
    worse: float = 1.0

    def __str__(self) -> str:
        rigs = f"{self.controls} control{'s' if self.controls != 1 else ''}"
        tail = (", drift stated" if self.stated else "") + (", SD ratio 2" if self.worse != 1 else "")
        return f"{rigs}, {self.before}+{self.after} visits of {self.sets} sets, drift {self.drift:g}{tail}"


PLANS = (
    Plan(2, 4, 2, 3, 0.0),
    Plan(2, 4, 2, 3, 0.0025),
    Plan(2, 4, 2, 3, 0.010),
    Plan(1, 4, 2, 3, 0.005),
    Plan(2, 4, 1, 3, 0.005),
    Plan(1, 6, 1, 4, 0.005),
    Plan(2, 2, 2, 2, 0.010),
    Plan(3, 3, 1, 3, 0.010),
    Plan(1, 1, 1, 6, 0.005, stated=True),
    Plan(2, 1, 1, 4, 0.005, stated=True),
    Plan(2, 4, 2, 3, 0.0025, worse=2.0),
    Plan(1, 1, 1, 5, 0.0025, stated=True, worse=2.0),
)


def rows_of(plan: Plan) -> list[dict[str, str]]:
    rigs = ["M", *(f"C{i}" for i in range(plan.controls))]
    return [
        {"rig": rig, "phase": phase, "visit": f"{phase} {visit}", "pad_set": f"{rig} {phase} {visit} {i}"}
        for rig in rigs
        for phase, visits in (("before", plan.before), ("after", plan.after))
        for visit in range(visits)
        for i in range(plan.sets)
    ]


def question_of(plan: Plan) -> Requalification:
    drift = StatedDrift(sd=plan.drift) if plan.stated else None
    margin = Margin(size=MARGIN, unit=MarginUnit.ABSOLUTE)
    return Requalification(
        moved_rig="M", control_rigs=tuple(f"C{i}" for i in range(plan.controls)), before="before", after="after",
        sections=(RequalSection(name="s", margin=margin, drift=drift),), repeatability_limit=3.0,
        burdens=Burdens(level=Burden.MUST_BE_SHOWN, repeatability=Burden.MUST_NOT_BE_CONTRADICTED),
    )  # fmt: skip


@cache
def laid(plan: Plan) -> tuple[MoveDesign, Block, Layout]:
    """The design as the job lays it out, its block, and the layout by which true effects are drawn."""
    frame = pd.DataFrame(rows_of(plan)).assign(result=LEVEL)
    frame["result"] += np.linspace(-0.001, 0.001, len(frame))
    names = ["rig", "phase", "visit", "pad_set", "result"]
    results = rb.read_results(frame, columns={name: name for name in names})
    design = move_design(question_of(plan), results)
    (block,) = blocks_by_section(design.how, Analysis.DIFFERENCE).values()
    # Without fixed effects every source leaves its trace, so that each can be drawn.
    free = planned_block({name: list(block.levels_of(name)[block.code_of(name)]) for name in block.factors})
    assert (free.codes == block.codes).all()
    return design, block, layout_of(free, model_of(random=[VISIT, DRIFT], fixed=[]))


def decisions(plan: Plan, shift: float, draws: int) -> Decisions:
    """Verdicts on the level over `draws` data sets with this true shift."""
    design, block, layout = laid(plan)
    levels = block.levels_of(MOVED_AFTER)
    moved = np.array([levels[code] == YES for code in block.code_of(MOVED_AFTER)])
    means = LEVEL + shift * moved
    names = [layout.sources[i] for i in layout.estimated]
    sds = {VISIT: COMMON_SD, " × ".join(DRIFT): plan.drift}
    variances = np.array([*(sds[name] ** 2 for name in names), SET_SD**2])
    found = []
    batches = simulate_batches(
        block, layout, variances, means, draws, np.random.default_rng([SEED, crc32(str(plan).encode())]),
        scatter_factor=np.where(moved, plan.worse, 1.0),
    )  # fmt: skip
    stated = question_of(plan).sections[0].drift
    for batch in batches:
        views = MoveFit(block=batch, design=design, stated=stated).views(design.how.pairs[0])
        bounds = Bounds(low=-MARGIN, high=MARGIN, of_ratio=False)
        found.append(decide(evidence_of(views, bounds), confidence=0.95, alpha=0.05))
    return Decisions(
        **{
            key: np.concatenate([getattr(part, key) for part in found])
            for key in ("equivalent", "different", "detectable", "beyond")
        }
    )


def at_most(rate: float, draws: int) -> float:
    """The share that a rate of `rate` exceeds in one of a thousand simulations."""
    return float(stats.binom.ppf(0.999, draws, rate) / draws)


@pytest.fixture(params=[SHORT_DRAWS, pytest.param(FULL_DRAWS, marks=pytest.mark.full)], ids=["short", "full"])
def draws(request: pytest.FixtureRequest) -> int:
    return int(request.param)


@pytest.mark.parametrize("plan", PLANS, ids=str)
def test_a_rig_that_did_not_shift_is_called_shifted_in_at_most_6_percent(plan: Plan, draws: int) -> None:
    assert decisions(plan, 0.0, draws).detectable.mean() <= at_most(ALLOWED, draws)


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize("plan", PLANS, ids=str)
def test_a_shift_at_the_margin_is_called_none_in_at_most_6_percent(plan: Plan, sign: int, draws: int) -> None:
    found = decisions(plan, sign * MARGIN, draws)
    assert found.equivalent.mean() <= at_most(ALLOWED, draws)
    # "And it matters" claims half the rate on either side.
    assert found.beyond.mean() <= at_most(ALLOWED / 2, draws)


def test_a_shift_of_two_margins_is_found_where_there_are_visits_enough(draws: int) -> None:
    found = decisions(PLANS[1], 2 * MARGIN, draws)
    # Standard error 0.006 on about 9 degrees of freedom: two margins are 6 of them. Measured: 0.99 and 0.70.
    assert found.detectable.mean() > 0.95
    assert found.beyond.mean() > 0.6
    assert found.equivalent.mean() == 0


def test_no_shift_is_shown_where_there_are_visits_enough(draws: int) -> None:
    assert decisions(PLANS[1], 0.0, draws).equivalent.mean() > 0.8


def test_drift_that_is_neither_shown_nor_stated_is_taken_for_a_shift(draws: int) -> None:
    """Why the verdict then carries its condition: with drift of half a margin it fails several times as often."""
    assert decisions(Plan(1, 1, 1, 6, 0.010), 0.0, draws).detectable.mean() > 0.2


def verdicts(plan: Plan, shift: float, draws: int) -> dict[Verdict, float]:
    """Verdicts on the rig over whole data sets, from the table to the decision."""
    rng = np.random.default_rng([SEED, 99])
    frame = pd.DataFrame(rows_of(plan))
    moved = (frame["rig"] == "M") & (frame["phase"] == "after")
    names = ["rig", "phase", "visit", "pad_set", "result"]
    found: list[Verdict] = []
    for _ in range(draws):
        drift, common = (
            pd.Series(rng.standard_normal(len(labels)), labels)
            for labels in ((frame["rig"] + frame["visit"]).unique(), frame["visit"].unique())
        )
        value = LEVEL + shift * moved + plan.drift * drift[frame["rig"] + frame["visit"]].to_numpy()
        value += COMMON_SD * common[frame["visit"]].to_numpy() + SET_SD * rng.standard_normal(len(frame))
        results = rb.read_results(frame.assign(result=value), columns={name: name for name in names})
        found.append(judge_move(question_of(plan), results).verdict)
    return {verdict: found.count(verdict) / draws for verdict in Verdict}


WHOLE = [pytest.param(60, id="short"), pytest.param(400, id="full", marks=pytest.mark.full)]


@pytest.mark.parametrize("number", WHOLE)
def test_verdicts_on_the_rig_without_a_shift(number: int) -> None:
    rates = verdicts(PLANS[1], 0.0, number)
    # Held by error: the offset wholly beyond its margin, or the ratio's lower bound above 3.
    assert rates[Verdict.HOLD] <= at_most(0.01, number)
    assert rates[Verdict.RETURN_TO_SERVICE] > 0.6


@pytest.mark.parametrize("number", WHOLE)
def test_verdicts_on_the_rig_with_a_shift_of_two_margins(number: int) -> None:
    rates = verdicts(PLANS[1], 2 * MARGIN, number)
    assert rates[Verdict.RETURN_TO_SERVICE] == 0
    assert rates[Verdict.HOLD] > 0.45


def measured(draws: int) -> list[tuple[Any, ...]]:
    rows = []
    for plan in PLANS:
        none, margin, two = (decisions(plan, shift, draws) for shift in (0.0, MARGIN, 2 * MARGIN))
        rows.append(
            (plan, none.detectable.mean(), none.equivalent.mean(), margin.equivalent.mean(), margin.beyond.mean(),
             two.detectable.mean(), two.beyond.mean())
        )  # fmt: skip
    return rows


def write_measured(date: str, draws: int = FULL_DRAWS) -> None:
    error = 100 * (0.05 * 0.95 / draws) ** 0.5
    lines = [
        "# Measured rates of the requalification",
        "",
        f"Made {date} by test_requal_error_rates.py with {draws} data sets per layout and shift (seed {SEED}); Monte "
        f"Carlo error of a rate of 5 % is {error:.1f} points. In percent; margin {MARGIN}, SD of a fresh set {SET_SD}, "
        f"SD of a visit common to all rigs {COMMON_SD}.",
        "",
        "| layout | no shift: called shifted | no shift: shown | at the margin: called none | at the margin: beyond | "
        "two margins: shifted | two margins: beyond (hold) |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [f"| {plan} | " + " | ".join(f"{100 * v:.1f}" for v in v) + " |" for plan, *v in measured(draws)]
    lines += [
        "",
        "Verdicts on the rig, 400 whole data sets each (2 controls, 4+2 visits of 3 sets, drift 0.0025):",
        "",
    ]
    lines += ["| true shift | hold | undecided | return to service |", "|---|---|---|---|"]
    for shift in (0.0, MARGIN, 2 * MARGIN):
        rates = verdicts(PLANS[1], shift, 400)
        kinds = (Verdict.HOLD, Verdict.UNDECIDED, Verdict.RETURN_TO_SERVICE)
        lines.append(f"| {shift:g} | " + " | ".join(f"{100 * rates[kind]:.1f}" for kind in kinds) + " |")
    path = Path(__file__).with_name("requal_error_rates.md")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_measured(sys.argv[1])
