"""What a plan promises is what the study then gives: layouts planned, drawn row by row, and judged by the study itself.

The results are drawn here by numpy alone, from the believed standard deviations, section by section correlated 0.5; no
part of the package's own simulation has a hand in them. Each drawn study is judged as a correlation check judges one.

The short form judges 5 studies per layout, the full form (marker `full`) 500. The measured table is made by running
this file:

    python tests/assurance/test_plan_promises.py [studies]
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from repeatab.base.margin import Margin, MarginUnit
from repeatab.jobs.levels.comparison import compare_levels
from repeatab.jobs.levels.layout import Surroundings, comparison_layout
from repeatab.jobs.plans.comparison import AskedComparison, AskedSection, joint_plan, lay_out, planned_results
from repeatab.jobs.plans.question import PlanBeliefs, SectionBelief
from repeatab.jobs.questions import Analysis, Section
from repeatab.outcome.verdict import Verdict
from repeatab.planning.beliefs import ScatterBelief
from repeatab.planning.joint_verdicts import JointChance, joint_chances
from repeatab.planning.layouts import LayoutKind, PlannedRun, PlannedRuns, laid_out

SCATTER = {"pad_set": 0.006, "rig_by_pad_set": 0.002, "repeatability": 0.004}
BELIEFS = PlanBeliefs(
    common=SectionBelief(level=0.4, scatter={name: ScatterBelief(sd=sd) for name, sd in SCATTER.items()})
)
MARGIN = Margin(size=0.012, unit=MarginUnit.ABSOLUTE)
SECTIONS = tuple(Section(name=name, margin=MARGIN) for name in ("cold", "fade"))
# Far enough from none for every verdict to come up.
SHARE, SEED, PROMISES = 0.35, 20261128, 3000


@dataclass(frozen=True)
class Planned:
    """A layout of some rigs, the first of which is the reference."""

    name: str
    runs: PlannedRuns

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        rigs = sorted({run.level for run in self.runs.runs})
        return tuple((rig, rigs[0]) for rig in rigs[1:])


def of_kind(kind: LayoutKind, sets: int | dict[str, int], rigs: int = 2) -> Planned:
    levels = [f"R{i + 1}" for i in range(rigs)]
    many = sets if isinstance(sets, int) else " and ".join(map(str, sets.values()))
    return Planned(name=f"{rigs} rigs, {many} sets: {kind.value}", runs=laid_out(kind, levels, sets))


def mixture() -> Planned:
    """Some sets on both rigs in either order, some on one: a shape that no named layout has."""
    courses = [("R1", "R2"), ("R2", "R1")] * 3 + [("R1",), ("R2",)] * 3
    runs = tuple(
        PlannedRun(level=rig, pad_set=f"S{number:02d}", place=place)
        for number, course in enumerate(courses)
        for place, rig in enumerate(course, start=1)
    )
    return Planned(
        name="2 rigs, 6 sets on both and 6 on one", runs=PlannedRuns(kind=LayoutKind.SEARCHED, runs=runs)
    )


LAYOUTS = (
    of_kind(LayoutKind.SPLIT_LOT, 3), of_kind(LayoutKind.SPLIT_LOT, 5), of_kind(LayoutKind.SPLIT_LOT, 10),
    of_kind(LayoutKind.SPLIT_LOT, {"R1": 9, "R2": 4}), of_kind(LayoutKind.SPLIT_LOT, 6, rigs=3),
    of_kind(LayoutKind.CROSSOVER, 4), of_kind(LayoutKind.CROSSOVER, 6), of_kind(LayoutKind.CROSSOVER, 6, rigs=3),
    of_kind(LayoutKind.CROSSED, 3), of_kind(LayoutKind.CROSSED, 4), of_kind(LayoutKind.NESTED, 5),
    of_kind(LayoutKind.NESTED, 8), of_kind(LayoutKind.STAGGERED, 6), of_kind(LayoutKind.INCOMPLETE, 12, rigs=3),
    mixture(),
)  # fmt: skip


def promised(layout: Planned, draws: int = PROMISES) -> JointChance:
    """What planning says of the layout at the true offset."""
    asked = AskedComparison(
        factor="rig", pairs=layout.pairs, confidence=0.95, analysis=Analysis.DIFFERENCE, looks=(), seed=1,
        sections=tuple(AskedSection(name=s.name, margin=MARGIN, decides=True) for s in SECTIONS),
    )  # fmt: skip
    laid = lay_out(layout.runs, asked)
    # Planning offers no layout in which a pair is mixed with something else.
    assert not any(pair.confounded for pair in laid.how.pairs)
    return joint_chances(joint_plan(laid, asked, BELIEFS), [SHARE], draws=draws, seed=3)[0]


def drawn(layout: Planned, rng: np.random.Generator) -> pd.DataFrame:
    """Results of the planned runs; every rig but the reference is off by the same share of the margin."""

    def two(sd: float) -> np.ndarray:
        return sd * (np.sqrt(0.5) * rng.standard_normal() + np.sqrt(0.5) * rng.standard_normal(2))

    effect: dict[object, np.ndarray] = {}
    rows = []
    for order, run in enumerate(sorted(layout.runs.runs, key=lambda run: (run.place, run.pad_set))):
        value = 0.4 + (SHARE * MARGIN.size if run.level != "R1" else 0.0) + two(SCATTER["repeatability"])
        value = value + effect.setdefault(run.pad_set, two(SCATTER["pad_set"]))
        value = value + effect.setdefault((run.pad_set, run.level), two(SCATTER["rig_by_pad_set"]))
        rows += [
            {"result": v, "rig": run.level, "pad_set": run.pad_set, "run": order, "run_order": order, "section": s.name}
            for s, v in zip(SECTIONS, value, strict=True)
        ]  # fmt: skip
    return pd.DataFrame(rows)


def verdicts(layout: Planned, studies: int, rng: np.random.Generator) -> Counter[Verdict]:
    """The overall verdicts of so many studies."""
    found: Counter[Verdict] = Counter()
    for _ in range(studies):
        how = comparison_layout(
            planned_results(drawn(layout, rng)), factor="rig", pairs=layout.pairs,
            sections=tuple(s.name for s in SECTIONS), beside=Surroundings(),
        )  # fmt: skip
        found[compare_levels(how, SECTIONS, confidence=0.95, analysis=Analysis.DIFFERENCE).verdict] += 1
    return found


def away(promise: float, share: float, studies: int, draws: int = PROMISES) -> float:
    """By how many standard errors of both simulations a share of verdicts departs from the promise."""
    error = np.sqrt(max(promise * (1 - promise), 0.5 / studies) * (1 / studies + 1 / draws))
    return float((share - promise) / error)


@pytest.fixture(params=["short", pytest.param("full", marks=pytest.mark.full)])
def studies(request: pytest.FixtureRequest) -> int:
    return 5 if request.param == "short" else 500


def test_every_layout_keeps_the_promised_probabilities(studies: int) -> None:
    rng, draws = np.random.default_rng(SEED), min(PROMISES, 100 * studies)
    apart = []
    for layout in LAYOUTS:
        overall = promised(layout, draws).overall
        found = verdicts(layout, studies, rng)
        apart.append(away(overall.equivalent, found[Verdict.EQUIVALENT] / studies, studies, draws))
        apart.append(away(overall.different, found[Verdict.DIFFERENT] / studies, studies, draws))
    assert len(apart) == 2 * len(LAYOUTS) >= 20
    # Each within four standard errors, and all together no further than chance allows in one of 10,000 simulations.
    assert np.abs(apart).max() < 4
    assert np.square(apart).sum() < stats.chi2.isf(1e-4, len(apart))


def test_a_promise_of_other_scatter_would_fail_here() -> None:
    """The comparison sees what it guards against: half the scatter promised, the true one drawn."""
    layout = of_kind(LayoutKind.SPLIT_LOT, 6)
    chance = promised(layout).overall.equivalent
    halved = {name: ScatterBelief(sd=sd / 2) for name, sd in SCATTER.items()}
    asked = AskedComparison(
        factor="rig", pairs=layout.pairs, confidence=0.95, analysis=Analysis.DIFFERENCE, looks=(), seed=1,
        sections=tuple(AskedSection(name=s.name, margin=MARGIN, decides=True) for s in SECTIONS),
    )  # fmt: skip
    beliefs = PlanBeliefs(common=SectionBelief(level=0.4, scatter=halved))
    wrong = joint_chances(
        joint_plan(lay_out(layout.runs, asked), asked, beliefs), [SHARE], draws=PROMISES, seed=3
    )
    assert away(wrong[0].overall.equivalent, chance, 500) < -4


def main() -> None:
    """Print the table of promises and what came of them."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    rng = np.random.default_rng(SEED)
    print(
        "| layout | studies | equivalent: promised | found | different: promised | found | standard errors apart |"
    )
    print("|---|---|---|---|---|---|---|")
    for layout in LAYOUTS:
        overall = promised(layout).overall
        found = verdicts(layout, number, rng)
        shares = [found[verdict] / number for verdict in (Verdict.EQUIVALENT, Verdict.DIFFERENT)]
        apart = [
            away(p, s, number) for p, s in zip((overall.equivalent, overall.different), shares, strict=True)
        ]
        print(
            f"| {layout.name} | {number} | {overall.equivalent:.3f} | {shares[0]:.3f} | {overall.different:.3f} | "
            f"{shares[1]:.3f} | {apart[0]:+.1f}, {apart[1]:+.1f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
