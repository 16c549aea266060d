"""Familywise error of the lot comparison: several lots against a reference on shared rigs, by simulation.

With no difference between any lots, "different" for any of them may come in at most 5 % of studies. The pooled view
alone keeps that rate exactly where every set runs once (one scatter, so the joint distribution is the multivariate t);
the verdict has to hold under a second view as well and may only be stricter. Rates are held to 6 %, beyond chance.

The short form judges 100 studies per plan, the full form (marker `full`) 4,000. The measured table is made by running
this file:

    python tests/assurance/test_lot_error_rates.py [studies]
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.margin import Margin, MarginUnit
from repeatab.cells import reduce_to_cells
from repeatab.estimation.pairs import contrast_correlation
from repeatab.estimation.simultaneous import simultaneous_point
from repeatab.jobs.levels.comparison import compare_levels
from repeatab.jobs.levels.layout import ComparisonLayout, Surroundings, comparison_layout
from repeatab.jobs.levels.pairs import LevelFit
from repeatab.jobs.questions import Analysis, Section
from repeatab.layout.blocks import blocks_of
from repeatab.layout.layout import layout_of
from repeatab.outcome.verdict import Verdict
from repeatab.simulate import simulate_block

LOTS = ("L1", "L2", "L3", "L4")
PAIRS = [(lot, "L1") for lot in LOTS[1:]]
# Far out, so that no verdict is "equivalent" and every detected difference shows as one.
TINY = Margin(size=1e-6, unit=MarginUnit.ABSOLUTE)
UNBALANCED = {"L1": (4, 3), "L2": (2, 3), "L3": (3, 3), "L4": (2, 2)}
SHORT, FULL = 100, 4000


@dataclass(frozen=True)
class Plan:
    """Sets of each lot on each rig and the true standard deviations.

    twice : every n-th set ran a second time; 0 for none. sections : share of the set effect that they have in common
        is half its variance. worse : factor of the standard deviation of lot L4's sets.
    """

    name: str
    sets: dict[str, tuple[int, ...]] = field(repr=False)
    twice: int = 0
    sections: int = 1
    set_sd: float = 0.006
    run_sd: float = 0.004
    rig_by_lot: float = 0.0
    worse: float = 1.0

    @property
    def random_rigs(self) -> bool:
        return self.rig_by_lot > 0

    def rows(self) -> pd.DataFrame:
        rows = [
            {"pad_lot": lot, "rig": f"R{r}", "pad_set": f"{r}-{i}", "run": f"{lot}-{r}-{i}-{run}",
             "section": f"s{s}", "mu": 0.4 + 1e-4 * i}
            for lot, counts in self.sets.items() for r, n in enumerate(counts) for i in range(n)
            for run in range(2 if self.twice and i % self.twice == 0 else 1) for s in range(self.sections)
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def layout(self) -> ComparisonLayout:
        roles = ("pad_lot", "rig", "pad_set", "run", "section")
        results = rb.read_results(self.rows(), columns={"result": "mu"} | {role: role for role in roles})
        beside = Surroundings(sampled=("rig",)) if self.random_rigs else Surroundings(fixed=("rig",))
        names = tuple(f"s{s}" for s in range(self.sections))
        return comparison_layout(results, factor="pad_lot", pairs=PAIRS, sections=names, beside=beside)

    def draw(self, table: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
        """Results without any difference between lots; rigs differ."""

        def effect(keys: list[str], sd: float) -> np.ndarray:
            codes = table.groupby(keys, sort=False).ngroup().to_numpy()
            return sd * rng.standard_normal(codes.max() + 1)[codes]

        wide = np.where(table["pad_lot"] == "L4", self.worse, 1.0)
        half = self.set_sd * np.sqrt(0.5)
        sets = effect(["pad_lot", "pad_set"], half) + effect(["pad_lot", "pad_set", "section"], half)
        value = (
            0.4 + effect(["rig", "section"], 0.01) + effect(["rig", "pad_lot", "section"], self.rig_by_lot)
        )
        value += wide * (sets + self.run_sd * rng.standard_normal(len(table)))
        return table.assign(result=value)


PLANS = (
    Plan(name="unbalanced, each set once", sets=UNBALANCED),
    Plan(name="unbalanced, every second set twice", sets=UNBALANCED, twice=2),
    Plan(name="one lot scatters twice as much", sets=UNBALANCED, worse=2.0),
    Plan(name="eight sections of the same sets", sets=UNBALANCED, sections=8),
    Plan(name="six rigs as a sample", sets=dict.fromkeys(LOTS, (2,) * 6), rig_by_lot=0.010),
    Plan(
        name="six rigs as a sample, no true interaction",
        sets=dict.fromkeys(LOTS, (2,) * 6),
        rig_by_lot=1e-9,
    ),
    Plan(name="one set of each lot per rig", sets=dict.fromkeys(LOTS, (1,) * 5)),
)


@pytest.fixture(params=["short", pytest.param("full", marks=pytest.mark.full)])
def studies(request: pytest.FixtureRequest) -> int:
    return SHORT if request.param == "short" else FULL


def beyond_chance(limit: float, studies: int) -> int:
    """More false verdicts than this come in one of 2,000 simulations at a true rate of `limit`."""
    return int(stats.binom.isf(0.0005, studies, limit))


def false_differences(plan: Plan, studies: int) -> int:
    how, rng = plan.layout(), np.random.default_rng(20261124)
    sections = tuple(Section(name=name, margin=TINY) for name in dict.fromkeys(how.table["section"]))
    false = 0
    for _ in range(studies):
        drawn = replace(how, table=plan.draw(how.table, rng))
        found = compare_levels(drawn, sections, confidence=0.95, analysis=Analysis.DIFFERENCE)
        assert all(claim.trouble is None for claim in found.claims)
        false += any(claim.verdict is Verdict.DIFFERENT for claim in found.claims)
    return false


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: plan.name)
def test_no_false_difference_in_more_than_six_percent(plan: Plan, studies: int) -> None:
    if plan.sections > 1 and studies == SHORT:
        studies = SHORT // 4
    assert false_differences(plan, studies) <= beyond_chance(0.06, studies)


def test_the_pooled_view_alone_keeps_five_percent_exactly(studies: int) -> None:
    """Every set once: the joint point of the three contrasts is exceeded in 5 % of studies, unbalanced as they are."""
    how = PLANS[0].layout()
    block = blocks_of(reduce_to_cells(how.table, result="result", factors=how.keys))[0]
    draws = 40 * studies
    simulated = simulate_block(
        block, layout_of(block, how.model), np.array([0.006**2]), 0.4, draws, np.random.default_rng(7)
    )
    fit = LevelFit(block=simulated, how=how)
    pooled = [fit.views(pair)[0] for pair in how.pairs]
    one = np.ones(draws)
    precision = [view.precision(one) for view in pooled]
    point = simultaneous_point(contrast_correlation(pooled), float(precision[0][1][0]), 0.95)
    t = [(view.mean_a - view.mean_b) / se for view, (se, _) in zip(pooled, precision, strict=True)]
    rate = float((np.abs(t).max(axis=0) > point).mean())
    assert rate == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / draws))
    # Student's point for each pair alone would not keep it: the test can fail.
    alone = stats.t.isf(0.025, precision[0][1][0])
    assert float((np.abs(t).max(axis=0) > alone).mean()) > 0.09


def test_a_test_that_ignores_the_rigs_as_a_sample_would_fail_here() -> None:
    """The simulation sees what it guards against: rigs as blocks where lots truly rank differently on each."""
    plan = Plan(name="many sets on each rig", sets=dict.fromkeys(LOTS, (5,) * 6), rig_by_lot=0.010)
    how = plan.layout()
    blocked = replace(how, model=how.alone)
    rng = np.random.default_rng(3)
    studies, false = 60, 0
    for _ in range(studies):
        drawn = replace(blocked, table=plan.draw(how.table, rng))
        found = compare_levels(
            drawn, (Section(name="s0", margin=TINY),), confidence=0.95, analysis=Analysis.DIFFERENCE
        )
        false += any(claim.verdict is Verdict.DIFFERENT for claim in found.claims)
    assert false > beyond_chance(0.06, studies)


def main() -> None:
    """Print the table of measured rates."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else FULL
    print("| plan | studies | any false difference, % | Monte Carlo error |\n|---|---|---|---|")
    for plan in PLANS:
        rate = false_differences(plan, studies) / studies
        error = 100 * np.sqrt(max(rate * (1 - rate), 0.25 / studies) / studies)
        print(f"| {plan.name} | {studies} | {100 * rate:.1f} | {error:.1f} |", flush=True)


if __name__ == "__main__":
    main()
