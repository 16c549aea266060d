"""Error rates of the correlation check, layout by layout, by simulation through its own estimators and rules.

The rates that a verdict promises at 95 % confidence: with the offset at the margin, "equivalent" in 5 %; with no
offset, an interval that excludes it in 5 %; at the margin, "and it matters" in 2.5 %. A layout is regular where the
margin is at least four standard errors of the offset and no component is truly zero; elsewhere the tests may only be
stricter. Rates are those of the verdict, which has to hold under every view of the scatter, so where the views
differ they may fall below what each view alone promises.

The short form judges 400 data sets per layout and offset against exact binomial bounds at 99.9 %; the full form
(marker `full`) 4,000. The measured table is made by running this file:

    python tests/assurance/test_correlation_error_rates.py 2026-11-24 [data sets]
"""

from __future__ import annotations

import platform
import sys
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy
from scipy import stats

import repeatab as rb
from repeatab.base.margin import Margin, MarginUnit
from repeatab.cells import reduce_to_cells
from repeatab.estimation.contrasts import level_weights
from repeatab.jobs.levels.layout import ComparisonLayout, Surroundings, comparison_layout
from repeatab.jobs.levels.pairs import LevelFit
from repeatab.jobs.levels.run_order import POSITION
from repeatab.judgement.comparison import bounds_of, decide, evidence_of
from repeatab.layout.blocks import Block, blocks_of
from repeatab.layout.layout import Layout, layout_of
from repeatab.simulate import simulate_block

SEED = 20261124
FULL_DRAWS, SHORT_DRAWS = 4000, 400
BATCH = 1000
LEVEL = 0.40
WEAR = -0.004
"""The second run of a set reads this much lower."""

Rows = list[dict[str, object]]


def split(a: int, b: int, *, runs: int = 1, lots: tuple[str, ...] = ("L1",)) -> Rows:
    """Sets of their own on each rig; lots take turns."""
    return [
        {"rig": rig, "pad_set": f"{rig}{i}", "pad_lot": lots[i % len(lots)], "run_order": 2 * i + run}
        for rig, sets in (("A", a), ("B", b))
        for i in range(sets)
        for run in range(runs)
    ]


def same(sets: int, *, runs: int = 1, first_set: int = 0) -> Rows:
    """The same sets on both rigs, every second one on B first; several runs on one rig follow one another."""
    rows: Rows = []
    for i in range(first_set, first_set + sets):
        for place, rig in enumerate("AB" if i % 2 == 0 else "BA"):
            rows += [
                {"rig": rig, "pad_set": f"S{i}", "pad_lot": "L1", "run_order": place * runs + run}
                for run in range(runs)
            ]
    return rows


@dataclass(frozen=True, eq=False)
class Case:
    """A layout with the standard deviations that are true in it.

    sd : of each source that the layout can tell apart, repeatability (and what is mixed with it) last.
    worse : factor of the repeatability standard deviation on rig B.
    stricter : why the rates are only held to at most 6 %; empty for a regular layout, which is held to 4 to 6 %.
    """

    name: str
    rows: Rows = field(repr=False)
    sd: tuple[float, ...]
    worse: float = 1.0
    stricter: str = ""

    @cached_property
    def how(self) -> ComparisonLayout:
        table = pd.DataFrame(self.rows).assign(mu=LEVEL + 0.001 * np.arange(len(self.rows)))
        roles = ("rig", "pad_set", "pad_lot", "run_order")
        results = rb.read_results(table, columns={"result": "mu", **{name: name for name in roles}})
        return comparison_layout(
            results, factor="rig", pairs=[("A", "B")], sections=("all",), beside=Surroundings()
        )

    @cached_property
    def block(self) -> Block:
        how = self.how
        cells = reduce_to_cells(how.table, result="result", factors=how.keys, covariates=how.model.covariates)
        return blocks_of(cells)[0]

    @cached_property
    def layout(self) -> Layout:
        return layout_of(self.block, self.how.model)

    @cached_property
    def on(self) -> dict[str, np.ndarray]:
        """(cells,) whether a cell is on rig A, on rig B."""
        rigs = np.array(self.block.levels_of("rig"))[self.block.code_of("rig")]
        return {rig: rigs == rig for rig in "AB"}

    @cached_property
    def scatter_factor(self) -> np.ndarray:
        return np.where(self.on["B"], self.worse, 1.0)

    @cached_property
    def standard_error(self) -> float:
        """Of the offset by generalised least squares at the true components, written out."""
        covariance = np.diag(self.sd[-1] ** 2 * self.scatter_factor**2 / self.block.count)
        for sd, i in zip(self.sd[:-1], self.layout.estimated, strict=True):
            codes = self.layout.random[i].codes
            covariance = covariance + sd**2 * (codes[:, None] == codes[None, :])
        design = np.concatenate([self.layout.fixed.matrix, self.block.mean[0, :, 1:]], axis=1)
        weights = level_weights(self.layout.fixed, "rig", "A") - level_weights(self.layout.fixed, "rig", "B")
        full = np.concatenate([weights, np.zeros(design.shape[1] - len(weights))])
        inverse = np.linalg.inv(design.T @ np.linalg.solve(covariance, design))
        return float(np.sqrt(full @ inverse @ full))

    @property
    def margin(self) -> float:
        """The least margin of a regular layout: four standard errors."""
        return 4 * self.standard_error

    def simulate(self, offset: float, draws: int, rng: np.random.Generator) -> Block:
        mean = np.full(len(self.block.count), LEVEL) + offset * self.on["A"]
        if POSITION in self.block.factors:
            place = np.array(self.block.levels_of(POSITION))[self.block.code_of(POSITION)]
            mean = mean + WEAR * (place == 2)
        slopes = {POSITION: WEAR} if POSITION in self.how.model.covariates else {}
        return simulate_block(
            self.block, self.layout, np.square(self.sd), mean, draws, rng, slopes=slopes,
            scatter_factor=self.scatter_factor,
        )  # fmt: skip


