"""In engine: a lazy table reduced to Cells by the engine that holds it, so that it may be larger than memory.

In: a narwhals LazyFrame (Polars, DuckDB).  Out: Cells; only one row per cell leaves the engine.

Never from raw squares and never by an engine's own variance function: a first pass forms sums about one value of
each column. Where a cell lies so far from it that digits would be lost, a second pass joins the cell means back
and forms the sums about them.
Source: Chan, Golub & LeVeque (1983), The American Statistician 37, 242-247.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations_with_replacement
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np

from repeatab.base.errors import InputError
from repeatab.cells.reduce import no_rows, not_numeric
from repeatab.cells.table import Cells, FloatArray, IntArray, LabelArray, cell_index, sort_and_code

Lazy = nw.LazyFrame[Any]

# Squared distance of a cell from the common centre, in its own variances, up to which one pass keeps the digits:
# the sum about the centre is then at most this many times the one that is wanted.
_NEAR = 10.0


def reduce_in_engine(table: Lazy, factors: tuple[str, ...], variables: tuple[str, ...]) -> Cells:
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
    shift = _common_centre(work, numbers)
    moved = work.with_columns(*(nw.col(v) - float(c) for v, c in zip(numbers, shift, strict=True)))
    found = _collect(_summed(moved, tuple(keys), tuple(numbers), check=True))
    _refuse_bad(found, keys, numbers)
    count, mean, cross = _statistics(found, len(variables))
    if _far_away(count, mean, cross):
        found, mean, cross = _about_means(moved, found, tuple(keys), tuple(numbers))
        count = found["rows"].to_numpy().astype(np.int64)
    levels, codes = _coded(found, tuple(keys))
    order = np.argsort(cell_index(codes, [len(labels) for labels in levels])[0])
    return Cells(
        factors=factors, levels=levels, codes=codes[order], variables=variables, shift=shift,
        count=count[order], mean=mean[order], cross=cross[order],
    )  # fmt: skip


def _common_centre(work: Lazy, numbers: dict[str, str]) -> FloatArray:
    """The middle of each column's range: a centre that costs one light pass and does not depend on the order of
    the rows, on threads or on partitions."""
    wanted = [
        part
        for v in numbers
        for part in (nw.col(v).min().alias(f"{v}low"), nw.col(v).max().alias(f"{v}high"))
    ]
    ends = _collect(work.select(*wanted))
    low = np.array([_number(ends[f"{v}low"]) for v in numbers])
    high = np.array([_number(ends[f"{v}high"]) for v in numbers])
    centre = low / 2 + high / 2
    return np.where(np.isfinite(centre), centre, 0.0)


def _number(column: Any) -> float:
    value = column.to_list()[0]
    return float("nan") if value is None else float(value)


def _products(values: Sequence[str]) -> list[tuple[int, int, nw.Expr]]:
    pairs = combinations_with_replacement(range(len(values)), 2)
    return [(i, j, nw.col(values[i]) * nw.col(values[j])) for i, j in pairs]


def _summed(
    table: Lazy, keys: tuple[str, ...], values: tuple[str, ...], *, check: bool, also: tuple[str, ...] = ()
) -> Lazy:
    """Per cell the number of rows, sums and sums of products, what is constant within it (`also`), and if asked
    how many values are not finite."""
    products = {f"cross{i}_{j}": expression for i, j, expression in _products(values)}
    bad = {f"bad{v}": ~nw.col(v).is_finite().fill_null(False) for v in values} if check else {}
    table = table.with_columns(**products, **{name: flag.cast(nw.Int64) for name, flag in bad.items()})
    sums = [nw.col(name).sum() for name in (*values, *products, *bad)]
    sums += [nw.col(name).max() for name in also]
    if not keys:
        return table.select(nw.len().alias("rows"), *sums)
    return table.group_by(*keys).agg(nw.len().alias("rows"), *sums)


def _collect(table: Lazy) -> nw.DataFrame[Any]:
    if table.implementation.is_polars():
        return table.collect(backend="polars", engine="streaming")
    return table.collect(backend="pyarrow")


def _refuse_bad(found: nw.DataFrame[Any], keys: dict[str, str], numbers: dict[str, str]) -> None:
    rows = found["rows"].to_numpy()
    if len(found) == 0 or rows.sum() == 0:
        raise no_rows()
    for value, name in numbers.items():
        bad = int(found[f"bad{value}"].to_numpy().sum())
        if bad:
            raise InputError(
                f"column '{name}': found {bad} row(s) without a finite number. Remove the rows, or read the table "
                "with read_results, which sets them aside."
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


def _statistics(found: nw.DataFrame[Any], size: int) -> tuple[IntArray, FloatArray, FloatArray]:
    """Counts, means and cross-products about the means, from sums about the common centre."""
    count = found["rows"].to_numpy().astype(np.int64)
    mean = np.stack([found[f"value{i}"].to_numpy() for i in range(size)], axis=1) / count[:, None]
    cross = np.empty((len(count), size, size))
    for i, j in combinations_with_replacement(range(size), 2):
        about_mean = found[f"cross{i}_{j}"].to_numpy() - count * mean[:, i] * mean[:, j]
        cross[:, i, j] = cross[:, j, i] = about_mean
    index = np.arange(size)
    cross[:, index, index] = np.maximum(cross[:, index, index], 0)
    return count, mean, cross


def _far_away(count: IntArray, mean: FloatArray, cross: FloatArray) -> bool:
    spread = np.diagonal(cross, 0, 1, 2)
    # A cell of one row has no scatter to lose digits of, unless rounding has left some.
    many = count > 1
    return bool((count[many, None] * mean[many] ** 2 > _NEAR * spread[many]).any()) or bool(
        (spread[~many] != 0).any()
    )


def _about_means(
    moved: Lazy, found: nw.DataFrame[Any], keys: tuple[str, ...], values: tuple[str, ...]
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
        known = found.select(*(nw.col(v) / nw.col("rows") for v in values))
        beside = moved.with_columns(
            *(nw.lit(_number(known[v])).alias(name) for v, name in zip(values, names, strict=True))
        )
    rest = beside.with_columns(*(nw.col(v) - nw.col(name) for v, name in zip(values, names, strict=True)))
    again = _collect(_summed(rest, keys, values, check=False, also=tuple(names)))
    _, left, cross = _statistics(again, size)
    return again, np.stack([again[name].to_numpy() for name in names], axis=1) + left, cross


def _coded(found: nw.DataFrame[Any], keys: tuple[str, ...]) -> tuple[tuple[LabelArray, ...], IntArray]:
    coded = [sort_and_code(np.asarray(found[key].to_list(), dtype=object)) for key in keys]
    codes = np.stack([c for _, c in coded], axis=1) if coded else np.zeros((len(found), 0), np.int64)
    return tuple(levels for levels, _ in coded), codes
