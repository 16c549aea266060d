"""How each of the large files is written, by its head: its columns, its marks, the values that hold for all its rows.

In: a source file and the ColumnPlan.  Out: Written, from which the engine's query is made (large_files).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from repeatab.base.errors import InputError, listed
from repeatab.intake.columns import RESULT, SECTION, ColumnPlan
from repeatab.intake.heads import is_text
from repeatab.intake.large_text import WrittenAs, text_source
from repeatab.intake.numbers import TextColumn, decide_marks
from repeatab.intake.options import Encoding
from repeatab.intake.raw import RawTable
from repeatab.intake.roles import SOURCE_FILE, Role
from repeatab.intake.run_files import heading_values
from repeatab.intake.sources import FileKind, SourceFile

UNIT = Role.UNIT.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """One file: how it is written, what its head shows, and the values that hold for all its rows."""

    file: SourceFile
    raw: RawTable
    way: WrittenAs
    values: Mapping[str, str] = field(default_factory=dict)
    detected: tuple[str, ...] = ()


def look_at(file: SourceFile, plan: ColumnPlan, encoding: Encoding) -> Written:
    """How a file is written, by its head.

    Raises
    ------
    InputError
        The file cannot be read, lacks a column, or is a workbook.
    """
    match file.kind:
        case FileKind.TEXT:
            raw, way = text_source(file.path, file=file.name, plan=plan, encoding=encoding)
        case FileKind.PARQUET:
            raw, way = _parquet_source(file, plan)
        case FileKind.WORKBOOK:
            raise InputError(
                f"{file.name}: a workbook stands among files so large that they are read piece by piece. Export it "
                "as CSV, or read it in a study of its own."
            )
    present = [str(name) for name in (*raw.table.column_names, *file.partition)]
    named = [*plan.columns.items(), *((f"{SECTION} {key}", column) for key, column in plan.sections.items())]
    for role, column in named:
        if column not in present:
            raise InputError.no_such_column(file=file.name, column=column, role=role, present=present)
    values = {SOURCE_FILE: file.name, **heading_values(raw.heading, plan.from_heading, file=file.name)}
    values |= {f"folder {name}": text for name, text in file.partition.items()}
    if plan.pattern is not None:
        values |= plan.pattern.values(file.name)
    if raw.units and UNIT not in plan.names:
        columns = list(plan.sections.values()) or [plan.columns[RESULT]]
        units = {raw.units.get(column, "").strip() for column in columns}
        if len(units) > 1:
            raise InputError(
                f"{file.name}: the units row gives the sections different units ({listed(sorted(units))}), expected "
                "one unit for the quantity that is compared. Convert the columns, or leave the section out."
            )
        values[UNIT] = units.pop()
    return Written(file=file, raw=raw, way=way, values=values, detected=(*raw.detected, *way.sentences))


def _parquet_source(file: SourceFile, plan: ColumnPlan) -> tuple[RawTable, WrittenAs]:
    """The types of a Parquet file, and its first rows for what text there is among its numbers."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(file.path) as stored:
            names = list(stored.schema_arrow.names)
            wanted = [name for name in dict.fromkeys((*plan.wanted, *plan.extra)) if name in names]
            batches = stored.iter_batches(batch_size=10_000, columns=wanted)
            first = next(batches, None)
            schema = pa.schema([stored.schema_arrow.field(name) for name in wanted])
    except (pa.ArrowException, OSError) as error:
        raise InputError(
            f"{file.name}: cannot be read as Parquet ({error}). Expected a .parquet file; write it again or "
            "export CSV."
        ) from None
    table = schema.empty_table() if first is None else pa.Table.from_batches([first])
    missing = [name for name in names if name not in wanted]
    raw = RawTable(
        file=file.name, table=table, row_numbers=np.arange(table.num_rows) + 2, typed=True,
        detected=("Parquet, types as stored",),
    )  # fmt: skip
    if not set(plan.wanted) <= {*names, *file.partition}:
        # Only so that the refusal can list what there is.
        raw = RawTable(file=file.name, table=pa.table({n: [] for n in (*wanted, *missing)}), row_numbers=None)
        return raw, WrittenAs(columns=tuple(names))
    text = [n for n in plan.number_columns if n in wanted and is_text(table.column(n).type)]
    marks = None
    if text:
        cells = [
            TextColumn(name=n, cells=table.column(n).cast(pa.string()), row_numbers=raw.row_numbers)
            for n in text
        ]
        marks = decide_marks(cells, plan.options, file=file.name, comma_between=False)
    kinds = tuple((name, str(table.column(name).type)) for name in wanted)
    return raw, WrittenAs(columns=tuple(wanted), kinds=kinds, marks=marks)
