"""Coverage, bias and error of every component, sum and share over the grid of layouts, before and after.

Aims: a 95 % interval holds its truth in at least 94 % everywhere, and in at most 97 % where no part of it is near zero;
"near" is where the estimate is zero in more than 1 % of the data sets, since an interval that may not go below zero
misses on one side only there. A cell fails when the exact 99.9 % binomial bound lies beyond the aim.

"Before" are the limits that the package gave until 2026-11-27: profile likelihood in unbalanced layouts, and modified
large-sample limits that could be "0 to 0" in balanced ones.

The short form judges a few layouts; the full form (marker `full`) all of them with 10,000 data sets each. The table:

    python tests/assurance/test_interval_grid.py 2026-11-28 [data sets]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from binomial_aims import (
    COVER_AT_LEAST,
    COVER_AT_MOST,
    can_be_at_least,
    can_be_at_most,
    percent,
    provenance,
)
from interval_layouts import GRID, REPEATABILITY_SD, Grid

from repeatab.estimation.block_fit import BlockFit
from repeatab.estimation.intervals import chi_square_limits, combination_limits
from repeatab.judgement import capability as capability_module
from repeatab.judgement.capability import MEASUREMENT, Capability, SourceRole, capabilities

SEED = 20261128
FULL_DRAWS = 10_000
BEFORE_DRAWS = 2_000
PIVOT_DRAWS = 2_000
NEAR_ZERO = 0.01


@dataclass
class Tally:
    """What was seen of one quantity: its estimates, how many were zero, and how many intervals lay above or below."""

    truth: float
    unit: float
    near: bool = False
    draws: int = 0
    above: int = 0
    below: int = 0
    before: int = 0
    before_draws: int = 0
    zero: int = 0
    error: float = 0.0
    squared: float = 0.0
    parts: tuple[int, ...] = field(default=())

    def add(self, estimate: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> None:
        # Estimates are exact to many digits, so a truth of zero is held by a limit that is zero.
        self.draws += len(estimate)
        self.above += int((lower > self.truth).sum())
        self.below += int((upper < self.truth).sum())
        self.zero += int((estimate <= 0).sum())
        error = (estimate - self.truth) / self.unit
        self.error += float(error.sum())
        self.squared += float(error @ error)

    @property
    def covered(self) -> int:
        return self.draws - self.above - self.below

    @property
    def kept(self) -> bool:
        enough = can_be_at_least(self.covered, self.draws, COVER_AT_LEAST)
        return enough and (self.near or can_be_at_most(self.covered, self.draws, COVER_AT_MOST))


@dataclass(frozen=True)
class Measured:
    grid: Grid
    draws: int
    components: dict[str, Tally]
    sums: dict[str, Tally]


def earlier_limits(fit: BlockFit) -> tuple[np.ndarray, np.ndarray]:
    """Limits of the variances as they were formed before."""
    analysis = fit.mean_squares
    if analysis is None:
        return fit.profiled
    pairs = [
        combination_limits(c, analysis.ms, analysis.df, level=fit.level) for c in analysis.combination[:-1]
    ]
    pairs.append(chi_square_limits(analysis.ms[:, -1], float(analysis.df[-1]), level=fit.level))
    lower, upper = (np.maximum(np.stack(side, axis=1), 0) for side in zip(*pairs, strict=True))
    return lower, upper


SUMS = (
    "reproducibility",
    "interaction",
    "grr",
    "parts",
    "total",
    "total_percent",
    "agreement",
    "consistency",
)
WORDS = {
    "reproducibility": "reproducibility", "interaction": "interaction", "grr": "R&R", "parts": "pad sets",
    "total": "total", "total_percent": "R&R in % of total", "agreement": "agreement (intraclass)",
    "consistency": "consistency (intraclass)",
}  # fmt: skip


def truths_of_sums(grid: Grid) -> dict[str, tuple[float, float, tuple[int, ...]]]:
    """Truth, unit of its errors and components of each sum or share that adds to what the components say."""
    roles = [source.role for source in grid.sources]
    variance = grid.variances

    def members(*wanted: SourceRole) -> tuple[int, ...]:
        return tuple(i for i, role in enumerate(roles) if role in wanted)

    measuring, part = members(*MEASUREMENT), members(SourceRole.PART)
    within = members(SourceRole.REPEATABILITY, SourceRole.INTERACTION)
    every = tuple(range(len(roles)))
    found: dict[str, tuple[float, float, tuple[int, ...]]] = {}
    plain = {
        "reproducibility": members(SourceRole.REPRODUCIBILITY), "interaction": members(SourceRole.INTERACTION),
        "grr": measuring, "parts": part, "total": every,
    }  # fmt: skip
    for name, which in plain.items():
        if len(which) > 1:
            found[name] = (float(np.sqrt(variance[list(which)].sum())), REPEATABILITY_SD, which)
    if part:
        grr, total, parts = (variance[list(which)].sum() for which in (measuring, every, part))
        found["total_percent"] = (100 * float(np.sqrt(grr / total)), 1.0, every)
        found["agreement"] = (float(parts / total), 0.01, every)
        consistent = float(parts / (parts + variance[list(within)].sum()))
        found["consistency"] = (consistent, 0.01, (*part, *within))
    return found


def value_of(found: Capability, name: str) -> tuple[float, float, float]:
    part = getattr(found, name)
    interval = part.interval
    return (part.sd if hasattr(part, "sd") else part.value), interval.lower, interval.upper


def measured(
    grid: Grid, draws: int, *, capability_draws: int | None = None, before_draws: int = 0
) -> Measured:
    """Simulate, fit and count; sums and shares, and the limits used before, for so many of the data sets."""
    sds = np.sqrt(grid.variances)
    components = {
        name: Tally(truth=float(sd), unit=REPEATABILITY_SD) for name, sd in zip(grid.names, sds, strict=True)
    }
    wanted = truths_of_sums(grid) if grid.sums else {}
    sums = {name: Tally(truth=t, unit=u, parts=which) for name, (t, u, which) in wanted.items()}
    left = draws if capability_draws is None else capability_draws
    for fit in grid.fits(draws, (SEED, GRID.index(grid))):
        estimate = np.sqrt(np.maximum(fit.variances, 0))
        lower, upper = (np.sqrt(side) for side in fit.limits)
        for k, tally in enumerate(components.values()):
            tally.add(estimate[:, k], lower[:, k], upper[:, k])
        if tally.draws <= before_draws:
            earlier = [np.sqrt(side) for side in earlier_limits(fit)]
            inside = ((earlier[0] <= sds) & (sds <= earlier[1])).sum(axis=0)
            for count, tally in zip(inside.tolist(), components.values(), strict=True):
                tally.before += count
                tally.before_draws += len(estimate)
        size = min(left, len(estimate))
        left -= size
        for name, rows in _sum_rows(grid, fit, size, sums):
            sums[name].add(*rows.T)
    for tally in components.values():
        tally.near = tally.zero > NEAR_ZERO * tally.draws
    near = [tally.near for tally in components.values()]
    for tally in sums.values():
        tally.near = any(near[k] for k in tally.parts)
    return Measured(grid=grid, draws=draws, components=components, sums=sums)


def _sum_rows(
    grid: Grid, fit: BlockFit, size: int, sums: dict[str, Tally]
) -> Iterator[tuple[str, np.ndarray]]:
    if size == 0 or not sums:
        return
    generators = [np.random.default_rng([SEED, i]) for i in range(len(fit.block.groups))]
    with patch.object(capability_module, "UNBALANCED_DRAWS", PIVOT_DRAWS):
        found = capabilities(fit, grid.sources, generators=generators, pivot_draws=PIVOT_DRAWS)
    for name in sums:
        yield name, np.array([value_of(one, name) for one in found[:size]])


QUICK = (
    "2 rigs × 8 sets × 2",
    "3 lots of 4 sets × 2",
    "2 lots of 5 sets × 2, 20 % missing",
    "3 rigs × 400 sets × 1 or 2",
)


def check(found: Measured) -> None:
    for name, tally in (*found.components.items(), *found.sums.items()):
        assert tally.kept, (found.grid.name, name, tally.covered / tally.draws, tally)


@pytest.mark.parametrize("grid", [g for g in GRID if g.name in QUICK], ids=lambda g: g.name)
def test_intervals_cover_in_a_short_run(grid):
    check(measured(grid, 300, capability_draws=0))


@pytest.mark.full
@pytest.mark.parametrize("grid", GRID, ids=lambda g: g.name)
def test_intervals_cover(grid):
    check(measured(grid, FULL_DRAWS))


def test_what_a_short_run_can_see():
    # 85 % instead of 95 % is found out, and so is a method that always covers; 95 % passes.
    for rate, kept in ((0.85, False), (0.95, True), (1.0, False)):
        missed = round(300 * (1 - rate))
        assert Tally(truth=1.0, unit=1.0, draws=300, above=missed).kept is kept


def table(found: list[Measured]) -> list[str]:
    lines = [
        "| layout | data sets | quantity | truth / s_r | at zero, % | bias | RMSE | before, % | covers, % | above, % "
        "| below, % | kept |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for one in found:
        layout = one.grid.name
        for name, tally in one.components.items():
            lines.append(_line(layout, name, f"{tally.truth / REPEATABILITY_SD:.2f}", tally))
            layout = ""
        for name, tally in one.sums.items():
            share = name not in ("grr", "total", "parts", "reproducibility", "interaction")
            truth = tally.truth if name == "total_percent" else 100 * tally.truth
            shown = f"{truth:.1f} %" if share else f"{tally.truth / REPEATABILITY_SD:.2f}"
            lines.append(_line("", WORDS[name], shown, tally))
    return lines


def _line(layout: str, name: str, truth: str, tally: Tally) -> str:
    n = tally.draws
    sets = n if layout else ""
    bias = tally.error / n
    rmse = float(np.sqrt(tally.squared / n))
    before = percent(tally.before, tally.before_draws) if tally.before_draws else ""
    near = " (near zero)" if tally.near and tally.covered > COVER_AT_MOST * n else ""
    return (
        f"| {layout} | {sets} | {name} | {truth} | {percent(tally.zero, n)} | {bias:+.3f} | {rmse:.3f} | "
        f"{before} | {percent(tally.covered, n)} | {percent(tally.above, n)} | {percent(tally.below, n)} | "
        f"{'yes' if tally.kept else 'NO'}{near} |"
    )


def report(date: str, draws: int) -> str:
    found = [measured(grid, draws, before_draws=BEFORE_DRAWS) for grid in GRID]
    return written(date, draws, found)


def written(date: str, draws: int, found: list[Measured]) -> str:
    tallies = [t for one in found for t in (*one.components.values(), *one.sums.values())]
    missed = sum(not t.kept for t in tallies)
    return "\n".join(
        [
            "# Coverage, bias and error over a grid of layouts",
            "",
            *provenance(
                date, SEED, f"{draws} data sets per layout unless the table says fewer", Path(__file__).name
            ),
            "",
            "A 95 % interval is to cover its truth in at least 94 %, and in at most 97 % where no part of it is near",
            "zero (estimated at zero in more than 1 % of the data sets); a cell fails when the exact 99.9 % binomial",
            f"bound lies beyond. {len(tallies)} cells, {missed} fail. Components and sums are standard deviations:",
            "truth, bias and root-mean-square error in units of the repeatability standard deviation; those of shares",
            "are in percent. `above` and `below`: share of the data sets whose whole interval lies above or below the",
            f"truth; `before`: coverage over the first {min(draws, BEFORE_DRAWS)} of the limits used until 2026-11-27",
            "(profile likelihood in unbalanced layouts; in balanced ones modified large-sample limits without the rule",
            'that prevents "0 to 0"). Repeatability is exact chi-square, other components modified large-sample',
            "(balanced), generalised pivotal (unbalanced) or, in the last and large layout, profile likelihood at",
            "points for few levels; shares are generalised pivotal from 2,000 draws. Sources are random; runs that are",
            "missing are missing at random.",
            "",
            *table(found),
            "",
        ]
    )


if __name__ == "__main__":
    chosen = int(sys.argv[2]) if len(sys.argv) > 2 else FULL_DRAWS
    target = Path(__file__).with_name("interval_grid.md")
    target.write_text(report(sys.argv[1], chosen), encoding="utf-8")
    print(target.read_text(encoding="utf-8"))
