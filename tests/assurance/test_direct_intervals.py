"""Coverage of the intervals that have a formula of their own: agreement of two rigs, ratios of scatter, precision of a
round robin, and contrasts of fixed levels in the full grid.

Aims as in test_interval_grid: at least 94 % everywhere, at most 97 % where no part is near zero and the method is not
stated to be conservative. Every data set comes from repeatab.simulate.

The short form takes a few hundred data sets, the full form (marker `full`) 10,000. The table:

    python tests/assurance/test_direct_intervals.py 2026-11-28 [data sets]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from binomial_aims import COVER_AT_LEAST, COVER_AT_MOST, can_be_at_least, can_be_at_most, percent, provenance

from repeatab.base.interval import Interval, IntervalMethod
from repeatab.estimation.agreement import LimitInterval, agreement_limits, concordance
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.pooled_scatter import pooled_independent_ratio, pooled_paired_ratio
from repeatab.estimation.scatter_ratio import independent_ratio, paired_ratio
from repeatab.interlab.level import LevelCells
from repeatab.interlab.precision import precision
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.simulate import planned_block, simulate_block, simulate_sections

SEED = 20261128
FULL_DRAWS, SHORT_DRAWS = 10_000, 200
NEAR_ZERO = 0.01

Observed = Iterator[tuple[float, Interval]]


@dataclass(frozen=True, kw_only=True, eq=False)
class Case:
    """What is drawn and what is read off it.

    simulate : draws and generator to data sets; read : one data set to (estimate, interval) per quantity.
    truth : of each quantity. exempt : why the upper aim does not hold; loose : why neither does.
    """

    name: str
    simulate: Callable[[int, np.random.Generator], Iterator[object]] = field(repr=False)
    read: Callable[[object], Observed] = field(repr=False)
    truth: dict[str, float]
    exempt: str = ""
    loose: str = ""


def two_rigs(sets: int, sds: tuple[float, ...], offset: float = 0.01, worse: float = 1.0):
    """Same sets on two rigs: (sets, 2) results per data set; sds of sets, of what a rig adds to a set, by run."""

    def simulate(draws: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
        rows = [(rig, i) for i in range(sets) for rig in "AB"]
        block = planned_block({"rig": [r for r, _ in rows], "set": [s for _, s in rows]})
        layout = layout_of(block, model_of(random=["set"]))
        on_b = np.array(block.levels_of("rig"))[block.code_of("rig")] == "B"
        mean, factor = 0.4 + offset * ~on_b, np.where(on_b, worse, 1.0)
        drawn = simulate_block(block, layout, np.square(sds), mean, draws, rng, scatter_factor=factor)
        codes = block.code_of("set")
        a, b = (np.flatnonzero(side)[np.argsort(codes[side])] for side in (~on_b, on_b))
        values = drawn.mean[:, :, 0] + drawn.shift[0]
        yield from np.stack([values[:, a], values[:, b]], axis=2)

    return simulate


def limits_case(sets: int) -> Case:
    sd = 0.005 * np.sqrt(2)

    def read(data: np.ndarray) -> Observed:
        found = agreement_limits(data[:, 0] - data[:, 1], level=0.95)
        yield found.mean, found.mean_interval
        yield found.lower, found.lower_interval
        yield found.upper, found.upper_interval

    truth = {"mean difference": 0.01, "lower limit of agreement": 0.01 - 1.96 * sd,
             "upper limit of agreement": 0.01 + 1.96 * sd}  # fmt: skip
    return Case(
        name=f"{sets} sets on both rigs", simulate=two_rigs(sets, (0.012, 0.005)), read=read, truth=truth
    )


def approximate_limits_case(sets: int) -> Case:
    sd = 0.005 * np.sqrt(2)

    def read(data: np.ndarray) -> Observed:
        found = agreement_limits(data[:, 0] - data[:, 1], level=0.95, method=LimitInterval.APPROXIMATE)
        yield found.upper, found.upper_interval

    return Case(
        name=f"{sets} sets on both rigs, approximate (1986)", simulate=two_rigs(sets, (0.012, 0.005)), read=read,
        truth={"upper limit of agreement": 0.01 + 1.96 * sd},
        loose="stated approximate; the package does not print it" if sets < 20 else "",
    )  # fmt: skip


WIDER = "the wider of two intervals"


def concordance_case(sets: int, set_sd: float) -> Case:
    a = set_sd**2 + 0.005**2
    truth = 2 * set_sd**2 / (2 * a + 0.004**2)

    def read(data: np.ndarray) -> Observed:
        found = concordance(data[:, 0], data[:, 1], level=0.95)
        yield found.coefficient, found.interval

    return Case(
        name=f"{sets} sets on both rigs, SD of sets {set_sd / 0.005:g} s_r",
        simulate=two_rigs(sets, (set_sd, 0.005), offset=0.004), read=read, truth={"concordance": truth}, exempt=WIDER,
    )  # fmt: skip


def paired_ratio_case(sets: int, worse: float) -> Case:
    """Total scatter of the sets on each rig."""
    truth = np.sqrt((0.006**2 + 0.005**2) / (0.006**2 + (worse * 0.005) ** 2))

    def read(data: np.ndarray) -> Observed:
        left = data - data.mean(axis=0)
        found = paired_ratio(left[:, 0], left[:, 1], fitted=1, level=0.95)
        yield found.ratio, found.interval

    return Case(
        name=f"{sets} sets on both rigs, B × {worse:g}", simulate=two_rigs(sets, (0.006, 0.005), worse=worse),
        read=read, truth={"ratio of SDs, paired": float(truth)},
    )  # fmt: skip


def independent_ratio_case(a: int, b: int, worse: float) -> Case:
    def simulate(draws: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
        rows = [("A", i) for i in range(a)] + [("B", i) for i in range(b)]
        block = planned_block({"rig": [r for r, _ in rows]})
        layout = layout_of(block, model_of(random=[]))
        factor = np.array([1.0, worse])
        drawn = simulate_block(block, layout, np.array([0.005**2]), 0.4, draws, rng, scatter_factor=factor)
        yield from drawn.cross[:, :, 0, 0]

    def read(data: np.ndarray) -> Observed:
        found = independent_ratio(float(data[0]), a - 1, float(data[1]), b - 1, level=0.95)
        yield found.ratio, found.interval

    return Case(
        name=f"{a} and {b} sets of their own, B × {worse:g}", simulate=simulate, read=read,
        truth={"ratio of SDs, independent": 1 / worse},
    )  # fmt: skip


def pooled_ratio_case(sets: int, correlation: float, *, same: bool) -> Case:
    """Six sections of the same runs."""
    sections = 6

    def simulate(draws: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
        rows = [(rig, i if same else f"{rig}{i}") for i in range(sets) for rig in "AB"]
        block = planned_block({"rig": [r for r, _ in rows], "set": [s for _, s in rows]})
        layout = layout_of(block, model_of(random=["set"] if same else []))
        sds = np.array([0.006, 0.005]) if same else np.array([0.008])
        hang = np.full((sections, sections), correlation) + (1 - correlation) * np.eye(sections)
        on_b = np.array(block.levels_of("rig"))[block.code_of("rig")] == "B"
        for low in range(0, draws, 500):
            found = simulate_sections(
                block, layout, np.broadcast_to(sds**2, (sections, len(sds))), np.full((sections, len(rows)), 0.4),
                hang, min(500, draws - low), rng,
            )  # fmt: skip
            values = np.stack([part.mean[:, :, 0] for part in found], axis=2)
            yield from np.stack([values[:, ~on_b], values[:, on_b]], axis=1)

    def read(data: np.ndarray) -> Observed:
        a, b = data - data.mean(axis=1, keepdims=True)
        if same:
            found = pooled_paired_ratio(a, b, fitted=1, level=0.95)
        else:
            found = pooled_independent_ratio(a, sets - 1, b, sets - 1, level=0.95)
        yield found.ratio, found.interval

    use = "on both rigs" if same else "each of their own"
    return Case(
        name=f"6 sections, {sets} sets {use}, correlation {correlation:g}", simulate=simulate, read=read,
        truth={"ratio of SDs, pooled": 1.0}, exempt="stated to be on the wide side",
    )  # fmt: skip


def round_case(counts: tuple[int, ...], ratio: float) -> Case:
    """One level of a round robin: so many results of each laboratory, s_L^2 / s_r^2 = ratio."""
    s_r = 0.005

    def simulate(draws: int, rng: np.random.Generator) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        block = planned_block({"lab": [lab for lab, n in enumerate(counts) for _ in range(n)]})
        layout = layout_of(block, model_of(random=["lab"]))
        drawn = simulate_block(block, layout, s_r**2 * np.array([ratio, 1.0]), 0.4, draws, rng)
        yield from zip(drawn.mean[:, :, 0] + drawn.shift[0], drawn.cross[:, :, 0, 0], strict=True)

    def read(data: tuple[np.ndarray, np.ndarray]) -> Observed:
        level = LevelCells(
            level="one", laboratories=tuple(range(len(counts))), count=np.array(counts), mean=data[0],
            centred_ss=data[1],
        )  # fmt: skip
        found = precision(level)
        yield found.s_r, found.s_r_interval
        yield found.s_L, found.s_L_interval
        yield found.s_R, found.s_R_interval

    equal = len(set(counts)) == 1
    shown = f"{len(counts)} × {counts[0]}" if equal else "+".join(map(str, counts))
    return Case(
        name=f"round robin {shown}, s_L / s_r {np.sqrt(ratio):.2f}", simulate=simulate, read=read,
        truth={"s_r": s_r, "s_L": s_r * np.sqrt(ratio), "s_R": s_r * np.sqrt(1 + ratio)},
    )  # fmt: skip


def nested_case(sizes: tuple[int, int, int], ratios: tuple[float, float]) -> Case:
    """Laboratories, days within them, runs within days."""
    labs, days, runs = sizes
    s_r = 0.005

    def simulate(draws: int, rng: np.random.Generator) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        rows = [(lab, day, run) for lab in range(labs) for day in range(days) for run in range(runs)]
        block = planned_block({name: [r[i] for r in rows] for i, name in enumerate(("lab", "day", "run"))})
        layout = layout_of(block, model_of(random=["lab", "day"], nested_in={"day": "lab"}))
        drawn = simulate_block(block, layout, s_r**2 * np.array([*ratios, 1.0]), 0.4, draws, rng)
        fit = BlockFit(block=drawn, layout=layout, method=Method.AUTO, level=0.95)
        yield from zip(*(np.sqrt(np.maximum(v, 0.0)) for v in (fit.variances, *fit.limits)), strict=True)

    def read(data: tuple[np.ndarray, np.ndarray, np.ndarray]) -> Observed:
        for sd, lower, upper in zip(*(part.tolist() for part in data), strict=True):
            yield (
                sd,
                Interval(lower=lower, upper=upper, level=0.95, method=IntervalMethod.MODIFIED_LARGE_SAMPLE),
            )

    sds = s_r * np.sqrt([*ratios, 1.0])
    return Case(
        name=f"{labs} laboratories of {days} days × {runs}", simulate=simulate, read=read,
        truth=dict(zip(("between laboratories", "between days", "repeatability"), map(float, sds), strict=True)),
    )  # fmt: skip


CASES: tuple[Case, ...] = (
    *(limits_case(n) for n in (3, 5, 8, 12, 20)),
    approximate_limits_case(5),
    approximate_limits_case(20),
    concordance_case(5, 0.012),
    concordance_case(10, 0.012),
    concordance_case(10, 0.004),
    concordance_case(10, 0.001),
    concordance_case(20, 0.012),
    paired_ratio_case(6, 1.0),
    paired_ratio_case(6, 2.0),
    paired_ratio_case(12, 1.0),
    independent_ratio_case(3, 8, 1.0),
    independent_ratio_case(6, 6, 2.0),
    *(pooled_ratio_case(n, r, same=same) for same in (False, True) for n, r in ((6, 0.0), (6, 0.5), (10, 0.9))),
    *(round_case((2,) * p, r) for p, r in ((2, 1), (3, 0), (3, 3), (5, 0.3), (8, 1), (12, 10))),
    round_case((2, 2, 3, 5, 2), 1),
    round_case((1, 2, 2, 3, 4, 2, 6, 2), 0.3),
    round_case((1, 1, 2, 4, 2), 3),
    nested_case((3, 3, 2), (1, 1)),
    nested_case((6, 2, 2), (0.3, 0)),
    nested_case((2, 4, 2), (10, 1)),
)  # fmt: skip


@dataclass
class Tally:
    truth: float
    draws: int = 0
    above: int = 0
    below: int = 0
    zero: int = 0
    error: float = 0.0
    squared: float = 0.0

    def add(self, estimate: float, interval: Interval) -> None:
        self.draws += 1
        self.above += interval.lower > self.truth
        self.below += interval.upper < self.truth
        self.zero += estimate == 0
        self.error += estimate - self.truth
        self.squared += (estimate - self.truth) ** 2

    @property
    def covered(self) -> int:
        return self.draws - self.above - self.below

    def kept(self, case: Case) -> bool:
        near = self.zero > NEAR_ZERO * self.draws
        at_most = bool(case.exempt) or near or can_be_at_most(self.covered, self.draws, COVER_AT_MOST)
        return bool(case.loose) or (can_be_at_least(self.covered, self.draws, COVER_AT_LEAST) and at_most)


def measured(case: Case, draws: int) -> dict[str, Tally]:
    tallies = {name: Tally(truth=truth) for name, truth in case.truth.items()}
    for data in case.simulate(draws, np.random.default_rng([SEED, CASES.index(case)])):
        for tally, (estimate, interval) in zip(tallies.values(), case.read(data), strict=True):
            tally.add(estimate, interval)
    return tallies


def check(case: Case, draws: int) -> None:
    for name, tally in measured(case, draws).items():
        assert tally.kept(case), (case.name, name, tally)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_intervals_cover_in_a_short_run(case):
    check(case, SHORT_DRAWS)


@pytest.mark.full
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_intervals_cover(case):
    check(case, FULL_DRAWS)


def report(date: str, draws: int) -> str:
    lines = []
    fails = cells = 0
    for case in CASES:
        shown = case.name
        for name, tally in measured(case, draws).items():
            cells += 1
            fails += not tally.kept(case)
            n = tally.draws
            bias, rmse = tally.error / n, np.sqrt(tally.squared / n)
            remark = case.loose or (case.exempt if tally.covered > COVER_AT_MOST * n else "")
            near = tally.zero > NEAR_ZERO * n and tally.covered > COVER_AT_MOST * n
            remark = remark or ("near zero" if near else "")
            lines.append(
                f"| {shown} | {name} | {tally.truth:.4f} | {bias:+.5f} | {rmse:.5f} | {percent(tally.covered, n)} | "
                f"{percent(tally.above, n)} | {percent(tally.below, n)} | {'yes' if tally.kept(case) else 'NO'} | "
                f"{remark} |"
            )
            shown = ""
    return "\n".join(
        [
            "# Coverage of agreement limits, ratios of scatter and round-robin precision",
            "",
            *provenance(date, SEED, f"{draws} data sets per case", Path(__file__).name),
            "",
            "Aims: at least 94 % everywhere; at most 97 % where no part is near zero (estimated at zero in more than",
            "1 % of the data sets) and the method is not stated to be conservative; a cell fails when the exact 99.9 %",
            f"binomial bound lies beyond. {cells} cells, {fails} fail. True scatter of repeats 0.005. `above`,",
            "`below`: the whole interval lies above or below the truth. Before 2026-11-28: concordance by Lin's",
            "large-sample interval covered 82 to 93 % with 5 to 10 sets, the pooled ratio of shared sets 92 to 93 %.",
            "",
            "| case | quantity | truth | bias | RMSE | covers, % | above, % | below, % | kept | remark |",
            "|---|---|---|---|---|---|---|---|---|---|",
            *lines,
            "",
        ]
    )


if __name__ == "__main__":
    chosen = int(sys.argv[2]) if len(sys.argv) > 2 else FULL_DRAWS
    target = Path(__file__).with_name("direct_intervals.md")
    target.write_text(report(sys.argv[1], chosen), encoding="utf-8")
    print(target.read_text(encoding="utf-8"))
