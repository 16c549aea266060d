"""Simulate: the results that a design would give, were its components known. The only source of
simulated data.

In: a Block (the design), its Layout, components, fixed means and a generator.  Out: a Block of the same
design whose groups are the draws, ready for the estimators that analyse a study.

A draw is made cell by cell, never row by row: the mean of a cell is its fixed mean, plus one normal effect
for each class it belongs to, plus a normal with variance repeatability / count; the scatter within it is a
chi-square with count - 1 degrees of freedom, which for normal results is independent of the mean. So a draw
costs the same whether a cell holds two runs or two thousand.
Source: Searle, Casella & McCulloch (1992), Variance Components, ch. 3 and 4, for the model and the
distribution of its sums of squares.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import StudyError, listed
from repeatab.cells import FloatArray, IntArray, cells_of_arrays
from repeatab.layout.blocks import Block, blocks_of
from repeatab.layout.layout import Layout

# Relative to the largest: a direction in which a cell's covariates spread less than this holds no spread.
_NO_SPREAD = 1e-12


class Shape(Enum):
    """A distribution with mean zero and standard deviation one.

    SKEWED : chi-square of 4 degrees of freedom, skewness 1.4. HEAVY : Student's t of 5 degrees of freedom, excess
        kurtosis 6. CONTAMINATED : normal, but one in twenty from a normal four times as wide.
    """

    NORMAL = "normal"
    SKEWED = "skewed"
    HEAVY = "heavy-tailed"
    CONTAMINATED = "contaminated"

    def draw(self, rng: np.random.Generator, size: tuple[int, ...]) -> FloatArray:
        match self:
            case Shape.NORMAL:
                return rng.standard_normal(size)
            case Shape.SKEWED:
                return np.asarray((rng.chisquare(4, size) - 4) / np.sqrt(8), np.float64)
            case Shape.HEAVY:
                return np.asarray(rng.standard_t(5, size) / np.sqrt(5 / 3), np.float64)
            case Shape.CONTAMINATED:
                wide = np.where(rng.random(size) < 0.05, 4.0, 1.0)
                return np.asarray(wide * rng.standard_normal(size) / np.sqrt(0.95 + 0.05 * 16), np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapes:
    """How the effects of all random terms, and the single results about them, are distributed."""

    effects: Shape = Shape.NORMAL
    runs: Shape = Shape.NORMAL


NORMAL = Shapes()


def planned_block(
    factors: Mapping[str, Sequence[object] | NDArray[Any]],
    covariates: Mapping[str, Sequence[float] | FloatArray] | None = None,
    *,
    result: str = "result",
) -> Block:
    """A design that has no results yet: one entry per planned run, the result being zero throughout.

    Parameters
    ----------
    factors : name -> (runs,) labels.
    covariates : name -> (runs,) planned values.
    """
    runs = len(next(iter(factors.values())))
    values = {result: np.zeros(runs), **(covariates or {})}
    return blocks_of(cells_of_arrays(factors, values))[0]


def simulate_block(
    block: Block,
    layout: Layout,
    variances: FloatArray,
    fixed_mean: FloatArray | float,
    draws: int,
    rng: np.random.Generator,
    *,
    slopes: Mapping[str, float] | None = None,
    scatter_factor: FloatArray | None = None,
    shapes: Shapes = NORMAL,
) -> Block:
    """Draw `draws` data sets of one design.

    Parameters
    ----------
    block, layout : the design; the block's own results play no part (its covariates do).
    variances : (components,) or (draws, components): the estimated random terms in the order of
        `layout.estimated`, repeatability last; none below zero.
    fixed_mean : one mean or (cells,) means of the result, in its unit, at covariates of zero.
    slopes : covariate -> change of the result per unit of it; zero where not named.
    scatter_factor : (cells,) factors of the repeatability standard deviation, one throughout if not given.
    shapes : distributions; single results that are not normal are drawn run by run.

    Returns
    -------
    Block with (draws,) groups.

    Raises
    ------
    StudyError
        A variance is negative, their number does not fit the layout, a slope names no covariate, or results that are
        not normal are asked for where a covariate varies within cells.
    """
    components = _checked(variances, layout, draws)
    x, within = _covariates(block)
    beta = _slopes(slopes or {}, block.variables[1:])
    mean = np.broadcast_to(
        np.asarray(fixed_mean, np.float64) - block.shift[0], (draws, len(block.count))
    ).copy()
    mean += (x + block.shift[1:]) @ beta
    for k, i in enumerate(layout.estimated):
        term = layout.random[i]
        effect = shapes.effects.draw(rng, (draws, term.size)) * np.sqrt(components[:, k, None])
        mean += effect[:, term.codes]
    factor = np.ones(len(block.count)) if scatter_factor is None else scatter_factor
    sigma = np.sqrt(components[:, -1, None]) * factor
    if shapes.runs is Shape.NORMAL:
        mean += rng.standard_normal(mean.shape) * sigma / np.sqrt(block.count)
        cross = _scatter(block.count, within, beta, sigma, rng)
    else:
        moved, cross = _run_by_run(block.count, within, sigma, shapes.runs, rng)
        mean += moved
    means = np.concatenate([mean[:, :, None], np.broadcast_to(x, (draws, *x.shape))], axis=2)
    return replace(block, mean=means, cross=cross, groups=np.arange(draws))


def simulate_batches(
    block: Block,
    layout: Layout,
    variances: FloatArray,
    fixed_mean: FloatArray | float,
    draws: int,
    rng: np.random.Generator,
    *,
    batch: int = 500,
    slopes: Mapping[str, float] | None = None,
    scatter_factor: FloatArray | None = None,
    shapes: Shapes = NORMAL,
) -> Iterator[Block]:
    """The same in batches, so that many draws need little memory and progress can be told between them.

    The draws of a batch are numbered from zero within it. Another batch size gives other draws.
    """
    full = np.asarray(variances, np.float64)
    for low in range(0, draws, batch):
        size = min(batch, draws - low)
        part = full[low : low + size] if full.ndim == 2 else full
        yield simulate_block(
            block, layout, part, fixed_mean, size, rng,
            slopes=slopes, scatter_factor=scatter_factor, shapes=shapes,
        )  # fmt: skip


def _checked(variances: FloatArray, layout: Layout, draws: int) -> FloatArray:
    found = np.asarray(variances, np.float64)
    expected = len(layout.estimated) + 1
    if found.shape[-1] != expected or found.shape not in ((expected,), (draws, expected)):
        names = [*(layout.sources[i] for i in layout.estimated), layout.sources[-1]]
        raise StudyError(
            f"simulation: found variances of shape {found.shape}, expected {expected} values (or {draws} "
            f"rows of them), one each for {listed(names)}."
        )
    if not (np.isfinite(found).all() and (found >= 0).all()):
        raise StudyError(
            "simulation: found a variance that is negative or not finite; expected zero or more."
        )
    return np.broadcast_to(found, (draws, expected))


def _covariates(block: Block) -> tuple[FloatArray, FloatArray]:
    """(cells, c) shifted means and (cells, c, c) scatter of the covariates, from the block's first group."""
    return block.mean[0, :, 1:], block.cross[0, :, 1:, 1:]


