"""From text to numbers for the rows of all files, once the excluded rows are gone.

In: one Part per file.  Out: one pyarrow table, the names of the covariates, and what was detected per file.
An own column is a covariate where at least half of its filled cells are written like numbers, over all files.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from repeatab.base.errors import InputError
from repeatab.intake.arrange import RESULT_COLUMN, UNIT, Part, as_label
from repeatab.intake.columns import RESULT, ColumnPlan
from repeatab.intake.full_digits import FINE, digits_lost, less_nominal, nominal_near
from repeatab.intake.numbers import Marks, TextColumn, decide_marks, number_like, parse_numbers, plain_texts
from repeatab.intake.roles import BOOKKEEPING, Role
from repeatab.outcome.outcome import DataFinding

RUN_ORDER = Role.RUN_ORDER.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Converted:
    """The rows of all files as a pyarrow table with typed columns.

    nominal : what was taken off the results in the column `FINE`, if there is one; findings : on their digits.
    """

    table: Any
    covariates: tuple[str, ...]
    detected: tuple[str, ...]
    nominal: float | None
    findings: tuple[DataFinding, ...]


def convert(parts: Sequence[Part], plan: ColumnPlan) -> Converted:
    """Read the numbers of all parts and join the parts.

    Raises
    ------
    InputError
        A cell that must be a number is none, or a mark can be read in two ways; the message names the place.
    """
    import pyarrow as pa

    own = [name for name in plan.names if plan.is_open(name)]
    covariates = {name for name in own if _looks_like_numbers(parts, name)} | set(plan.options.covariates)
    numbers = [name for name in plan.names if plan.is_number(name) or name in covariates]
    present = {name for part in parts for name in part.table.column_names}
    kept = [name for name in dict.fromkeys((*plan.names, UNIT, *BOOKKEEPING)) if name in present]
    tables, sentences = [], []
    found_marks: list[Marks | None] = []
    for part in parts:
        table, marks = _with_numbers(part, numbers, plan)
        labels = [name for name in own if name not in covariates]
        for name in () if part.typed else labels:
            table = _replaced(table, name, as_label(table.column(name)))
        tables.append(table.select([name for name in kept if name in table.column_names]))
        found_marks.append(marks)
        sentences.append((part.file, (*part.detected, *([marks.sentence] if marks else []))))
    tables, nominal, findings = _in_full(tables, parts, found_marks, plan)
    joined = pa.concat_tables(_of_one_type(tables), promote_options="permissive")
    if RUN_ORDER in joined.column_names:
        joined = _replaced(joined, RUN_ORDER, _whole(joined.column(RUN_ORDER)))
    ordered = tuple(name for name in plan.names if name in covariates)
    return Converted(
        table=joined, covariates=ordered, detected=told(sentences), nominal=nominal, findings=findings
    )


def _in_full(
    tables: Sequence[Any], parts: Sequence[Part], marks: Sequence[Marks | None], plan: ColumnPlan
) -> tuple[list[Any], float | None, tuple[DataFinding, ...]]:
    """The tables with the results less a nominal value, where double precision would lose digits of them."""
    import numpy as np

    columns = [table.column(RESULT).to_numpy() for table in tables]
    values = np.concatenate(columns) if columns else np.zeros(0)
    lost = digits_lost(values)
    if lost is None:
        return list(tables), None, ()
    texts = [_texts_of_result(part, of, plan) for part, of in zip(parts, marks, strict=True)]
    if any(text is None for text in texts):
        return list(tables), None, (lost.finding(nominal=None, text=False),)
    # Portions of one file have one value in common.
    known = parts[0].nominal
    nominal = nominal_near(float(values[np.isfinite(values)][0])) if known is None else known
    made = [
        table.append_column(FINE, less_nominal(text or (), nominal))
        for table, text in zip(tables, texts, strict=True)
    ]
    return made, nominal, (lost.finding(nominal=nominal, text=True),)


def _texts_of_result(part: Part, marks: Marks | None, plan: ColumnPlan) -> list[str | None] | None:
    """The results of a part as text, row by row; None where they did not come as text."""
    import pyarrow as pa

    cells = part.table.column(RESULT)
    if marks is None or not (pa.types.is_string(cells.type) or pa.types.is_large_string(cells.type)):
        return None
    texts: list[str | None] = [None] * part.table.num_rows
    for column, where in _text_columns(part.table, RESULT, plan):
        plain = plain_texts(column, marks)
        for row, text in zip(range(len(texts)) if where is None else where.nonzero()[0], plain, strict=True):
            texts[row] = text
    return texts


def _looks_like_numbers(parts: Sequence[Part], name: str) -> bool:
    import pyarrow as pa

    like = filled = 0
    for part in parts:
        cells = part.table.column(name)
        if pa.types.is_string(cells.type) and not part.typed:
            found, of = number_like(cells)
            like, filled = like + found, filled + of
        else:
            of = len(cells) - cells.null_count
            like, filled = like + (of if is_number_type(cells.type) else 0), filled + of
    return filled > 0 and 2 * like >= filled


def is_number_type(kind: Any) -> bool:
    """Whether a pyarrow type holds numbers."""
    import pyarrow as pa

    types = pa.types
    return bool(
        types.is_integer(kind) or types.is_floating(kind) or types.is_decimal(kind) or types.is_null(kind)
    )


def _with_numbers(part: Part, numbers: Sequence[str], plan: ColumnPlan) -> tuple[Any, Marks | None]:
    import pyarrow as pa

    table = part.table
    text: dict[str, list[tuple[TextColumn, Any]]] = {}
    for name in numbers:
        cells = table.column(name)
        if pa.types.is_string(cells.type) or pa.types.is_large_string(cells.type):
            text[name] = _text_columns(table, name, plan)
        elif is_number_type(cells.type):
            table = _replaced(table, name, cells.cast(pa.float64(), safe=False))
        else:
            column = plan.original_columns()[name]
            raise InputError(
                f"{part.file}, column '{column}': found values of type {cells.type}, expected numbers. "
                f"Correct the column named for '{name}' under [columns]."
            )
    if not text:
        return table, None
    every = [column for columns in text.values() for column, _ in columns]
    marks = decide_marks(
        every, plan.options, file=part.file, comma_between=part.comma_between, head=part.decimal
    )
    for name, columns in text.items():
        table = _replaced(table, name, _parsed(columns, table.num_rows, marks, part.file))
    return table, marks


def _text_columns(table: Any, name: str, plan: ColumnPlan) -> list[tuple[TextColumn, Any]]:
    """The cells under each column of the file that this name comes from, and where they are in the table."""
    import pyarrow.compute as pc

    cells = pc.fill_null(table.column(name), "")
    rows = table.column("source_row").to_numpy()
    if name != RESULT or RESULT_COLUMN not in table.column_names:
        original = plan.original_columns()[name]
        return [(TextColumn(name=original, cells=cells, row_numbers=rows), None)]
    found = []
    for column in plan.sections.values():
        here = pc.equal(table.column(RESULT_COLUMN), column)
        where = here.to_numpy()
        found.append((TextColumn(name=column, cells=cells.filter(here), row_numbers=rows[where]), where))
    return found


def _parsed(columns: Sequence[tuple[TextColumn, Any]], rows: int, marks: Marks, file: str) -> Any:
    import numpy as np
    import pyarrow as pa

    if len(columns) == 1 and columns[0][1] is None:
        return parse_numbers(columns[0][0], marks, file=file)
    values = np.full(rows, np.nan)
    for column, where in columns:
        values[where] = parse_numbers(column, marks, file=file).to_numpy(zero_copy_only=False)
    return pa.array(values)


def _replaced(table: Any, name: str, cells: Any) -> Any:
    return table.set_column(table.column_names.index(name), name, cells)


def _whole(cells: Any) -> Any:
    """Whole numbers as integers where every cell is one."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if cells.null_count or not pc.all(pc.equal(pc.trunc(cells), cells)).as_py():
        return cells
    try:
        return cells.cast(pa.int64())
    except pa.ArrowInvalid:
        return cells


def _of_one_type(tables: list[Any]) -> list[Any]:
    """Text for every column that holds text in one file and something else in another."""
    import pyarrow as pa

    kinds: dict[str, set[Any]] = {}
    for table in tables:
        for field in table.schema:
            kinds.setdefault(field.name, set()).add(field.type)
    mixed = [n for n, found in kinds.items() if len(found) > 1 and not all(map(is_number_type, found))]
    for name in mixed:
        tables = [
            _replaced(table, name, table.column(name).cast(pa.string()))
            if name in table.column_names
            else table
            for table in tables
        ]
    return tables


def told(sentences: Sequence[tuple[str, tuple[str, ...]]]) -> tuple[str, ...]:
    """What was detected, files that are alike in one sentence."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for file, found in sentences:
        if found:
            alike.setdefault(found, []).append(file)
    return tuple(f"{_files(files)}: {', '.join(found)}" for found, files in alike.items())


def _files(files: Sequence[str]) -> str:
    return files[0] if len(files) == 1 else f"{len(files)} files ({files[0]} to {files[-1]})"
