"""Cells that came without their results, and the arrays that their columns make.

In: counts, means and cross-products of cells, row by row.  Out: Cells and CellTable, with no numbers that no results
can have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from repeatab.base.errors import InputError
from repeatab.cells import Cells, FloatArray, sort_and_code
from repeatab.outcome.outcome import InputFile

AGAIN = "Write it again with: repeatab cells RESULTS --to FILE"


@dataclass(frozen=True, slots=True, kw_only=True)
class CellTable:
    """Cells that came without their results.

    name : of the file they came from; sha256 : of that file. quantity : key of what was measured, empty if not
    known. results : the raw files behind the cells, with fingerprints, as far as the laboratory tells.
    rounded : the numbers were printed with few digits, so what is computed from them is good to those only.
    """

    name: str
    cells: Cells
    sha256: str = ""
    quantity: str = ""
    results: tuple[InputFile, ...] = ()
    rounded: bool = False

    @property
    def input(self) -> InputFile:
        """The file as a report lists it."""
        return InputFile(name=self.name, sha256=self.sha256, rows=len(self.cells))


def refuse_twice(
    keys: Sequence[Sequence[object]], factors: Sequence[str], name: str, *, first_row: int = 4
) -> None:
    """Refuse a cell that stands twice.

    Raises
    ------
    InputError
    """
    seen: dict[tuple[object, ...], int] = {}
    for at, key in enumerate(zip(*keys, strict=True), start=first_row):
        if key in seen:
            words = ", ".join(f"{factor} '{label}'" for factor, label in zip(factors, key, strict=True))
            raise InputError(
                f"{name}, rows {seen[key]} and {at}: the cell of {words} stands twice, expected once. Give each "
                "laboratory its own code, or merge the results before the cells are made."
            )
        seen[key] = at


def cells_from_rows(
    factors: Sequence[str],
    keys: Sequence[Sequence[object]],
    values: Sequence[str],
    count: np.ndarray[Any, Any],
    numbers: FloatArray,
    name: str,
    *,
    nominal: FloatArray | None = None,
) -> Cells:
    """Cells from their rows in a file.

    Parameters
    ----------
    keys : per factor, the label of each row. count : (rows,).
    numbers : (rows, means and pairs of values) means less `nominal`, then cross-products, row by row of the upper half.
    nominal : (values,) taken off the means already; 0 where nothing was.

    Raises
    ------
    InputError
        A sum of squares is negative or of one result, or a cross-product is larger than these allow.
    """
    width = len(values)
    upper = np.triu_indices(width)
    cross = np.zeros((len(count), width, width))
    cross[:, upper[0], upper[1]] = cross[:, upper[1], upper[0]] = numbers[:, width:]
    _refuse_impossible(cross, count, values, name)
    coded = [sort_and_code(np.asarray(labels, dtype=object)) for labels in keys]
    codes = np.stack([c for _, c in coded], axis=1) if coded else np.zeros((len(count), 0), np.int64)
    order = np.lexsort(codes.T[::-1]) if coded else np.arange(len(count))
    taken = np.zeros(width) if nominal is None else nominal
    centre = np.where(taken == 0, numbers[0, :width], 0.0)
    return Cells(
        factors=tuple(factors), levels=tuple(levels for levels, _ in coded), codes=codes[order],
        variables=tuple(values), shift=taken + centre, count=count[order], mean=numbers[order, :width] - centre,
        cross=cross[order],
    )  # fmt: skip


def _refuse_impossible(
    cross: FloatArray, count: np.ndarray[Any, Any], values: Sequence[str], name: str
) -> None:
    for i, variable in enumerate(values):
        squares = cross[:, i, i]
        for at in np.flatnonzero(squares < 0):
            raise InputError(
                f"{name}, row {at + 4}: found a centred sum of squares of {squares[at]:g} of '{variable}', which "
                f"cannot be negative. {AGAIN}"
            )
        for at in np.flatnonzero((squares > 0) & (count == 1)):
            raise InputError(
                f"{name}, row {at + 4}: found a sum of squares of {squares[at]:g} from one result, expected 0. "
                f"Check the count. {AGAIN}"
            )
    for i in range(len(values)):
        for j in range(i):
            most = np.sqrt(cross[:, i, i]) * np.sqrt(cross[:, j, j])
            beyond = np.abs(cross[:, i, j]) > most * (1 + 1e-9) + 1e-150
            for at in np.flatnonzero(beyond):
                raise InputError(
                    f"{name}, row {at + 4}: the cross-product of '{values[j]}' and '{values[i]}' is larger than "
                    f"their sums of squares allow. {AGAIN}"
                )
