"""In engine: a lazy table reduced to Cells by the engine that holds it, so that it may be larger than memory.

In: a narwhals LazyFrame (Polars, DuckDB).  Out: Cells; only one row per cell leaves the engine.

One pass, never from raw squares and never by an engine's own variance function: each value is split into a multiple
of a coarse grid and the rest, without rounding (v + M - M with a large M rounds v to the grid of M). Sums of the
multiples and of their products are whole numbers of grid steps, so they are exact; only products with the rest, which
is thousands of times smaller than the range, are rounded. Where even that costs digits, a second pass joins the cell
means back and forms the sums about them.
Source: Dekker (1971), Numerische Mathematik 18, 224-242 (splitting); Chan, Golub & LeVeque (1983), The American
Statistician 37, 242-247 (two passes).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import InputError
from repeatab.cells.reduce import FAR, LARGEST, no_rows, not_numeric, out_of_reach
from repeatab.cells.table import Cells, FloatArray, IntArray, LabelArray, cell_index, sort_and_code
from repeatab.intake.engine import Lazy
from repeatab.intake.watching import NOBODY, Watch

# Grid steps in the range of a column, as a power of two. Half as many from the centre give squares of 2^26 steps, so
# 2^27 rows of one cell sum up to whole numbers that float64 holds.
_STEPS = 14
# Relative error of a sum of squares above which the sums are formed again about the cell means.
_CLOSE = 1e-13
_EPS = float(np.finfo(np.float64).eps)
_STEP = "rows to cells"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """A column's grid: its steps are `step` wide, and `centre` is one of them."""

    step: float
    centre: float

    @property
    def rounder(self) -> float:
        """Added and taken away again, it leaves the nearest point of the grid."""
        return 1.5 * 2.0**52 * self.step


def reduce_in_engine(
    table: Lazy, factors: tuple[str, ...], variables: tuple[str, ...], watch: Watch = NOBODY
) -> Cells:
    """Reduce a lazy table.

    Raises
    ------
    InputError
        A key is empty, or a value is missing, infinite or not a number.
    """
    schema = table.collect_schema()
    for name in variables:
        if not schema[name].is_numeric():
            raise not_numeric(name)
    keys = {f"key{i}": name for i, name in enumerate(factors)}
    numbers = {f"value{i}": name for i, name in enumerate(variables)}
    work = table.select(
        *(nw.col(name).alias(key) for key, name in keys.items()),
        *(nw.col(name).cast(nw.Float64).alias(value) for value, name in numbers.items()),
    )
    grids = _grids(work, numbers)
    found = watch.collect(_summed(work, tuple(keys), grids), _STEP)
    _refuse_bad(found, keys, numbers, work)
    count, mean, cross, sure = _statistics(found, grids)
    shift = _shifts(found, grids, count, mean, cross)
    if not sure.all():
        equal = _all_equal(work, found, tuple(keys), tuple(numbers), watch)
        for i in range(len(grids)):
            cross[equal[:, i], i, :] = cross[equal[:, i], :, i] = 0.0
        sure |= equal
    if not sure.all():
        moved = work.with_columns(*(nw.col(v) - float(c) for v, c in zip(numbers, shift, strict=True)))
        found, mean, cross = _about_means(moved, found, tuple(keys), tuple(numbers), watch)
        count = found["rows"].to_numpy().astype(np.int64)
    levels, codes, order = _coded(found, tuple(keys))
    return Cells(
        factors=factors, levels=levels, codes=codes[order], variables=variables, shift=shift,
        count=count[order], mean=mean[order], cross=cross[order],
    )  # fmt: skip


def _grids(work: Lazy, numbers: dict[str, str]) -> list[_Grid]:
    """A grid for each column from its least and its largest value: one light pass, which Parquet files answer from
    their statistics, and nothing that depends on the order of the rows, on threads or on partitions."""
    wanted = [
        part
        for v in numbers
        for part in (nw.col(v).min().alias(f"{v}low"), nw.col(v).max().alias(f"{v}high"))
    ]
    ends = NOBODY.collect(work.select(*wanted), "")
    found = [(_number(ends[f"{v}low"]), _number(ends[f"{v}high"])) for v in numbers]
    for name, pair in zip(numbers.values(), found, strict=True):
        for value in pair:
            if LARGEST < abs(value) < np.inf:
                raise out_of_reach(name, value)
    return [_grid(low, high) for low, high in found]


def _grid(low: float, high: float) -> _Grid:
    largest = max(abs(low), abs(high))
    if not (np.isfinite(low) and np.isfinite(high)) or largest == 0:
        return _Grid(step=1.0, centre=0.0)
    # Not finer than the rounding of the values themselves allows.
    width = max((high - low) * 2.0**-_STEPS, largest * 2.0**-49, 1e-290)
    step = 2.0 ** int(np.ceil(np.log2(width)))
    return _Grid(step=step, centre=float(np.round((low / 2 + high / 2) / step) * step))