VIEWS_DIFFER = (
    "regular by its margin, yet below 4: the two views take different scatters, and both have to agree"
)
FEW = "few degrees of freedom"
OFTEN_ZERO = "the rig-by-set component is often estimated at zero"

ONCE, WITHIN, SET = (0.006,), 0.004, 0.008
CASES = (
    Case("split, 8 and 8 sets", split(8, 8), ONCE),
    Case("split, 8 and 7 sets", split(8, 7), ONCE),
    Case("split, 4 and 10 sets", split(4, 10), ONCE, stricter=VIEWS_DIFFER),
    Case("split, 3 and 3 sets", split(3, 3), ONCE, stricter=FEW),
    Case("split, 6 and 6 sets, two runs each", split(6, 6, runs=2), (SET, WITHIN)),
    Case("split, two lots as blocks, 8 and 8 sets", split(8, 8, lots=("L1", "L2")), ONCE),
    Case("same sets, 6, both orders", same(6), (SET, WITHIN)),
    Case("same sets, 10, both orders", same(10), (SET, WITHIN)),
    Case("same sets, 6, two runs on each rig, rig by set 0.008", same(6, runs=2), (SET, 0.008, WITHIN)),
    Case("same sets, 6, two runs on each rig, rig by set 0.003", same(6, runs=2), (SET, 0.003, WITHIN),
         stricter=OFTEN_ZERO),
    Case("mixture, 6 sets on both, 4 and 4 on one", [*same(6), *split(4, 4)], (SET, WITHIN)),
    Case("split, 8 and 8 sets, SD of B twice that of A", split(8, 8), ONCE, worse=2.0),
    Case("split, 8 and 3 sets, SD of B twice that of A", split(8, 3), ONCE, worse=2.0, stricter=FEW),
    Case("split, 8 and 2 sets, SD of B twice that of A", split(8, 2), ONCE, worse=2.0, stricter=FEW),
    Case("split, 2 and 8 sets, SD of B twice that of A", split(2, 8), ONCE, worse=2.0, stricter=FEW),
)  # fmt: skip


@dataclass(frozen=True)
class Rates:
    """Counts over `draws` data sets each; `views` are the same for the pooled and for the other view alone."""

    draws: int
    excludes_zero: int
    equivalent: tuple[int, int]
    matters: tuple[int, int]
    views: dict[str, tuple[int, int]]
    df: tuple[float, float]


@cache
def rates_of(case: Case, draws: int) -> Rates:
    bounds = bounds_of(Margin(size=case.margin, unit=MarginUnit.ABSOLUTE))
    counts = {key: np.zeros(2, int) for key in ("equivalent", "matters")}
    excludes, alone = 0, {key: np.zeros(2, int) for key in ("excludes zero", "equivalent")}
    df: list[np.ndarray] = []
    for place, offset in enumerate((0.0, case.margin, -case.margin)):
        rng = np.random.default_rng([SEED, CASES.index(case), place])
        for low in range(0, draws, BATCH):
            block = case.simulate(offset, min(BATCH, draws - low), rng)
            views = LevelFit(block=block, how=case.how).views(case.how.pairs[0])
            found = decide(evidence_of(views, bounds), confidence=0.95, alpha=0.05)
            # A cautious third view joins where a level has two sets; the first two are shown alone.
            usual = views[:2]
            single = [decide(evidence_of([view], bounds), confidence=0.95, alpha=0.05) for view in usual]
            if place == 0:
                excludes += int(found.detectable.sum())
                alone["excludes zero"] += [int(one.detectable.sum()) for one in single]
                df.append(np.stack([view.precision(np.ones(len(block.groups)))[1] for view in usual]))
            else:
                counts["equivalent"][place - 1] += int(found.equivalent.sum())
                counts["matters"][place - 1] += int((found.different & found.beyond).sum())
                alone["equivalent"] += [int(one.equivalent.sum()) for one in single]
    middle = np.median(np.concatenate(df, axis=1), axis=1)
    return Rates(
        draws=draws,
        excludes_zero=excludes,
        equivalent=(int(counts["equivalent"][0]), int(counts["equivalent"][1])),
        matters=(int(counts["matters"][0]), int(counts["matters"][1])),
        views={key: (int(value[0]), int(value[1])) for key, value in alone.items()},
        df=(float(middle[0]), float(middle[1])),
    )


