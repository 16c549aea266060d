"""Cells: the count, means and centred cross-products of each combination of factor levels.

In: any dataframe (or Results) whose keys and values are complete.  Out: Cells, which merge without going back
to the rows; everything after runs on them.
Not here: reading and checking (intake), what the design can tell apart (layout).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import InputError, listed, nearest

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LabelArray = NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Mergeable sufficient statistics of a table (the word cell is ISO 5725's).

    factors : names of the key columns.
    levels : per factor, its labels in sort order, with the types they had in the table.
    codes : (cells, factors) index of each cell's level.
    variables : the result first, then the covariates.
    shift : (variables,) subtracted from every value before anything else.
    count : (cells,) rows per cell, each >= 1.
    mean : (cells, variables) means of the shifted values.
    cross : (cells, variables, variables) sums of products about the cell means.
    """

    factors: tuple[str, ...]
    levels: tuple[LabelArray, ...]
    codes: IntArray
    variables: tuple[str, ...]
    shift: FloatArray
    count: IntArray
    mean: FloatArray
    cross: FloatArray

    @property
    def rows(self) -> int:
        """Number of results behind the cells."""
        return int(self.count.sum())

    def __len__(self) -> int:
        return int(self.count.size)

    def code_of(self, factor: str) -> IntArray:
        """(cells,) level index of one factor."""
        return self.codes[:, self.factors.index(factor)]

    def levels_of(self, factor: str) -> LabelArray:
        """The labels of one factor in sort order."""
        return self.levels[self.factors.index(factor)]

    def shifted_to(self, shift: FloatArray) -> Cells:
        """The same cells with another value subtracted (means move, cross-products stay)."""
        return _with(self, shift=shift, mean=self.mean + (self.shift - shift))

    def of_values(self, variables: Sequence[str]) -> Cells:
        """The same cells with the named values only, the result first.

        Raises
        ------
        InputError
            The cells do not hold one of them.
        """
        _refuse_unknown(variables, self.variables, "value")
        pick = [self.variables.index(name) for name in variables]
        return _with(
            self,
            variables=tuple(variables),
            shift=self.shift[pick],
            mean=self.mean[:, pick],
            cross=self.cross[:, pick][:, :, pick],
        )

    def over(self, factors: Sequence[str]) -> Cells:
        """Pool the cells over the factors that are not named.

        Raises
        ------
        InputError
            The cells do not hold one of those that are named.
        """
        _refuse_unknown(factors, self.factors, "factor")
        columns = [self.factors.index(name) for name in factors]
        levels = tuple(self.levels[c] for c in columns)
        return _pooled(self, tuple(factors), levels, self.codes[:, columns])

    def merge(self, other: Cells) -> Cells:
        """The cells of both tables together (pairwise update of Chan, Golub & LeVeque 1983).

        Raises
        ------
        InputError
            The two have different factors or variables.
        """
        if (self.factors, self.variables) != (other.factors, other.variables):
            raise InputError(
                f"cells cannot be merged: one has factors {listed(self.factors)} and values "
                f"{listed(self.variables)}, the other {listed(other.factors)} and {listed(other.variables)}."
            )
        other = other.shifted_to(self.shift)
        levels, codes = [], []
        for column in range(len(self.factors)):
            union, first, second = _united(self.levels[column], other.levels[column])
            levels.append(union)
            codes.append(np.concatenate([first[self.codes[:, column]], second[other.codes[:, column]]]))
        joined = _with(
            self,
            levels=tuple(levels),
            codes=np.stack(codes, axis=1) if codes else np.zeros((len(self) + len(other), 0), np.int64),
            count=np.concatenate([self.count, other.count]),
            mean=np.concatenate([self.mean, other.mean]),
            cross=np.concatenate([self.cross, other.cross]),
        )
        return _pooled(joined, joined.factors, joined.levels, joined.codes)

    def __str__(self) -> str:
        return f"{len(self)} cells of {self.rows} results by {', '.join(self.factors) or 'nothing'}"


