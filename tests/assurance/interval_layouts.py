"""The layouts of the grid: plans of runs with the true standard deviations of their sources.

In: nothing.  Out: GRID, the layouts in which every source is a sample, and CONTRASTS, those with levels to compare.

The truths are ratios of variances to that of repeatability, from 0 to 10. Runs that were lost are lost at random
under a fixed seed; no rig, operator, lot or set is lost altogether.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np

from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.judgement.capability import Source, SourceRole
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import Model, model_of
from repeatab.simulate import planned_block, simulate_batches

LEVEL = 0.40
REPEATABILITY_SD = 0.004
Rows = tuple[tuple[Any, ...], ...]

ROLES = {
    "rig": SourceRole.REPRODUCIBILITY,
    "operator": SourceRole.REPRODUCIBILITY,
    "rig × operator": SourceRole.REPRODUCIBILITY,
    "visit": SourceRole.REPRODUCIBILITY,
    "lot": SourceRole.PART,
    "set": SourceRole.PART,
    "repeatability": SourceRole.REPEATABILITY,
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Grid:
    """A plan of runs and what is true in it.

    ratios : variance of each source that the layout can tell, in units of the repeatability variance.
    missing : share of the planned runs that were lost.
    sums : whether sums and shares are measured as well as components; they need the pivots of small layouts.
    """

    name: str
    factors: tuple[str, ...]
    rows: Rows = field(repr=False)
    model: Model = field(repr=False)
    ratios: tuple[float, ...]
    missing: float = 0.0
    batch: int = 500
    sums: bool = True

    @cached_property
    def block(self) -> Block:
        return planned_block({name: [row[i] for row in self.rows] for i, name in enumerate(self.factors)})

    @cached_property
    def layout(self) -> Layout:
        found = layout_of(self.block, self.model)
        assert len(found.estimated) == len(self.ratios), (self.name, found.sources)
        return found

    @property
    def variances(self) -> np.ndarray:
        return REPEATABILITY_SD**2 * np.array([*self.ratios, 1.0])

    @property
    def names(self) -> tuple[str, ...]:
        """Of the components, repeatability last."""
        sources = self.layout.sources
        return (*(sources[i] for i in self.layout.estimated), sources[-1])

    @property
    def sources(self) -> tuple[Source, ...]:
        """What each component counts as in a gauge study."""
        return tuple(
            Source(names=(name,), role=ROLES.get(name, SourceRole.INTERACTION)) for name in self.names
        )

    def fits(self, draws: int, seed: Sequence[int], *, method: Method = Method.AUTO) -> Iterator[BlockFit]:
        """Fits of simulated data sets, some hundreds at a time."""
        rng = np.random.default_rng(list(seed))
        for drawn in simulate_batches(
            self.block, self.layout, self.variances, LEVEL, draws, rng, batch=self.batch
        ):
            yield BlockFit(block=drawn, layout=self.layout, method=method, level=0.95)


def crossing(*sizes: int, missing: float = 0.0, seed: int = 0) -> Rows:
    """Every combination, of which a share is lost at random; redrawn until every level of every factor is left."""
    every = list(product(*(range(size) for size in sizes)))
    number = round(missing * len(every))
    for turn in range(100):
        rng = np.random.default_rng([seed, turn])
        gone = set(rng.permutation(len(every))[:number].tolist())
        left = tuple(row for i, row in enumerate(every) if i not in gone)
        if all(len({row[i] for row in left}) == size for i, size in enumerate(sizes)):
            return left
    raise AssertionError("every draw lost a whole level")


CROSSED = model_of(random=["rig", "set", ("rig", "set")])
ADDITIVE = model_of(random=["rig", "set"])
THREE_WAY = model_of(
    random=["rig", "operator", ("rig", "operator"), "set", ("rig", "set"), ("operator", "set")]
)
LOTS = model_of(random=["lot", "set"], nested_in={"set": "lot"})
VISITS = model_of(random=["rig", "visit"], nested_in={"visit": "rig"})
USED_UP = model_of(random=["rig", "set"], nested_in={"set": "rig"})
SPLIT_LOTS = model_of(random=["rig", "lot", ("rig", "lot")])
RIG_SET = ("rig", "set", "run")


def crossed(name: str, sizes: tuple[int, int, int], ratios: tuple[float, ...], missing: float = 0.0) -> Grid:
    return Grid(
        name=name, factors=RIG_SET, rows=crossing(*sizes, missing=missing, seed=3), model=CROSSED, ratios=ratios,
        missing=missing,
    )  # fmt: skip


def other(
    name: str, factors: tuple[str, ...], sizes: tuple[int, ...], model: Model, ratios: tuple[float, ...],
    missing: float = 0.0, batch: int = 500,
) -> Grid:  # fmt: skip
    rows = crossing(*sizes, missing=missing, seed=3)
    return Grid(
        name=name, factors=factors, rows=rows, model=model, ratios=ratios, missing=missing, batch=batch
    )


def many_sets() -> Rows:
    """Three rigs and so many sets that limits are those of large layouts; every second cell holds two runs."""
    return tuple((rig, pad) for rig in range(3) for pad in range(400) for _ in range(1 + (rig + pad) % 2))


def two_rigs_each() -> Rows:
    """Twelve sets, each twice on two of four rigs: every pair of rigs shares two sets."""
    pairs = [(a, b) for a in range(4) for b in range(a + 1, 4)] * 2
    return tuple((rig, i, run) for i, pair in enumerate(pairs) for rig in pair for run in range(2))


GRID: tuple[Grid, ...] = (
    crossed("2 rigs × 8 sets × 2", (2, 8, 2), (1, 10, 0.3)),
    crossed("3 rigs × 8 sets × 2", (3, 8, 2), (1, 10, 0.3)),
    crossed("3 rigs that agree × 8 sets × 2", (3, 8, 2), (0, 10, 0)),
    crossed("5 rigs × 6 sets × 2", (5, 6, 2), (3, 3, 1)),
    crossed("12 rigs × 6 sets × 2", (12, 6, 2), (1, 10, 0.3)),
    crossed("2 rigs × 8 sets × 2, 40 % missing", (2, 8, 2), (3, 10, 1), 0.4),
    crossed("3 rigs × 8 sets × 2, 20 % missing", (3, 8, 2), (1, 10, 0.3), 0.2),
    crossed("3 rigs × 8 sets × 2, 40 % missing", (3, 8, 2), (1, 10, 0.3), 0.4),
    crossed("3 rigs that agree × 8 sets × 2, 20 % missing", (3, 8, 2), (0, 10, 0), 0.2),
    crossed("3 rigs far apart × 8 sets × 2, 20 % missing", (3, 8, 2), (10, 3, 1), 0.2),
    crossed("5 rigs × 8 sets × 2, 40 % missing", (5, 8, 2), (10, 10, 1), 0.4),
    crossed("8 rigs × 5 sets × 3, 20 % missing", (8, 5, 3), (0.3, 1, 0), 0.2),
    crossed("12 rigs × 6 sets × 2, 40 % missing", (12, 6, 2), (1, 3, 0.3), 0.4),
    other("3 rigs × 10 sets, each once", ("rig", "set"), (3, 10), ADDITIVE, (1, 3)),
    other("4 rigs × 8 sets, each once, 30 % missing", ("rig", "set"), (4, 8), ADDITIVE, (3, 3), 0.3),
    Grid(name="12 sets, each on two of 4 rigs", factors=RIG_SET, rows=two_rigs_each(), model=CROSSED,
         ratios=(1, 3, 0.3)),
    other("2 rigs × 2 operators × 5 sets × 2", ("rig", "operator", "set", "run"), (2, 2, 5, 2), THREE_WAY,
          (3, 1, 0.3, 10, 1, 0.3)),
    other("3 rigs × 3 operators × 6 sets × 2, 20 % missing", ("rig", "operator", "set", "run"), (3, 3, 6, 2),
          THREE_WAY, (1, 0.3, 0.3, 10, 0.3, 0.3), 0.2),
    other("3 lots of 4 sets × 2", ("lot", "set", "run"), (3, 4, 2), LOTS, (1, 3)),
    other("8 lots of 3 sets × 2, lots alike", ("lot", "set", "run"), (8, 3, 2), LOTS, (0, 1)),
    other("2 lots of 5 sets × 2, 20 % missing", ("lot", "set", "run"), (2, 5, 2), LOTS, (10, 3), 0.2),
    other("6 lots of 4 sets × 2, 40 % missing", ("lot", "set", "run"), (6, 4, 2), LOTS, (1, 3), 0.4),
    other("4 rigs, 3 visits each, 3 runs, 30 % missing", ("rig", "visit", "run"), (4, 3, 3), VISITS, (1, 1), 0.3),
    other("5 rigs with 4 sets of their own × 2, 20 % missing", ("rig", "set", "run"), (5, 4, 2), USED_UP,
          (0.3, 3), 0.2),
    other("3 rigs × 4 lots, 3 sets used up in each", ("rig", "lot", "run"), (3, 4, 3), SPLIT_LOTS, (1, 1, 0.3)),
    other("4 rigs × 3 lots, 4 sets used up in each, 40 % missing", ("rig", "lot", "run"), (4, 3, 4), SPLIT_LOTS,
          (3, 1, 0.3), 0.4),
    Grid(name="3 rigs × 400 sets × 1 or 2", factors=("rig", "set"), rows=many_sets(), model=ADDITIVE, ratios=(1, 3),
         batch=100, sums=False),
)  # fmt: skip
