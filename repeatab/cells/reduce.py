"""Reduce: a table in memory to Cells.

In: any dataframe (or Results) whose keys and values are complete, or arrays.  Out: Cells.
A table that an engine reads piece by piece is reduced where it lies (in_engine).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import InputError
from repeatab.base.progress import Progress, silent
from repeatab.cells.table import (
    Cells,
    FloatArray,
    IntArray,
    LabelArray,
    combined_columns,
    dense_codes,
    sort_and_code,
    sorted_levels,
)
from repeatab.intake.engine import count_rows
from repeatab.intake.full_digits import FINE
from repeatab.intake.results import Results
from repeatab.intake.watching import Watch

LARGEST = 1e60
"""Largest value that is taken: the analysis forms fourth powers, and these must stay numbers."""

# Means and scatter below this part of the distance that was subtracted keep fewer digits than they have.
FAR = 1e-3


def reduce_to_cells(
    frame: Any,
    *,
    result: str,
    factors: Sequence[str],
    covariates: Sequence[str] = (),
    progress: Progress = silent,
) -> Cells:
    """Reduce a table to cells.

    Parameters
    ----------
    frame : a dataframe of pandas, Polars, PyArrow, DuckDB or Dask, or Results; one row per result. A lazy one
        (Polars, DuckDB) is reduced by its own engine, one of Dask part by part on its machines, so it may be larger
        than memory.
    result, covariates : numeric columns, finite throughout.
    factors : key columns, without missing labels.

    Raises
    ------
    InputError
        A column is missing, a key is empty, or a value is missing, infinite or not a number.
    """
    import narwhals.stable.v2 as nw

    connection, nominal = None, None
    if isinstance(frame, Results):
        nominal = frame.nominal if result == "result" else None
        frame, connection = frame.frame, frame.connection
    if type(frame).__module__.partition(".")[0] in ("dask", "dask_expr"):
        from repeatab.cells.in_parts import reduce_parts

        return reduce_parts(frame, result=result, factors=factors, covariates=covariates)
    table: Any = _Plain(frame) if _is_plain(frame) else nw.from_native(frame)
    lazy = isinstance(table, nw.LazyFrame)
    present = list(table.collect_schema().names()) if lazy else list(table.columns)
    for name in (*factors, result, *covariates):
        if name not in present:
            raise InputError.no_such_column(file="table", column=name, role=name, present=present)
    if isinstance(table, nw.LazyFrame):
        from repeatab.cells.in_engine import reduce_in_engine

        rows = 0 if connection is None else count_rows(table)
        watch = Watch(progress=progress, connection=connection, rows=rows)
        return reduce_in_engine(table, tuple(factors), (result, *covariates), watch)
    if len(table) == 0:
        raise no_rows()
    values = [_numbers(table[name], name) for name in (result, *covariates)]
    if nominal is not None:
        values[0] = _numbers(table[FINE], result)
    coded = [_coded(table[name], name) for name in factors]
    return _reduce(
        tuple(factors),
        tuple(levels for levels, _ in coded),
        [c for _, c in coded],
        (result, *covariates),
        values,
        nominal=nominal,
    )


def _is_plain(frame: Any) -> bool:
    """Whether the table is one of pandas, which is read without a wrapper around each column."""
    kind = type(frame)
    return (
        kind.__module__.partition(".")[0] == "pandas"
        and kind.__name__ == "DataFrame"
        and frame.columns.is_unique
    )


class _Plain:
    """A table of pandas: a column of ordinary numbers is its array, every other one goes through the wrapper."""

    def __init__(self, frame: Any) -> None:
        self._frame = frame
        self.columns = list(frame.columns)

    def __len__(self) -> int:
        return len(self._frame)

    def __getitem__(self, name: str) -> Any:
        column = self._frame[name]
        if isinstance(column.dtype, np.dtype) and column.dtype.kind in "iuf":
            return column.to_numpy()
        import narwhals.stable.v2 as nw

        return nw.from_native(column, series_only=True)


def cells_of_arrays(
    factors: Mapping[str, Sequence[object] | NDArray[Any]], values: Mapping[str, Sequence[float] | FloatArray]
) -> Cells:
    """Cells straight from arrays of equal length: key columns and values by name, the result first."""
    coded = [sort_and_code(np.asarray(list(labels), dtype=object)) for labels in factors.values()]
    columns = [np.asarray(v, dtype=np.float64) for v in values.values()]
    return _reduce(
        tuple(factors), tuple(levels for levels, _ in coded), [c for _, c in coded], tuple(values), columns
    )


def no_rows() -> InputError:
    """The refusal of an empty table."""
    return InputError("table: found no rows, expected at least one result.")


def out_of_reach(name: str, value: float) -> InputError:
    """The refusal of a number whose powers are no numbers any more."""
    return InputError(
        f"column '{name}': found {value:g}, expected a number of at most {LARGEST:g}, whose square is finite and keeps "
        "its digits. State the column in another unit."
    )


def not_numeric(name: str) -> InputError:
    """The refusal of a column of text or dates."""
    return InputError(
        f"column '{name}': found text or dates, expected numbers. Read the table with read_results."
    )


def _numbers(series: Any, name: str) -> FloatArray:
    try:
        values = series if isinstance(series, np.ndarray) else series.to_numpy()
        # Dates would turn into numbers without a word.
        if values.dtype.kind in "mM" or (series is not values and series.dtype.is_temporal()):
            raise TypeError
        values = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise not_numeric(name) from None
    # A value that is not a number makes both comparisons false.
    if values.min() >= -LARGEST and values.max() <= LARGEST:
        return values
    usable = np.abs(values) <= LARGEST
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size == 0:
        raise out_of_reach(name, float(values[np.argmin(usable)]))
    raise InputError(
        f"column '{name}', data row {bad[0] + 1}: found {values[bad[0]]}, expected a finite number "
        f"({bad.size} such rows). Remove the rows, or read the table with read_results, which sets them "
        "aside."
    )


def _coded(series: Any, name: str) -> tuple[LabelArray, IntArray]:
    if isinstance(series, np.ndarray):
        if series.dtype.kind == "f":
            _refuse_empty(np.isnan(series), name)
        return sort_and_code(series)
    native = series.to_native()
    if type(native).__module__.partition(".")[0] == "pandas" and not isinstance(native.dtype, np.dtype):
        # Categories and text: pandas codes them without making an object of every row.
        import pandas as pd

        if isinstance(native.dtype, pd.CategoricalDtype):
            stored = native.cat.codes.to_numpy()
            _refuse_empty(stored < 0, name)
            found, codes = dense_codes(stored.astype(np.int64), len(native.cat.categories))
            return sorted_levels(list(native.cat.categories[found]), codes)
        codes, uniques = pd.factorize(native)
        _refuse_empty(codes < 0, name)
        return sorted_levels(list(uniques), codes.astype(np.int64, copy=False))
    labels = np.asarray(series.to_numpy())
    if labels.dtype.kind not in "iub":
        empty = np.asarray(series.is_null().to_numpy(), dtype=bool)
        if labels.dtype.kind == "f":
            # Some engines tell "not a number" from "nothing there"; as a label it is no label either way.
            empty = empty | np.isnan(labels)
        _refuse_empty(empty, name)
    return sort_and_code(labels)


def _refuse_empty(empty: NDArray[np.bool_], name: str) -> None:
    if empty.any():
        rows = np.flatnonzero(empty)
        raise InputError(
            f"column '{name}', data row {rows[0] + 1}: found no label, expected one ({rows.size} such "
            "rows). Fill it in or leave the row out."
        )


def _reduce(
    factors: tuple[str, ...],
    levels: tuple[LabelArray, ...],
    codes: Sequence[IntArray],
    variables: tuple[str, ...],
    values: Sequence[FloatArray],
    *,
    nominal: float | None = None,
) -> Cells:
    """`nominal` : has been taken off the first of the values already, with more digits than are left to take."""
    rows = len(values[0])
    if codes:
        found, cell = dense_codes(*combined_columns(codes, [len(labels) for labels in levels]))
        size = len(found)
    else:
        cell, size = np.zeros(rows, np.int64), 1
    count = np.bincount(cell, minlength=size)
    starts = np.concatenate([[0], np.cumsum(count)[:-1]])
    order = None if bool((cell[1:] >= cell[:-1]).all()) else _order_of(cell, size)
    means, centred, shift = [], [], []
    for at, column in enumerate(values):
        ordered = column if order is None else column[order]
        # Subtracting a value of the data itself is exact for values within a factor of two of it, and it keeps
        # the means small, so that a level of 1e6 with a scatter of 0.01 loses nothing.
        origin = float(column[0]) if nominal is None or at else 0.0
        mean, rest = _centred(ordered - origin, starts, count)
        if _lost(mean, rest, origin, starts, count):
            origin = 0.0
            mean, rest = _centred(ordered, starts, count)
        means.append(mean)
        centred.append(rest)
        shift.append(origin if nominal is None or at else nominal)
    cross = np.empty((size, len(variables), len(variables)))
    for i in range(len(variables)):
        for j in range(i + 1):
            cross[:, i, j] = cross[:, j, i] = np.add.reduceat(centred[i] * centred[j], starts)
    first = starts if order is None else order[starts]
    return Cells(
        factors=factors, levels=levels,
        codes=np.stack([column[first] for column in codes], axis=1) if codes else np.zeros((size, 0), np.int64),
        variables=variables, shift=np.array(shift), count=count, mean=np.stack(means, axis=1), cross=cross,
    )  # fmt: skip


def _lost(mean: FloatArray, rest: FloatArray, origin: float, starts: IntArray, count: IntArray) -> bool:
    """Whether some cell lies so near zero, with so little scatter, that subtracting a far value costs it digits."""
    reach = np.abs(mean).max()
    near = (np.abs(mean + origin) < FAR * reach) & (count > 1)
    if not near.any():
        return False
    size = np.maximum.reduceat(np.abs(rest), starts)
    return bool((size[near] < FAR * reach).any())


def _order_of(cell: IntArray, size: int) -> IntArray:
    """Rows in the order of their cells. Short whole numbers are sorted digit by digit, in one pass each."""
    low = np.argsort(cell.astype(np.uint16), kind="stable")
    if size <= 1 << 16:
        return low
    high = (cell >> 16)[low]
    return low[np.argsort(high.astype(np.uint16) if size <= 1 << 32 else high, kind="stable")]


def _centred(column: FloatArray, starts: IntArray, count: IntArray) -> tuple[FloatArray, FloatArray]:
    """(cells,) means, and the rows' deviations from them."""
    # Sums over contiguous runs are formed pairwise: thousands of runs in a cell cost no digit. A second pass
    # takes out the rounding of the first sum.
    first = np.add.reduceat(column, starts) / count
    rest = _less(column, first, count)
    left = np.add.reduceat(rest, starts) / count
    return first + left, _less(rest, left, count)


def _less(column: FloatArray, centre: FloatArray, count: IntArray) -> FloatArray:
    """The rows less the centre of their cells, which stand one after the other."""
    if (count == count[0]).all():
        return (column.reshape(-1, count[0]) - centre[:, None]).reshape(-1)
    return column - np.repeat(centre, count)