def reduce_to_cells(
    frame: Any, *, result: str, factors: Sequence[str], covariates: Sequence[str] = ()
) -> Cells:
    """Reduce a table to cells.

    Parameters
    ----------
    frame : a dataframe of pandas, Polars, PyArrow or DuckDB; one row per result.
    result, covariates : numeric columns, finite throughout.
    factors : key columns, without missing labels.

    Raises
    ------
    InputError
        A column is missing, a key is empty, or a value is missing, infinite or not a number.
    """
    import narwhals.stable.v2 as nw

    table = nw.from_native(frame)
    wanted = list(dict.fromkeys([*factors, result, *covariates]))
    present = table.collect_schema().names()
    for name in wanted:
        if name not in present:
            raise InputError.no_such_column(file="table", column=name, role=name, present=present)
    eager = table.select(wanted)
    if isinstance(eager, nw.LazyFrame):
        eager = eager.collect()
    if len(eager) == 0:
        raise InputError("table: found no rows, expected at least one result.")
    values = np.stack([_numbers(eager[name], name) for name in (result, *covariates)], axis=1)
    coded = [_coded(eager[name], name) for name in factors]
    codes = np.stack([c for _, c in coded], axis=1) if coded else np.zeros((len(values), 0), np.int64)
    return _reduce(tuple(factors), tuple(levels for levels, _ in coded), codes, (result, *covariates), values)


def cells_of_arrays(
    factors: Mapping[str, Sequence[object] | NDArray[Any]], values: Mapping[str, Sequence[float] | FloatArray]
) -> Cells:
    """Cells straight from arrays of equal length: key columns and values by name, the result first."""
    coded = [sort_and_code(np.asarray(list(labels), dtype=object)) for labels in factors.values()]
    matrix = np.stack([np.asarray(v, dtype=np.float64) for v in values.values()], axis=1)
    codes = np.stack([c for _, c in coded], axis=1) if coded else np.zeros((len(matrix), 0), np.int64)
    return _reduce(tuple(factors), tuple(levels for levels, _ in coded), codes, tuple(values), matrix)


def sort_and_code(labels: NDArray[Any]) -> tuple[LabelArray, IntArray]:
    """Levels in sort order (mixed types by their text) and the (n,) index of each label's level."""
    import pandas as pd

    codes, uniques = pd.factorize(labels)
    levels = np.empty(len(uniques), dtype=object)
    levels[:] = list(uniques)
    order = _sort_order(levels)
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    return levels[order], rank[codes]


def _refuse_unknown(wanted: Sequence[str], known: Sequence[str], what: str) -> None:
    for name in wanted:
        if name not in known:
            raise InputError(
                f"the cells hold no {what} '{name}'; they hold {listed(known)}.{nearest(name, known)} "
                "Reduce the table again with it."
            )


def _sort_order(levels: LabelArray) -> IntArray:
    try:
        return np.array(sorted(range(len(levels)), key=levels.__getitem__), dtype=np.int64)
    except TypeError:
        return np.array(
            sorted(range(len(levels)), key=lambda i: (str(type(levels[i])), str(levels[i]))), dtype=np.int64
        )


def _numbers(series: Any, name: str) -> FloatArray:
    try:
        if series.dtype.is_temporal():
            raise TypeError
        values = np.asarray(series.to_numpy(), dtype=np.float64)
    except (TypeError, ValueError):
        raise InputError(
            f"column '{name}': found text or dates, expected numbers. Read the table with read_results."
        ) from None
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        raise InputError(
            f"column '{name}', data row {bad[0] + 1}: found {values[bad[0]]}, expected a finite number "
            f"({bad.size} such rows). Remove the rows, or read the table with read_results, which sets them "
            "aside."
        )
    return values


def _coded(series: Any, name: str) -> tuple[LabelArray, IntArray]:
    labels = np.asarray(series.to_numpy())
    empty = np.asarray(series.is_null().to_numpy(), dtype=bool)
    if labels.dtype.kind == "f":
        # Some engines tell "not a number" from "nothing there"; as a label it is no label either way.
        empty = empty | np.isnan(labels)
    empty = np.flatnonzero(empty)
    if empty.size:
        raise InputError(
            f"column '{name}', data row {empty[0] + 1}: found no label, expected one ({empty.size} such "
            "rows). Fill it in or leave the row out."
        )
    return sort_and_code(labels)


