"""A file's table under the names of the study, with one row per section and the values of the whole file.

In: RawTable and the ColumnPlan.  Out: Part, one file's rows with text still as text: numbers.py reads it when
the excluded rows are gone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from repeatab.base.errors import InputError
from repeatab.intake.columns import RESULT, SECTION, ColumnPlan
from repeatab.intake.raw import RawTable
from repeatab.intake.roles import SOURCE_FILE, SOURCE_ROW, Role
from repeatab.intake.run_files import heading_values

RESULT_COLUMN = "result column of a wide table"
"""Helper column while a wide table is read: which column each result stood in."""

UNIT = Role.UNIT.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One file's rows under the names of the study; `table` is a pyarrow Table."""

    file: str
    table: Any
    comma_between: bool
    typed: bool
    detected: tuple[str, ...]
    decimal: str = ""
    nominal: float | None = None


def with_folder_values(raw: RawTable, values: Mapping[str, str]) -> RawTable:
    """The table with a column for each folder that is named column=value, unless the file has it itself."""
    table = raw.table
    for name, text in values.items():
        if name not in table.column_names:
            table = table.append_column(name, _repeated(text, table.num_rows))
    return replace(raw, table=table)


def arrange(raw: RawTable, plan: ColumnPlan) -> Part:
    """Name the columns by role, make one row per section of a wide table, and add what holds for all.

    Raises
    ------
    InputError
        A column of the plan is not in the table, or a value of the whole file cannot be found.
    """
    import pyarrow as pa

    _refuse_missing(raw, plan)
    columns: dict[str, Any] = {}
    for name, column in plan.columns.items():
        cells = raw.table.column(column)
        label = not (plan.is_number(name) or plan.is_open(name) or raw.typed)
        columns[name] = as_label(cells) if label else cells
    for name in plan.extra:
        if name in raw.table.column_names and name not in columns:
            columns[name] = raw.table.column(name)
    rows = raw.table.num_rows
    for name, text in _of_whole_file(raw, plan).items():
        columns[name] = _repeated(text, rows)
    columns[SOURCE_FILE] = _repeated(raw.file, rows)
    columns[SOURCE_ROW] = pa.array(raw.row_numbers)
    table = pa.table(columns)
    table = _long(raw, table, plan.sections) if plan.sections else table
    return Part(
        file=raw.file,
        table=table,
        comma_between=raw.comma_between,
        typed=raw.typed,
        detected=raw.detected,
        decimal=raw.decimal,
        nominal=raw.nominal,
    )


def _refuse_missing(raw: RawTable, plan: ColumnPlan) -> None:
    present = [str(name) for name in raw.table.column_names]
    named = [*plan.columns.items(), *((f"{SECTION} {key}", column) for key, column in plan.sections.items())]
    for role, column in named:
        if column not in present:
            raise InputError.no_such_column(file=raw.file, column=column, role=role, present=present)


def as_label(cells: Any) -> Any:
    """Labels of a file that does not say its types, as text, so that 1 and "1" are one level."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if pa.types.is_string(cells.type):
        return cells
    if pa.types.is_floating(cells.type):
        whole = pc.and_(pc.equal(pc.trunc(cells), cells), pc.less(pc.abs(cells), 1e15))
        if pc.all(whole).as_py():
            cells = cells.cast(pa.int64())
    return cells.cast(pa.string())


def _of_whole_file(raw: RawTable, plan: ColumnPlan) -> dict[str, str]:
    values = heading_values(raw.heading, plan.from_heading, file=raw.file)
    if plan.pattern is not None:
        values |= plan.pattern.values(raw.file)
    if raw.units and UNIT not in plan.names:
        values[UNIT] = _unit_of_result(raw, plan)
    return values


def _unit_of_result(raw: RawTable, plan: ColumnPlan) -> str:
    columns = list(plan.sections.values()) or [plan.columns[RESULT]]
    units = {raw.units.get(column, "").strip() for column in columns}
    if len(units) > 1:
        shown = ", ".join(f"'{column}' in '{raw.units.get(column, '')}'" for column in columns)
        raise InputError(
            f"{raw.file}: the units row gives the sections different units ({shown}), expected one unit for "
            "the quantity that is compared. Convert the columns, or leave the section out."
        )
    return units.pop()


def _repeated(text: str, rows: int) -> Any:
    import pyarrow as pa

    return pa.repeat(pa.scalar(text, pa.string()), rows)


def _long(raw: RawTable, table: Any, sections: Mapping[str, str]) -> Any:
    """One row per row and section of a wide table, in the order of the rows."""
    import numpy as np
    import pyarrow as pa

    results = [raw.table.column(column) for column in sections.values()]
    kind = results[0].type
    if any(cells.type != kind for cells in results):
        kind = pa.float64() if all(_is_number(cells.type) for cells in results) else pa.string()
    rows, count = table.num_rows, len(sections)
    # Blocks by section, then interleaved, so that the table keeps the order of the file.
    order = np.arange(rows * count).reshape(count, rows).T.ravel()
    long = table.take(np.repeat(np.arange(rows), count))
    joined = pa.chunked_array([chunk.cast(kind) for cells in results for chunk in cells.chunks], kind)
    long = long.append_column(RESULT, joined.take(pa.array(order)))
    names = list(sections.items())
    which = np.tile(np.arange(count, dtype=np.int32), rows)
    for column, labels in ((SECTION, [s for s, _ in names]), (RESULT_COLUMN, [c for _, c in names])):
        cells = pa.DictionaryArray.from_arrays(pa.array(which), pa.array(labels, pa.string()))
        long = long.append_column(column, cells.cast(pa.string()))
    return long


def _is_number(kind: Any) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind))