def _number(column: Any) -> float:
    value = column.to_list()[0]
    return float("nan") if value is None else float(value)


def _pairs(size: int) -> list[tuple[int, int]]:
    return list(combinations_with_replacement(range(size), 2))


def _summed(work: Lazy, keys: tuple[str, ...], grids: Sequence[_Grid]) -> Lazy:
    """Per cell the rows, the values that are there, and sums of multiples, rests and their products."""
    size = len(grids)
    nearest = [((nw.col(f"value{i}") + g.rounder) - g.rounder).alias(f"near{i}") for i, g in enumerate(grids)]
    split = work.with_columns(*nearest).with_columns(
        *((nw.col(f"near{i}") - g.centre).alias(f"coarse{i}") for i, g in enumerate(grids)),
        *((nw.col(f"value{i}") - nw.col(f"near{i}")).alias(f"fine{i}") for i in range(size)),
    )
    products = []
    for i, j in _pairs(size):
        a, b, x, y = (nw.col(name) for name in (f"coarse{i}", f"coarse{j}", f"fine{i}", f"fine{j}"))
        products += [(a * b).alias(f"coarse{i}_{j}"), (a * y + x * (b + y)).alias(f"fine{i}_{j}")]
    names = [f"{part}{i}" for part in ("coarse", "fine") for i in range(size)]
    names += [f"{part}{i}_{j}" for i, j in _pairs(size) for part in ("coarse", "fine")]
    sums = [nw.len().alias("rows"), *(nw.col(f"value{i}").count() for i in range(size))]
    sums += [nw.col(name).sum() for name in names]
    split = split.with_columns(*products)
    return split.group_by(*keys).agg(*sums) if keys else split.select(*sums)


def _refuse_bad(found: nw.DataFrame[Any], keys: dict[str, str], numbers: dict[str, str], work: Lazy) -> None:
    rows = found["rows"].to_numpy()
    if len(found) == 0 or rows.sum() == 0:
        raise no_rows()
    for i, (value, name) in enumerate(numbers.items()):
        whole = (found[value].to_numpy() == rows).all() and np.isfinite(found[f"fine{i}"].to_numpy()).all()
        if not whole:
            bad = work.filter(~nw.col(value).is_finite().fill_null(False)).select(nw.len())
            raise InputError(
                f"column '{name}': found {NOBODY.collect(bad, '').item()} row(s) without a finite number. Remove "
                "the rows, or read the table with read_results, which sets them aside."
            )
    for key, name in keys.items():
        labels = found[key]
        empty = np.asarray(labels.is_null().to_numpy(), bool)
        if labels.dtype.is_float():
            empty = empty | np.asarray(labels.is_nan().fill_null(True).to_numpy(), bool)
        if empty.any():
            raise InputError(
                f"column '{name}': found no label, expected one ({int(rows[empty].sum())} such rows). Fill it in "
                "or leave the row out."
            )