def _reduce(
    factors: tuple[str, ...],
    levels: tuple[LabelArray, ...],
    codes: IntArray,
    variables: tuple[str, ...],
    values: FloatArray,
) -> Cells:
    cell, first = _cell_index(codes, [len(labels) for labels in levels])
    order = np.argsort(cell, kind="stable")
    cell = cell[order]
    starts = np.flatnonzero(np.diff(cell, prepend=-1))
    count = np.diff(np.append(starts, len(cell)))
    # Subtracting a value of the data itself is exact for values within a factor of two of it, and it keeps
    # the means small, so that a level of 1e6 with a scatter of 0.01 loses nothing.
    shift = values[0].copy()
    columns = [values[order, v] - shift[v] for v in range(len(variables))]
    mean = np.stack([_mean_of(column, starts, count) for column in columns], axis=1)
    centred = [column - np.repeat(mean[:, v], count) for v, column in enumerate(columns)]
    cross = np.empty((len(first), len(variables), len(variables)))
    for i in range(len(variables)):
        for j in range(i + 1):
            cross[:, i, j] = cross[:, j, i] = np.add.reduceat(centred[i] * centred[j], starts)
    return Cells(
        factors=factors, levels=levels, codes=codes[first], variables=variables,
        shift=shift, count=count, mean=mean, cross=cross,
    )  # fmt: skip


def _mean_of(column: FloatArray, starts: IntArray, count: IntArray) -> FloatArray:
    # Sums over contiguous runs are formed pairwise: thousands of runs in a cell cost no digit.
    mean = np.add.reduceat(column, starts) / count
    # A second pass takes out the rounding of the first sum.
    return np.asarray(
        mean + np.add.reduceat(column - np.repeat(mean, count), starts) / count, dtype=np.float64
    )


def _cell_index(codes: IntArray, sizes: Sequence[int]) -> tuple[IntArray, IntArray]:
    """(n,) cell of each row and (cells,) a row of each cell, cells in the sort order of their codes."""
    if codes.shape[1] == 0:
        return np.zeros(len(codes), np.int64), np.zeros(1, np.int64)
    combined = codes[:, 0].astype(np.int64)
    for column in range(1, codes.shape[1]):
        combined = combined * sizes[column] + codes[:, column]
        if column + 1 < codes.shape[1]:
            # Re-densify, so that many factors with many levels cannot overflow.
            combined = np.unique(combined, return_inverse=True)[1].reshape(-1)
    _, first, cell = np.unique(combined, return_index=True, return_inverse=True)
    return cell.reshape(-1), first


def _pooled(cells: Cells, factors: tuple[str, ...], levels: tuple[LabelArray, ...], codes: IntArray) -> Cells:
    group, first = _cell_index(codes, [len(labels) for labels in levels])
    size = len(first)
    count = np.bincount(group, cells.count, size).astype(np.int64)
    weighted = cells.count[:, None] * cells.mean
    mean = np.stack([np.bincount(group, w, size) for w in weighted.T], axis=1) / count[:, None]
    gap = cells.mean - mean[group]
    parts = cells.cross + cells.count[:, None, None] * gap[:, :, None] * gap[:, None, :]
    cross = np.zeros((size, *parts.shape[1:]))
    np.add.at(cross, group, parts)
    return _with(
        cells, factors=factors, levels=levels, codes=codes[first], count=count, mean=mean, cross=cross
    )


def _united(first: LabelArray, second: LabelArray) -> tuple[LabelArray, IntArray, IntArray]:
    union, codes = sort_and_code(np.concatenate([first, second]))
    return union, codes[: len(first)], codes[len(first) :]


def _with(cells: Cells, **changes: Any) -> Cells:
    from dataclasses import replace

    return replace(cells, **changes)