def _slopes(slopes: Mapping[str, float], covariates: Sequence[str]) -> FloatArray:
    unknown = [name for name in slopes if name not in covariates]
    if unknown:
        raise StudyError(
            f"simulation: slopes name {listed(unknown)}; the design has {listed(covariates) or 'none'}."
        )
    return np.array([slopes.get(name, 0.0) for name in covariates], np.float64)


def _scatter(
    count: IntArray, within: FloatArray, beta: FloatArray, sigma: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """(draws, cells, v, v) cross-products about the cell means.

    What the scatter of the result has in common with a covariate lies in the directions in which the
    covariate itself spreads within the cell, one normal for each; the rest of the cell's degrees of freedom
    is chi-square.
    """
    draws, c = len(sigma), len(beta)
    cross = np.empty((draws, len(count), c + 1, c + 1))
    root, spreads = _directions(within)
    common = rng.standard_normal((draws, len(count), c)) * spreads
    free = np.maximum(count - 1 - spreads.sum(axis=1), 0)
    rest = 2.0 * rng.standard_gamma(free / 2, size=(draws, len(count)))
    own = ((common**2).sum(axis=2) + rest) * sigma**2
    linked = np.einsum("cxz,dcz->dcx", root, common) * sigma[:, :, None]
    explained = np.einsum("cxz,z->cx", within, beta)
    cross[:, :, 0, 0] = own + 2 * linked @ beta + explained @ beta
    cross[:, :, 0, 1:] = cross[:, :, 1:, 0] = linked + explained
    cross[:, :, 1:, 1:] = within
    return cross


def _run_by_run(
    count: IntArray, within: FloatArray, sigma: FloatArray, shape: Shape, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """(draws, cells) means and (draws, cells, v, v) cross-products of runs that are not normal."""
    if np.any(within > 0):
        raise StudyError(
            "simulation: found a covariate that varies within cells, expected none where the results are not normal. "
            "Give every run a cell of its own."
        )
    runs = shape.draw(rng, (len(sigma), int(count.sum())))
    starts = np.concatenate([[0], np.cumsum(count)[:-1]])
    mean = np.add.reduceat(runs, starts, axis=1) / count
    away = runs - np.repeat(mean, count, axis=1)
    size = within.shape[-1] + 1
    cross = np.zeros((*mean.shape, size, size))
    cross[:, :, 0, 0] = np.add.reduceat(away**2, starts, axis=1) * sigma**2
    return mean * sigma, cross


def simulate_sections(
    block: Block,
    layout: Layout,
    variances: FloatArray,
    fixed_mean: FloatArray,
    correlation: FloatArray,
    draws: int,
    rng: np.random.Generator,
) -> tuple[Block, ...]:
    """Draw `draws` data sets of one design in several sections at once: the runs are the same, so that what a set,
    a rig or a run brings to one section it brings in part to the others.

    Parameters
    ----------
    block, layout : the design of every section; its covariates have no effect.
    variances : (sections, components) or (draws, sections, components), in the order of `simulate_block`.
    fixed_mean : (sections, cells) means of the result.
    correlation : (sections, sections) between the sections' effects of one source, the same for every source.

    Returns
    -------
    One Block of (draws,) groups for each section.

    Raises
    ------
    StudyError
        The correlations cannot hold together, or see `simulate_block`.
    """
    root = correlation_root(correlation)
    sections = len(root)
    spread = np.broadcast_to(variances, (draws, sections, len(layout.estimated) + 1))
    for section in range(sections):
        _checked(spread[:, section], layout, draws)
    sd = np.sqrt(spread)
    mean = np.broadcast_to(fixed_mean - block.shift[0], (draws, sections, len(block.count))).copy()
    for k, i in enumerate(layout.estimated):
        term = layout.random[i]
        effect = root @ rng.standard_normal((draws, sections, term.size))
        mean += (effect * sd[:, :, k, None])[:, :, term.codes]
    own = root @ rng.standard_normal((draws, sections, len(block.count)))
    mean += own * sd[:, :, -1, None] / np.sqrt(block.count)
    cross = _joint_scatter(block, root, sd[:, :, -1, None], draws, rng)
    means = np.concatenate(
        [mean[..., None], np.broadcast_to(_covariates(block)[0], (*mean.shape, len(block.shift) - 1))], axis=3
    )
    return tuple(
        replace(block, mean=means[:, s].copy(), cross=cross[:, s].copy(), groups=np.arange(draws))
        for s in range(sections)
    )


def _directions(within: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(cells, c, c) directions in which the covariates of a cell spread, scaled by their spread, and which of them
    hold any, (cells, c)."""
    value, vector = np.linalg.eigh(within) if within.shape[-1] else (np.zeros((len(within), 0)), within)
    spreads = value > _NO_SPREAD * np.maximum(value.max(axis=1, keepdims=True, initial=0.0), 1e-300)
    return vector * np.sqrt(np.where(spreads, value, 0.0))[:, None, :], spreads


def _joint_scatter(
    block: Block, root: FloatArray, sigma: FloatArray, draws: int, rng: np.random.Generator
) -> FloatArray:
    """(draws, sections, cells, v, v) cross-products about the cell means; see `_scatter`."""
    within = _covariates(block)[1]
    along, spreads = _directions(within)
    shape, c = (draws, len(root), len(block.count)), along.shape[-1]
    cross = np.zeros((*shape, c + 1, c + 1))
    common = np.zeros((*shape, c))
    for axis in range(c):
        common[..., axis] = (root @ rng.standard_normal(shape)) * spreads[:, axis]
    own = (common**2).sum(axis=3)
    free = block.count - 1 - spreads.sum(axis=1)
    for step in range(int(free.max(initial=0))):
        own += (root @ rng.standard_normal(shape)) ** 2 * (free > step)
    cross[..., 0, 0] = own * sigma**2
    linked = np.einsum("cxz,dscz->dscx", along, common) * sigma[..., None]
    cross[..., 0, 1:] = cross[..., 1:, 0] = linked
    cross[..., 1:, 1:] = within
    return cross


def correlation_root(correlation: FloatArray) -> FloatArray:
    """A matrix that turns independent normals into ones with these correlations."""
    matrix = np.atleast_2d(np.asarray(correlation, np.float64))
    value, vector = np.linalg.eigh(matrix)
    if not np.allclose(np.diag(matrix), 1.0) or value[0] < -1e-9:
        raise StudyError(
            f"correlation between sections: found {listed([f'{v:.3g}' for v in matrix.ravel()])}, expected ones on the "
            "diagonal and values that can hold together (no negative eigenvalue)."
        )
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)))