def _statistics(
    found: nw.DataFrame[Any], grids: Sequence[_Grid]
) -> tuple[IntArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Counts, means from the grids' centres, cross-products about the means, and (cells, variables) whether these
    have all their digits."""
    size = len(grids)
    count = found["rows"].to_numpy().astype(np.int64)
    steps = [np.rint(found[f"coarse{i}"].to_numpy() / g.step) for i, g in enumerate(grids)]
    fine = [found[f"fine{i}"].to_numpy() for i in range(size)]
    mean = np.stack([(s * g.step + f) / count for s, g, f in zip(steps, grids, fine, strict=True)], axis=1)
    cross = np.empty((len(count), size, size))
    for i, j in _pairs(size):
        area = grids[i].step * grids[j].step
        coarse = _whole_scatter(np.rint(found[f"coarse{i}_{j}"].to_numpy() / area), steps[i], steps[j], count)
        a, b = steps[i] * grids[i].step, steps[j] * grids[j].step
        rest = found[f"fine{i}_{j}"].to_numpy() - (a * fine[j] + fine[i] * (b + fine[j])) / count
        cross[:, i, j] = cross[:, j, i] = np.where(count == 1, 0.0, coarse * area + rest)
    index = np.arange(size)
    squares = np.maximum(cross[:, index, index], 0)
    cross[:, index, index] = squares
    far = np.abs(mean) + np.sqrt(squares / count[:, None])
    error = _EPS * count[:, None] ** 1.5 * far * np.array([g.step for g in grids])
    sure = (error <= _CLOSE * squares) | (count == 1)[:, None]
    return count, mean, cross, np.asarray(sure, dtype=np.bool_)


def _all_equal(
    work: Lazy, found: nw.DataFrame[Any], keys: tuple[str, ...], values: tuple[str, ...], watch: Watch
) -> NDArray[np.bool_]:
    """(cells, variables) whether all values of a cell are one, in the order of `found`.

    So are many small cells where results are rounded. Then nothing scatters but the rounding of the sums, and no
    second pass is needed to say so.
    """
    sides = [
        part for v in values for part in (nw.col(v).min().alias(f"{v}low"), nw.col(v).max().alias(f"{v}high"))
    ]
    ends = watch.collect(work.group_by(*keys).agg(*sides) if keys else work.select(*sides), _STEP)
    one = np.stack([(ends[f"{v}low"] == ends[f"{v}high"]).to_numpy() for v in values], axis=1).astype(
        np.bool_
    )
    equal = np.empty_like(one)
    equal[_coded(found, keys)[2]] = one[_coded(ends, keys)[2]]
    return equal


def _shifts(
    found: nw.DataFrame[Any], grids: Sequence[_Grid], count: IntArray, mean: FloatArray, cross: FloatArray
) -> FloatArray:
    """The grids' centres, or zero, with the means moved to it, where a centre is far from a cell beside zero."""
    shift = np.array([grid.centre for grid in grids])
    for i, grid in enumerate(grids):
        reach = np.abs(mean[:, i]).max()
        near = (np.abs(mean[:, i] + grid.centre) < FAR * reach) & (count > 1)
        if near.any() and (cross[near, i, i] < count[near] * (FAR * reach) ** 2).any():
            steps = np.rint(found[f"coarse{i}"].to_numpy() / grid.step) + count * (grid.centre / grid.step)
            mean[:, i] = (steps * grid.step + found[f"fine{i}"].to_numpy()) / count
            shift[i] = 0.0
    return shift


def _whole_scatter(
    products: FloatArray, first: FloatArray, second: FloatArray, count: IntArray
) -> FloatArray:
    """sum xy - sum x sum y / n of whole numbers, rounded once."""
    # Python's whole numbers have no end: n sum xy may have a hundred bits.
    n, xy, x, y = (part.astype(np.int64).astype(object) for part in (count, products, first, second))
    return np.asarray((n * xy - x * y) / n, dtype=np.float64)


def _about_means(
    moved: Lazy, found: nw.DataFrame[Any], keys: tuple[str, ...], values: tuple[str, ...], watch: Watch
) -> tuple[nw.DataFrame[Any], FloatArray, FloatArray]:
    """The cells again, with means and cross-products from a pass about the cells' own means."""
    size = len(values)
    names = [f"mean{i}" for i in range(size)]
    if keys:
        means = moved.group_by(*keys).agg(
            *(nw.col(v).mean().alias(name) for v, name in zip(values, names, strict=True))
        )
        beside = moved.join(means, on=list(keys), how="inner")
    else:
        rows = float(found["rows"].to_numpy()[0])
        known = [(_number(found[f"coarse{i}"]) + _number(found[f"fine{i}"])) / rows for i in range(size)]
        beside = moved.with_columns(*(nw.lit(m).alias(name) for m, name in zip(known, names, strict=True)))
    rest = beside.with_columns(*(nw.col(v) - nw.col(name) for v, name in zip(values, names, strict=True)))
    products = [(nw.col(values[i]) * nw.col(values[j])).alias(f"cross{i}_{j}") for i, j in _pairs(size)]
    sums = [nw.len().alias("rows"), *(nw.col(v).sum() for v in values), *(nw.col(n).max() for n in names)]
    sums += [nw.col(f"cross{i}_{j}").sum() for i, j in _pairs(size)]
    rest = rest.with_columns(*products)
    again = watch.collect(rest.group_by(*keys).agg(*sums) if keys else rest.select(*sums), _STEP)
    count = again["rows"].to_numpy().astype(np.int64)
    left = np.stack([again[v].to_numpy() for v in values], axis=1) / count[:, None]
    cross = np.empty((len(count), size, size))
    for i, j in _pairs(size):
        about = again[f"cross{i}_{j}"].to_numpy() - count * left[:, i] * left[:, j]
        cross[:, i, j] = cross[:, j, i] = np.maximum(about, 0) if i == j else about
    return again, np.stack([again[name].to_numpy() for name in names], axis=1) + left, cross


def _coded(
    found: nw.DataFrame[Any], keys: tuple[str, ...]
) -> tuple[tuple[LabelArray, ...], IntArray, IntArray]:
    """The levels of the keys, the (cells, keys) codes, and the order of the cells by their codes."""
    coded = [sort_and_code(np.asarray(found[key].to_list(), dtype=object)) for key in keys]
    codes = np.stack([c for _, c in coded], axis=1) if coded else np.zeros((len(found), 0), np.int64)
    levels = tuple(labels for labels, _ in coded)
    return levels, codes, np.argsort(cell_index(codes, [len(labels) for labels in levels])[0])
