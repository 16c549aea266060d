"""Workbooks (.xlsx): one sheet, with title lines above the header and units below it where there are any.

In: the path of a workbook.  Out: RawTable; a column of number cells stays numbers, any other becomes text.
Formulas are never computed: the value that was stored with them is read.
"""

from __future__ import annotations

import datetime
import itertools
import warnings
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from repeatab.base.errors import InputError, listed, nearest
from repeatab.intake.header import find_header, is_units_row, matches
from repeatab.intake.options import ReadOptions
from repeatab.intake.raw import RawTable, no_rows, refuse_bad_names, unique_names
from repeatab.intake.workbook_guard import MOST_ROWS, refuse_hostile_workbook

_HEAD_ROWS = 200
_MOST_CELLS, _MOST_CELLS_PER_BYTE = 2_000_000, 2
_MOST_TEXT, _MOST_TEXT_PER_BYTE = 32 << 20, 10

Cells = tuple[Any, ...]


def read_workbook(
    path: Path, *, file: str, wanted: Sequence[str], numbers: Sequence[str], options: ReadOptions
) -> RawTable:
    """Read one sheet of a workbook.

    The sheet is the declared one, the only one, or the only one that has the wanted columns.

    Raises
    ------
    InputError
        The file is no workbook, would unpack to an absurd size, has no such sheet (the message lists those it
        has), several sheets could be meant, or the sheet holds no results.
    """
    try:
        refuse_hostile_workbook(path, file=file)
    except InputError:
        raise
    except Exception as error:  # what damaged archives and their methods of packing cause
        raise _unreadable(file, error) from None
    with warnings.catch_warnings():
        # What openpyxl warns of (styles, validation rules) has no bearing on the values.
        warnings.simplefilter("ignore", UserWarning)
        sheet, several, head, filled = _read_sheet(path, wanted, options, file=file)
    table = _table(head, filled, wanted, numbers, options, file=file)
    return replace(table, detected=(f"sheet '{sheet}'", *table.detected)) if several else table


def _read_sheet(
    path: Path, wanted: Sequence[str], options: ReadOptions, *, file: str
) -> tuple[str, bool, list[list[str]], list[tuple[int, Cells]]]:
    """The sheet's name, whether there are others, its first rows as text, and its filled rows."""
    book = _open(path, file=file)
    try:
        sheet = _chosen_sheet(book, wanted, options, file=file)
        return sheet, len(book.worksheets) > 1, *_rows(book[sheet], path.stat().st_size, file=file)
    except InputError:
        raise
    except Exception as error:  # openpyxl lets through whatever its XML parser meets
        raise _unreadable(file, error) from None
    finally:
        book.close()


def _rows(sheet: Any, size: int, *, file: str) -> tuple[list[list[str]], list[tuple[int, Cells]]]:
    """The first rows as text, and every filled row with its row number.

    size : bytes of the file; the reader fills gaps in a row and repeats shared texts, so that a small file could become
        a large table.
    """
    # Some programs store a wrong extent, which would cut the sheet short.
    sheet.reset_dimensions()
    head: list[list[str]] = []
    filled: list[tuple[int, Cells]] = []
    cells = text = 0
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        # A row may name itself 1e18, and all rows before it would be read as empty.
        if number > MOST_ROWS:
            raise InputError(
                f"{file}: names a row below {MOST_ROWS:,}, where a sheet ends. Open it in a spreadsheet "
                "program and save it again as .xlsx, or export the results as CSV."
            )
        cells += len(row)
        text += sum(len(cell) for cell in row if type(cell) is str)
        if (
            cells > _MOST_CELLS + _MOST_CELLS_PER_BYTE * size
            or text > _MOST_TEXT + _MOST_TEXT_PER_BYTE * size
        ):
            raise InputError(
                f"{file}, row {number}: {size / 1024:.0f} KiB have become {cells:,} cells with {text:,} letters "
                "so far, many times what results take. Delete columns far to the right and repeated long texts, or "
                "export the results as CSV."
            )
        if number <= _HEAD_ROWS:
            head.append([cell_text(cell) for cell in row])
        if any(cell is not None and cell != "" for cell in row):
            filled.append((number, row))
    return head, filled


