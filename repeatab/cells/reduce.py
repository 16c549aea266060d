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
from repeatab.cells.keys import Key, key_of_column, key_of_labels
from repeatab.cells.runs import Runs, runs_of
from repeatab.cells.table import Cells, FloatArray, IntArray, LabelArray
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
    keys = [key_of_column(table[name], name) for name in factors]
    return _reduce(tuple(factors), keys, (result, *covariates), values, nominal=nominal)


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
    keys = [key_of_labels(np.asarray(list(labels), dtype=object)) for labels in factors.values()]
    columns = [np.asarray(v, dtype=np.float64) for v in values.values()]
    return _reduce(tuple(factors), keys, tuple(values), columns)


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


def _reduce(
    factors: tuple[str, ...],
    keys: Sequence[Key],
    variables: tuple[str, ...],
    values: Sequence[FloatArray],
    *,
    nominal: float | None = None,
) -> Cells:
    """`nominal` : has been taken off the first of the values already, with more digits than are left to take."""
    runs = runs_of(keys, len(values[0]))
    # Subtracting a value of the data itself is exact for values within a factor of two of it, and it keeps
    # the means small, so that a level of 1e6 with a scatter of 0.01 loses nothing.
    origin = [float(column[0]) for column in values]
    if nominal is not None:
        origin[0] = 0.0
    mean, cross = _moments(values, origin, runs)
    lost = [_loses_digits(column, mean[:, at], origin[at], runs) for at, column in enumerate(values)]
    if any(lost):
        origin = [0.0 if bad else value for bad, value in zip(lost, origin, strict=True)]
        mean, cross = _moments(values, origin, runs)
    if nominal is not None:
        origin[0] = nominal
    levels, codes = _at_cells(keys, runs)
    return Cells(
        factors=factors, levels=levels, codes=codes, variables=variables, shift=np.array(origin),
        count=runs.count, mean=mean, cross=cross,
    )  # fmt: skip


def _moments(
    values: Sequence[FloatArray], origin: Sequence[float], runs: Runs
) -> tuple[FloatArray, FloatArray]:
    """(cells, variables) means of the values less their origins, and the sums of products about them."""
    cells, number = len(runs.count), len(values)
    mean, cross = np.empty((cells, number)), np.empty((cells, number, number))
    for piece in runs.pieces():
        rest = [piece.arranged(column, less=less) for column, less in zip(values, origin, strict=True)]
        for i, column in enumerate(rest):
            mean[piece.cells, i] = piece.centre(column)
            for j in range(i + 1):
                cross[piece.cells, i, j] = cross[piece.cells, j, i] = piece.sums(column * rest[j])
    return mean, cross


def _at_cells(keys: Sequence[Key], runs: Runs) -> tuple[tuple[LabelArray, ...], IntArray]:
    """Per key its labels, and the (cells, keys) index of each cell's label, a key's numbers side by side."""
    first = runs.first
    codes = np.empty((len(keys), len(runs.count)), np.int64)
    levels = [key.put(first, own) for key, own in zip(keys, codes, strict=True)]
    return tuple(levels), codes.T


def _loses_digits(column: FloatArray, mean: FloatArray, origin: float, runs: Runs) -> bool:
    """Whether some cell lies so near zero, with so little scatter, that subtracting a far value costs it digits."""
    low, high = float(mean.min()), float(mean.max())
    reach = max(high, -low)
    if low + origin >= FAR * reach or high + origin <= -FAR * reach:
        return False
    near = (np.abs(mean + origin) < FAR * reach) & (runs.count > 1)
    if not near.any():
        return False
    for piece in runs.pieces():
        rest = piece.arranged(column, less=origin)
        piece.centre(rest)
        if (piece.largest(np.abs(rest))[near[piece.cells]] < FAR * reach).any():
            return True
    return False