def compatible(count: int, draws: int, *, at_least: float, at_most: float) -> bool:
    """Whether a count can come from a rate in this range: exact binomial tails of 0.05 % each."""
    too_few = stats.binom.cdf(count, draws, at_least) < 0.0005 if at_least > 0 else False
    return not too_few and bool(stats.binom.sf(count - 1, draws, at_most) >= 0.0005)


def check(case: Case, draws: int) -> None:
    found = rates_of(case, draws)
    low, high = (0.0, 0.06) if case.stricter else (0.04, 0.06)
    for count in (found.excludes_zero, *found.equivalent):
        assert compatible(count, draws, at_least=low, at_most=high), (case.name, found)
    for count in found.matters:
        assert compatible(count, draws, at_least=0.0, at_most=0.035), (case.name, found)


@pytest.mark.parametrize("setting", CASES, ids=[case.name for case in CASES])
def test_error_rates_of_a_short_run(setting):
    check(setting, SHORT_DRAWS)


@pytest.mark.full
@pytest.mark.parametrize("setting", CASES, ids=[case.name for case in CASES])
def test_error_rates(setting):
    check(setting, FULL_DRAWS)


def test_what_the_short_form_can_see():
    # 12 % instead of 5 % is found out, and so is 1 %; 5 % passes.
    for rate, passes in ((0.12, False), (0.05, True), (0.01, False)):
        assert compatible(round(rate * SHORT_DRAWS), SHORT_DRAWS, at_least=0.04, at_most=0.06) is passes


def percent(count: int, draws: int) -> str:
    """With the standard error of the simulation."""
    rate = count / draws
    return f"{100 * rate:.2f} ± {100 * np.sqrt(rate * (1 - rate) / draws):.2f}"


def kept(case: Case, found: Rates) -> str:
    """Whether every rate lies in its aim, or no more than two standard errors of the simulation outside."""

    def near(count: int, low: float, high: float) -> bool:
        rate = count / found.draws
        slack = 2 * np.sqrt(rate * (1 - rate) / found.draws)
        return bool(low - slack <= rate <= high + slack)

    low = 0.0 if case.stricter else 0.04
    errors = all(near(count, low, 0.06) for count in (found.excludes_zero, *found.equivalent))
    return "yes" if errors and all(near(count, 0.0, 0.035) for count in found.matters) else "NO"


def table(draws: int) -> list[str]:
    lines = [
        "| layout | df | excludes zero at no offset | equivalent at + margin | at − margin | "
        "and it matters at + margin | at − margin | aim | kept | note |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for case in CASES:
        found = rates_of(case, draws)
        counts = (found.excludes_zero, *found.equivalent, *found.matters)
        aim = "at most 6" if case.stricter else "4 to 6"
        shown = " | ".join(percent(count, draws) for count in counts)
        df = f"{found.df[0]:.1f}, {found.df[1]:.1f}"
        lines.append(f"| {case.name} | {df} | {shown} | {aim} | {kept(case, found)} | {case.stricter} |")
    return lines


def views_table(draws: int) -> list[str]:
    lines = [
        "| layout | excludes zero: pooled | other view | equivalent at the margin: pooled | other view |",
        "|---|---|---|---|---|",
    ]
    for case in CASES:
        found = rates_of(case, draws)
        none, inside = found.views["excludes zero"], found.views["equivalent"]
        shown = [percent(c, draws) for c in none] + [percent(c, 2 * draws) for c in inside]
        lines.append(f"| {case.name} | {' | '.join(shown)} |")
    return lines


def report(date: str, draws: int) -> str:
    versions = f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}"
    return "\n".join(
        [
            "# Error rates of the correlation check",
            "",
            f"{date}, seed {SEED}, {draws} data sets per layout and offset, {versions}; repeatab {rb.__version__}.",
            "Made by `python tests/assurance/test_correlation_error_rates.py`. Rates in percent with the standard",
            "error of the simulation; an aim counts as kept up to two of these. The margin is four standard errors",
            "of the offset in every layout. Aims: 4 to 6 for regular layouts and at most 6 elsewhere, for both kinds",
            'of error; at most 3.5 for "and it matters".',
            "Degrees of freedom: median under pooled scatter and under the other view.",
            "",
            *table(draws),
            "",
            "## Each view alone",
            "",
            'A verdict needs both views; these are the rates that each would have by itself ("equivalent" over both',
            "signs of the offset).",
            "",
            *views_table(draws),
            "",
        ]
    )


if __name__ == "__main__":
    chosen = int(sys.argv[2]) if len(sys.argv) > 2 else FULL_DRAWS
    target = Path(__file__).with_name("correlation_error_rates.md")
    target.write_text(report(sys.argv[1], chosen), encoding="utf-8")
    print(target.read_text(encoding="utf-8"))
