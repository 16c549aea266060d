"""The run sheet of a plan as files to be filled in: CSV and XLSX.

In: an Outcome that holds a run sheet.  Out: bytes by file name; nothing for other outcomes. The captions of the table
are the column names of the study, so that the filled sheet is what the study reads.
"""

from __future__ import annotations

import csv
import io
from typing import Any

from repeatab.outcome.outcome import Outcome
from repeatab.outcome.tables import Table

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
    writer = csv.writer(stream, delimiter=separator, lineterminator="\n")
    writer.writerow([column.caption for column in table.columns])
    writer.writerows([["" if value is None else value for value in row] for row in table.rows])
    return stream.getvalue().encode("utf-8")


def _xlsx(table: Table) -> bytes:
    from openpyxl import Workbook
    from openpyxl.styles import Font

    from repeatab.report.workbook import without_dates

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "runs"
    sheet.append([column.caption for column in table.columns])
    for number, row in enumerate(table.rows, start=2):
        for column, value in enumerate(row, start=1):
            cell: Any = sheet.cell(row=number, column=column, value=value)
            if isinstance(value, str):
                # A name that begins with "=" stays a name.
                cell.data_type = "s"
    for head in sheet[1]:
        head.font = Font(bold=True)
    sheet.freeze_panes = "A2"
    return without_dates(book)
