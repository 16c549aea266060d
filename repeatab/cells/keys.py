"""Keys: the labels of a key column as whole numbers from zero.

In: a column of labels.  Out: Key: a number for each row; the labels that rows hold, in sort order, where asked for.
Whole numbers stand for themselves, less the smallest, so that a long column is neither sorted nor looked up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import InputError
from repeatab.cells.table import (
    IntArray,
    LabelArray,
    dense_codes,
    sort_and_code,
    sorted_levels,
    too_many_slots,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """codes : (rows,) numbers below `size`, in the sort order of the labels; some may not occur.

    Either `levels` holds the label of each number, or labels are numbers themselves and `low` is the smallest of them.
    """

    codes: IntArray
    size: int
    levels: LabelArray | None
    low: Any = None

    def put(self, rows: IntArray | slice, codes: IntArray) -> LabelArray:
        """The labels that some rows hold, in sort order; the index of each row's label is put into `codes`."""
        codes[:] = self.codes[rows]
        found, dense = dense_codes(codes, self.size)
        if dense is not codes:
            codes[:] = dense
        if self.levels is not None:
            return self.levels if len(found) == self.size else self.levels[found]
        labels = np.empty(len(found), dtype=object)
        labels[:] = (found.astype(self.low.dtype) + self.low).tolist()
        return labels


def key_of_labels(labels: NDArray[Any]) -> Key:
    """The key of an array of labels without gaps."""
    if labels.dtype.kind in "iu" and labels.size:
        low = labels.min()
        size = int(labels.max()) - int(low) + 1
        if not too_many_slots(size, labels.size):
            moved = labels if low == 0 else labels - low
            return Key(codes=moved.astype(np.int64, copy=False), size=size, levels=None, low=low)
        found, codes = np.unique(labels, return_inverse=True)
        levels = np.empty(len(found), dtype=object)
        levels[:] = found.tolist()
        return Key(codes=codes.reshape(-1), size=len(found), levels=levels)
    levels, codes = sort_and_code(labels)
    return Key(codes=codes, size=len(levels), levels=levels)


def key_of_column(series: Any, name: str) -> Key:
    """The key of a column: an array, or a wrapped series of any library.

    Raises
    ------
    InputError
        A row has no label.
    """
    if isinstance(series, np.ndarray):
        if series.dtype.kind == "f":
            _refuse_empty(np.isnan(series), name)
        return key_of_labels(series)
    native = series.to_native()
    if type(native).__module__.partition(".")[0] == "pandas" and not isinstance(native.dtype, np.dtype):
        return _key_of_categories(native, name)
    labels = np.asarray(series.to_numpy())
    if labels.dtype.kind not in "iub":
        empty = np.asarray(series.is_null().to_numpy(), dtype=bool)
        if labels.dtype.kind == "f":
            # Some engines tell "not a number" from "nothing there"; as a label it is no label either way.
            empty = empty | np.isnan(labels)
        _refuse_empty(empty, name)
    return key_of_labels(labels)


def _key_of_categories(native: Any, name: str) -> Key:
    """Categories and text: pandas codes them without making an object of every row."""
    import pandas as pd

    if isinstance(native.dtype, pd.CategoricalDtype):
        stored = native.cat.codes.to_numpy()
        _refuse_empty(stored < 0, name)
        found, codes = dense_codes(stored.astype(np.int64), len(native.cat.categories))
        uniques: Any = native.cat.categories[found]
    else:
        codes, uniques = pd.factorize(native)
        _refuse_empty(codes < 0, name)
    levels, codes = sorted_levels(list(uniques), codes.astype(np.int64, copy=False))
    return Key(codes=codes, size=len(levels), levels=levels)


def _refuse_empty(empty: NDArray[np.bool_], name: str) -> None:
    if empty.any():
        rows = np.flatnonzero(empty)
        raise InputError(
            f"column '{name}', data row {rows[0] + 1}: found no label, expected one ({rows.size} such "
            "rows). Fill it in or leave the row out."
        )