def _unreadable(file: str, error: Exception) -> InputError:
    return InputError(
        f"{file}: cannot be read as a workbook ({error}). Expected an .xlsx file without a password; open it "
        "in a spreadsheet program and save it again as .xlsx, or export CSV."
    )


def _open(path: Path, *, file: str) -> Any:
    import openpyxl

    try:
        return openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
    except Exception as error:  # openpyxl lets through whatever zip, XML and its own parsers meet
        raise _unreadable(file, error) from None


def _chosen_sheet(book: Any, wanted: Sequence[str], options: ReadOptions, *, file: str) -> str:
    sheets = [sheet.title for sheet in book.worksheets]
    if options.sheet is not None:
        if options.sheet not in sheets:
            raise InputError(
                f"{file}: there is no sheet '{options.sheet}'. The workbook has "
                f"{listed(sheets)}.{nearest(options.sheet, sheets)} Correct the sheet."
            )
        return options.sheet
    if len(sheets) == 1:
        return str(sheets[0])
    scores = {name: _best_match(book[name], wanted) for name in sheets}
    best = [name for name in sheets if scores[name] == max(scores.values())]
    if not sheets or len(best) != 1 or scores[best[0]] == 0:
        raise InputError(
            f"{file}: the workbook has the sheets {listed(sheets)}, and it cannot be told which one is "
            "meant. Name the sheet."
        )
    return str(best[0])


def _best_match(sheet: Any, wanted: Sequence[str]) -> int:
    head = itertools.islice(sheet.iter_rows(values_only=True), _HEAD_ROWS)
    return max((matches([cell_text(cell) for cell in row], wanted) for row in head), default=0)


def _table(
    head: list[list[str]],
    filled: list[tuple[int, Cells]],
    wanted: Sequence[str],
    numbers: Sequence[str],
    options: ReadOptions,
    *,
    file: str,
) -> RawTable:
    import numpy as np

    header = find_header(head, wanted, options, file=file)
    names = [cell.strip() for cell in head[header]]
    refuse_bad_names(names, wanted, file=file, row=header + 1)
    keys = unique_names(names)
    detected = [f"header in row {header + 1}"] if header else []
    below = header + 1
    units: dict[str, str] = {}
    cells = head[below] if len(head) > below else []
    if any(cells) and is_units_row(cells, [keys.index(name) for name in numbers if name in keys], options):
        units = dict(zip(keys, cells, strict=False))
        detected.append(f"units in row {below + 1}")
        below += 1
    data = [(number, row) for number, row in filled if number > below]
    if not data:
        raise no_rows(file=file, columns=[key for key in keys if key in wanted] or keys)
    return RawTable(
        file=file,
        table=_arrow_table(keys, [row for _, row in data]),
        row_numbers=np.array([number for number, _ in data], dtype=np.int64),
        heading=tuple(head[:header]),
        units=units,
        detected=tuple(detected),
    )


def _arrow_table(keys: list[str], rows: list[Cells]) -> Any:
    import pyarrow as pa

    columns = list(itertools.zip_longest(*rows))
    columns += [(None,) * len(rows)] * (len(keys) - len(columns))
    return pa.table({key: _arrow_column(cells) for key, cells in zip(keys, columns, strict=False)})


def _arrow_column(cells: Cells) -> Any:
    """Numbers where every filled cell is a number cell, else text."""
    import pyarrow as pa

    kinds = {type(cell) for cell in cells} - {type(None)}
    if kinds and kinds <= {int, float}:
        with suppress(pa.ArrowInvalid, OverflowError):
            return pa.array(cells, pa.int64() if kinds == {int} else pa.float64())
        with suppress(
            OverflowError
        ):  # a whole number beyond all floats stays text, and is refused with its row
            return pa.array([None if cell is None else float(cell) for cell in cells], pa.float64())
    return pa.array([cell_text(cell) for cell in cells], pa.string())


def cell_text(cell: Any) -> str:
    """A cell as text: whole numbers without a point, dates as ISO 8601, an empty cell as nothing."""
    match cell:
        case None:
            return ""
        case bool():
            return "true" if cell else "false"
        case float() if cell.is_integer() and abs(cell) < 1e15:
            return str(int(cell))
        case datetime.datetime() | datetime.date() | datetime.time():
            return cell.isoformat()
        case _:
            return str(cell)
