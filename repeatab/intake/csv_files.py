"""Text tables: comma, semicolon or tab between the values.

In: the bytes of one file.  Out: RawTable with every column as text; numbers are read later, in numbers.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from repeatab.base.errors import InputError
from repeatab.base.shielded import SHIELD, unshielded
from repeatab.intake.dialect import Dialect, find_dialect, to_utf8
from repeatab.intake.header import is_units_row
from repeatab.intake.options import ReadOptions, Separator
from repeatab.intake.portions import TextPortion
from repeatab.intake.raw import RawTable, no_rows, refuse_bad_names, unique_names


def read_text_table(
    raw: bytes,
    *,
    file: str,
    wanted: Sequence[str],
    numbers: Sequence[str],
    options: ReadOptions,
    portion: TextPortion | None = None,
) -> RawTable:
    """Read one text table.

    Parameters
    ----------
    wanted : columns the user named; they find the header and must be unique.
    numbers : those of them that must hold numbers; they tell a units row from a result.
    portion : that `raw` holds below the head, where it is not the whole file.

    Raises
    ------
    InputError
        The file is empty, has only a header, is no text, repeats a wanted name, or has a row with more or
        fewer values than the header has names (the message names the row).
    """
    text, encoding = to_utf8(raw, options.encoding, file=file)
    dialect = find_dialect(text, wanted, options, file=file)
    names = [cell.strip() for cell in dialect.records[dialect.header]]
    refuse_bad_names(names, wanted, file=file, row=dialect.header + 1)
    keys = unique_names(names)
    table, row_numbers = _read_rows(text, keys, dialect, portion, file=file)
    detected = [f"{dialect.separator.value} between values", f"{encoding.value} text"]
    if dialect.header > 0:
        detected.append(f"header in row {dialect.header + 1}")
    units: dict[str, str] = {}
    if table.num_rows:
        first = [str(table.column(index)[0].as_py()) for index in range(table.num_columns)]
        if is_units_row(first, [keys.index(name) for name in numbers if name in keys], options):
            units = dict(zip(keys, first, strict=True))
            detected.append(f"units in row {int(row_numbers[0])}")
            table, row_numbers = table.slice(1), row_numbers[1:]
    if table.num_rows == 0 and portion is None:
        raise no_rows(file=file, columns=keys)
    return RawTable(
        file=file,
        table=table,
        row_numbers=row_numbers,
        decimal=portion.head.decimal if portion is not None else "",
        nominal=portion.head.nominal if portion is not None else None,
        heading=dialect.records[: dialect.header],
        units=units,
        comma_between=dialect.separator is Separator.COMMA,
        detected=tuple(detected),
    )


def _read_rows(
    text: bytes, keys: list[str], dialect: Dialect, portion: TextPortion | None, *, file: str
) -> tuple[Any, Any]:
    """Every row below the header as text, blank rows left out, with the row numbers of a spreadsheet."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.csv

    uneven: list[tuple[int, int]] = []
    blank: list[int] = []

    def note_uneven(row: Any) -> str:
        at = row.number - dialect.lines_to_header - 1
        if row.actual_columns == 1 and not row.text.strip():
            blank.append(at)
        else:
            uneven.append((at, row.actual_columns))
        return "skip" if not uneven else "error"

    positions = [f"{index}" for index in range(len(keys))]
    if len(text) == 0 or _nothing_below(text, dialect):
        empty = pa.table({key: pa.array([], pa.string()) for key in keys})
        return empty, np.array([], dtype=np.int64)
    try:
        table = pyarrow.csv.read_csv(
            pa.BufferReader(text),
            # One thread, because only then does a ragged row know its number.
            read_options=pyarrow.csv.ReadOptions(
                skip_rows=dialect.lines_to_header, column_names=positions, use_threads=False
            ),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=dialect.separator.mark,
                newlines_in_values=True,
                ignore_empty_lines=False,
                invalid_row_handler=note_uneven,
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(positions, pa.string()), strings_can_be_null=False, null_values=[]
            ),
        )
    except pa.ArrowException as error:
        if uneven:
            at, found = uneven[0]
            (row,) = _row_numbers(np.array([at]), dialect, portion)
            raise _ragged(int(row), found, expected=len(keys), file=file) from None
        raise InputError(
            f"{file}: the text cannot be split into columns ({error}). Look for a stray quotation mark."
        ) from None
    _refuse_open_quotation(text, table, file=file)
    table = _unshielded(table.rename_columns(keys), text)
    places = np.delete(np.arange(table.num_rows + len(blank), dtype=np.int64), blank)
    row_numbers = _row_numbers(places, dialect, portion)
    filled = _filled_rows(table)
    if filled.all():
        return table, row_numbers
    return table.filter(pa.array(filled)), row_numbers[filled]


def _row_numbers(places: Any, dialect: Dialect, portion: TextPortion | None) -> Any:
    """The rows that a spreadsheet shows for places below the header, of the text that was read, from 0."""
    rows = places + dialect.header + 2
    if portion is not None:
        rows[rows > portion.head.rows] += portion.rows_before
    return rows


def _unshielded(table: Any, text: bytes) -> Any:
    """The table without the apostrophes that keep a spreadsheet from reading a formula."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if SHIELD.encode() not in text:
        return table
    for index, name in enumerate(table.column_names):
        column = table.column(index)
        behind = pc.unique(column.filter(pc.starts_with(column, SHIELD))).to_pylist()
        bare = {cell: unshielded(cell) for cell in behind if unshielded(cell) != cell}
        if bare:
            column = pa.array([bare.get(cell, cell) for cell in column.to_pylist()], pa.string())
            table = table.set_column(index, name, column)
    return table


def _refuse_open_quotation(text: bytes, table: Any, *, file: str) -> None:
    """A quotation mark that is opened and never closed swallows every row after it into one cell."""
    if table.num_rows == 0 or text.count(b'"') % 2 == 0:
        return
    last = [str(column[-1].as_py()) for column in table.columns]
    swallowing = [cell for cell in last if "\n" in cell]
    if swallowing:
        begin = swallowing[0].splitlines()[0]
        raise InputError(
            f"{file}: the quotation mark before '{begin}' is never closed, so that everything after it is "
            "one cell. Close or remove it."
        )


def _nothing_below(text: bytes, dialect: Dialect) -> bool:
    lines = text.split(b"\n", dialect.lines_to_header)
    return len(lines) <= dialect.lines_to_header or not lines[-1].strip()


def _filled_rows(table: Any) -> Any:
    """(rows,) whether any cell of the row holds more than blanks."""
    import numpy as np
    import pyarrow.compute as pc

    filled = np.zeros(table.num_rows, dtype=bool)
    for column in table.columns:
        filled |= pc.greater(pc.binary_length(column), 0).to_numpy()
        if filled.all():
            break
    return filled


def _ragged(row: int, found: int, *, expected: int, file: str) -> InputError:
    values = "1 value" if found == 1 else f"{found} values"
    return InputError(
        f"{file}, row {row}: found {values}, expected {expected} as in the header. A decimal comma may be "
        "cut in two by a separator that is a comma, or the row is incomplete; correct the row or the "
        "separator."
    )
