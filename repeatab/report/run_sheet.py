"""The run sheet of a plan as files to be filled in: CSV and XLSX.

In: an Outcome that holds a run sheet.  Out: bytes by file name; nothing for other outcomes. The captions of the table
are the column names of the study, so that the filled sheet is what the study reads. No name becomes a formula: in CSV
an apostrophe stands before it, which reading takes off again; in XLSX the cell is text.
"""

from __future__ import annotations

import csv
import io
from typing import Any

from repeatab.base.shielded import shielded
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.tables import Table, Value

KEY = "run_sheet"
CSV_NAME, XLSX_NAME = "run_sheet.csv", "run_sheet.xlsx"


def run_sheet_files(outcome: Outcome, *, separator: str = ",") -> dict[str, bytes]:
    """The sheet's files by name."""
    table = next((table for table in outcome.tables if table.key == KEY), None)
    if table is None:
        return {}
    return {CSV_NAME: _csv(table, separator), XLSX_NAME: _xlsx(table)}


def _csv(table: Table, separator: str) -> bytes:
    stream = io.StringIO()
    # With "\r\n" the writer quotes both characters; a bare "\r" in a name would begin a new row.
    writer = csv.writer(stream, delimiter=separator, lineterminator="\r\n")
    writer.writerow([shielded(column.caption) for column in table.columns])
    writer.writerows([[_in_csv(value) for value in row] for row in table.rows])
    return stream.getvalue().encode("utf-8")


def _in_csv(value: Value) -> Value:
    if isinstance(value, str):
        return shielded(value)
    return "" if value is None else value


def _xlsx(table: Table) -> bytes:
    from openpyxl import Workbook
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
    from openpyxl.styles import Font

    from repeatab.report.workbook import without_dates

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "runs"
    captions = tuple(column.caption for column in table.columns)
    for number, row in enumerate((captions, *table.rows), start=1):
        for column, value in enumerate(row, start=1):
            cell: Any = sheet.cell(row=number, column=column)
            cell.value = ILLEGAL_CHARACTERS_RE.sub("\ufffd", value) if isinstance(value, str) else value
            if isinstance(value, str):
                cell.data_type = "s"
                cell.quotePrefix = shielded(value) != value
    for head in sheet[1]:
        head.font = Font(bold=True)
    sheet.freeze_panes = "A2"
    return without_dates(book)
