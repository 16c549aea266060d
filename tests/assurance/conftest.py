"""Designs, draws and the arithmetic of coverage; every draw comes from repeatab.simulate with a fixed seed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pytest

from repeatab.estimation.components import BlockFit, Method
from repeatab.estimation.contrasts import level_contrast
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import Model
from repeatab.simulate import planned_block, simulate_batches

SHORT, FULL = 400, 10_000


@dataclass(frozen=True)
class Design:
    """A plan of runs and the true standard deviations of its sources, repeatability last."""

    block: Block
    layout: Layout
    sds: tuple[float, ...]

    @property
    def variances(self) -> np.ndarray:
        return np.square(self.sds)

    def fits(self, draws: int, seed: int, method: Method) -> Iterator[BlockFit]:
        rng = np.random.default_rng(seed)
        for batch in simulate_batches(self.block, self.layout, self.variances, 0.4, draws, rng):
            yield BlockFit(block=batch, layout=self.layout, method=method, level=0.95)

    def coverage(self, draws: int, seed: int, method: Method) -> np.ndarray:
        """(components, 2) shares of draws whose interval misses the truth: all above it, all below it."""
        missed = np.zeros((len(self.sds), 2))
        for fit in self.fits(draws, seed, method):
            lower, upper = fit.limits
            missed[:, 0] += (lower > self.variances).sum(axis=0)
            missed[:, 1] += (upper < self.variances).sum(axis=0)
        return missed / draws

    def error_rate(self, factor: str, level: Any, reference: Any, draws: int, seed: int) -> float:
        """How often a contrast that is zero is called different from zero at 5 %."""
        from scipy import special

        row = level_contrast(self.layout.fixed, factor, level, reference=reference)
        called = 0
        for fit in self.fits(draws, seed, Method.REML):
            estimate, se, df = fit.combine((row,))
            called += int((2 * special.stdtr(df, -np.abs(estimate / se)) < 0.05).sum())
        return called / draws


def design_of(
    factors: list[str], rows: list[tuple[Any, ...]], model: Model, sds: tuple[float, ...]
) -> Design:
    block = planned_block({name: [row[i] for row in rows] for i, name in enumerate(factors)})
    return Design(block=block, layout=layout_of(block, model), sds=sds)


def lost(rows: Any, *, kept: float, seed: int) -> list[tuple[Any, ...]]:
    """The rows that were not lost: each is kept with this probability."""
    rng = np.random.default_rng(seed)
    return [row for row in rows if rng.random() < kept]


@pytest.fixture(scope="session")
def plan() -> Any:
    """plan(factors, sizes, model, sds, kept=..., seed=...): a crossing of factors, some runs of it lost."""

    def make(factors, sizes, model, sds, *, kept=1.0, seed=0):
        rows = lost(product(*(range(size) for size in sizes)), kept=kept, seed=seed)
        return design_of(factors, rows, model, sds)

    return make


@pytest.fixture(scope="session")
def plan_of_rows() -> Any:
    return design_of


@pytest.fixture(scope="session")
def losing() -> Any:
    return lost


@pytest.fixture(params=["short", pytest.param("full", marks=pytest.mark.full)])
def draws(request: pytest.FixtureRequest) -> int:
    """How many data sets a simulation draws; the full form runs with -m full."""
    return SHORT if request.param == "short" else FULL


@pytest.fixture(scope="session")
def within_chance() -> Any:
    """Four standard errors of a share of p in so many draws: a fixed seed that passes is not luck."""
    return lambda p, draws: 4 * float(np.sqrt(p * (1 - p) / draws))
