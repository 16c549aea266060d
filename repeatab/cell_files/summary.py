"""Cells from a printed table of counts, means and standard deviations.

In: the columns of the table.  Out: CellTable, marked as rounded.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from repeatab.base.errors import InputError
from repeatab.cell_files.table import CellTable, cells_from_rows, refuse_twice
from repeatab.cells import FloatArray


def summary_cells(
    *,
    laboratory: Sequence[object],
    level: Sequence[object],
    count: Sequence[float] | FloatArray,
    mean: Sequence[float] | FloatArray,
    sd: Sequence[float] | FloatArray,
    name: str = "table of means",
) -> CellTable:
    """Cells from a table of counts, means and standard deviations, as other programs and papers give it.

    Parameters
    ----------
    count : results per cell. sd : standard deviations with divisor count - 1; NaN or 0 where the count is 1.
    name : what messages call the table.

    Raises
    ------
    InputError
        A count below 1, a negative or missing standard deviation, or a cell that stands twice.
    """
    n, m, s = (np.asarray(values, dtype=np.float64) for values in (count, mean, sd))
    for at in range(len(n)):
        where = f"{name}: laboratory '{laboratory[at]}', level '{level[at]}'"
        if not (n[at] >= 1 and n[at] == round(n[at])):
            raise InputError(f"{where}: found a count of {n[at]:g}, expected a whole number of at least 1.")
        if not np.isfinite(m[at]):
            raise InputError(f"{where}: found a mean of {m[at]}, expected a finite number.")
        if n[at] > 1 and not s[at] >= 0:
            raise InputError(
                f"{where}: found a standard deviation of {s[at]:g} of {n[at]:g} results, expected a number of at "
                "least 0."
            )
    keys: list[list[object]] = [list(laboratory), list(level)]
    refuse_twice(keys, ("laboratory", "level"), name, first_row=1)
    squares = np.where(n > 1, np.nan_to_num(s) ** 2 * (n - 1), 0.0)
    cells = cells_from_rows(
        ("laboratory", "level"), keys, ("result",), n.astype(np.int64), np.stack([m, squares], axis=1), name
    )
    return CellTable(name=name, cells=cells, rounded=True)
