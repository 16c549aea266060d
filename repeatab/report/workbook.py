"""The tables as a workbook: the verdict and its reasons on the first sheet, then one sheet per table.

Text is always written as text, whatever it begins with, so that a name can never become a formula; numbers
keep sixteen digits and show as many as the page does. The bytes depend on the content only.
"""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from repeatab.outcome.outcome import Outcome
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.report.marks import BAND, INK, SOFT
from repeatab.report.numbers import MISSING, MISSING_MEANS, column_decimals, is_numeric
from repeatab.report.words import printable, title_case

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

NAME = "tables.xlsx"

_LONGEST_TEXT = 32_767
_LONGEST_SHEET_NAME = 31
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
# The file format wants a date; a fixed one keeps equal workbooks equal, byte for byte.
_NO_DATE = datetime.datetime(2000, 1, 1)
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)


def workbook_bytes(outcome: Outcome) -> bytes:
    """The workbook of an outcome."""
    from openpyxl import Workbook

    book = Workbook()
    book.properties.creator = "repeatab"
    book.properties.created = _NO_DATE
    first = book.active
    assert first is not None
    tables = [*outcome.tables]
    if outcome.next_runs is not None and outcome.next_runs.table is not None:
        tables.append(outcome.next_runs.table)
    names = _sheet_names(tables)
    _fill_first(first, outcome, list(zip(names, tables, strict=True)))
    for name, table in zip(names, tables, strict=True):
        _fill_table(book.create_sheet(name), table)
    return without_dates(book)


def _sheet_names(tables: Sequence[Table]) -> list[str]:
    """A sheet name for each table: no forbidden character, no repetition, at most 31 letters."""
    taken = {"verdict", "history"}
    names = []
    for table in tables:
        plain = re.sub(r"[\[\]:*?/\\']", " ", title_case(table.key))
        stem = " ".join(plain.replace("\ufffd", " ").split()) or "Table"
        name, number = stem[:_LONGEST_SHEET_NAME], 2
        while name.lower() in taken:
            tail = f" {number}"
            name, number = stem[: _LONGEST_SHEET_NAME - len(tail)] + tail, number + 1
        taken.add(name.lower())
        names.append(name)
    return names


def _put(sheet: Worksheet, row: int, column: int, value: Value, look: str = "") -> None:
    """Write one cell; text is marked as text and shielded, so that no program reads a formula in it."""
    from openpyxl.styles import Alignment, Font, PatternFill

    cell: Any = sheet.cell(row=row, column=column)
    if isinstance(value, str):
        cell.value = printable(value)[:_LONGEST_TEXT]
        cell.data_type = "s"
        # Shown as typed by hand after an apostrophe: it stays text when the cell is edited or exported.
        cell.quotePrefix = value.startswith(_FORMULA_STARTS) or cell.value.startswith(_FORMULA_STARTS)
    else:
        cell.value = value
    if look == "title":
        cell.font = Font(bold=True, size=13, color=INK[1:])
    elif look == "head":
        cell.font = Font(bold=True, color=INK[1:])
        cell.fill = PatternFill("solid", fgColor=BAND[1:])
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    elif look == "text":
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    elif look == "soft":
        cell.font = Font(color=SOFT[1:])
        cell.alignment = Alignment(wrap_text=False, vertical="top")


def _fill_first(sheet: Worksheet, outcome: Outcome, tables: list[tuple[str, Table]]) -> None:
    """Verdict and reasons, and what stands on the other sheets."""
    sheet.title = "Verdict"
    sheet.column_dimensions["A"].width = 24
    sheet.column_dimensions["B"].width = 30
    sheet.column_dimensions["C"].width = 100
    _put(sheet, 1, 1, outcome.title, "title")
    _put(sheet, 2, 1, title_case(outcome.job), "soft")
    row = 4
    for column, text in enumerate(("about", "answer", "why"), start=1):
        _put(sheet, row, column, text, "head")
    for judgement in (outcome.headline, *outcome.judgements):
        row += 1
        answer = judgement.verdict.value
        if judgement.qualifier.value:
            answer += f", {judgement.qualifier.value}"
        answer += "" if judgement.decides else " (informs only)"
        for column, text in enumerate((judgement.subject, answer, judgement.reason), start=1):
            _put(sheet, row, column, text, "text")
    next_runs = (outcome.next_runs.sentence,) if outcome.next_runs is not None else ()
    lists: tuple[tuple[str, tuple[str, ...]], ...] = (
        ("what it rests on", outcome.evidence),
        ("what it cannot tell", outcome.cannot_tell),
        ("what to run next", next_runs),
        ("cautions", outcome.cautions),
    )
    row += 1
    for head, sentences in lists:
        for number, sentence in enumerate(sentences):
            row += 1
            _put(sheet, row, 1, head if number == 0 else "", "text")
            _put(sheet, row, 3, sentence, "text")
    row += 2
    for column, text in enumerate(("sheet", "", "what it tells"), start=1):
        _put(sheet, row, column, text, "head")
    for name, table in tables:
        row += 1
        _put(sheet, row, 1, name, "text")
        _put(sheet, row, 3, table.caption, "text")


def _fill_table(sheet: Worksheet, table: Table) -> None:
    """Caption, column heads, rows, remarks."""
    from openpyxl.utils import get_column_letter

    _put(sheet, 1, 1, table.caption, "title")
    decimals = column_decimals(table)
    for i, column in enumerate(table.columns, start=1):
        head = f"{column.caption} [{column.unit}]" if column.unit else column.caption
        _put(sheet, 3, i, head, "head")
        texts = [row[i - 1] for row in table.rows if isinstance(row[i - 1], str)]
        widest = max((len(str(text)) for text in texts), default=0)
        sheet.column_dimensions[get_column_letter(i)].width = min(60, max(12, widest + 2, len(head) // 2 + 4))
    for j, values in enumerate(table.rows, start=4):
        for i, (value, column) in enumerate(zip(values, table.columns, strict=True)):
            _put_value(sheet, j, i + 1, value, column, decimals[i])
    end = 3 + len(table.rows)
    last = get_column_letter(max(1, len(table.columns)))
    sheet.freeze_panes = "A4"
    sheet.auto_filter.ref = f"A3:{last}{end}"
    remarks = list(table.remarks)
    if any(value is None for row in table.rows for value in row):
        remarks.append(f"{MISSING} {MISSING_MEANS}")
    for k, remark in enumerate(remarks):
        _put(sheet, end + 2 + k, 1, remark, "soft")


def _put_value(sheet: Worksheet, row: int, column: int, value: Value, kind: Column, decimals: int) -> None:
    from openpyxl.styles import Alignment

    if value is None:
        # Not an empty cell: a spreadsheet would count it as zero.
        _put(sheet, row, column, MISSING)
        sheet.cell(row=row, column=column).alignment = Alignment(
            horizontal="right" if is_numeric(kind.kind) else "left"
        )
        return
    if isinstance(value, bool):
        _put(sheet, row, column, "yes" if value else "no")
        return
    _put(sheet, row, column, value)
    if not isinstance(value, str):
        sheet.cell(row=row, column=column).number_format = _number_format(kind.kind, value, decimals)


def _number_format(kind: ColumnKind, value: float, decimals: int) -> str:
    if kind is ColumnKind.VARIANCE or (kind is ColumnKind.NUMBER and value != 0 and abs(value) < 0.01):
        return "0.00E+00"
    if kind in (ColumnKind.TEXT, ColumnKind.DATE):
        return "General"
    return "0" if decimals == 0 else "0." + "0" * decimals


def without_dates(book: Workbook) -> bytes:
    """The file of the workbook with the dates of writing taken out."""
    stream, clean = io.BytesIO(), io.BytesIO()
    book.save(stream)
    with zipfile.ZipFile(stream) as source, zipfile.ZipFile(clean, "w") as target:
        for name in sorted(source.namelist()):
            content = source.read(name)
            if name == "docProps/core.xml":
                fixed = rf"\g<1>{_NO_DATE:%Y-%m-%dT%H:%M:%SZ}\g<2>".encode()
                content = re.sub(rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*(</dcterms:)", fixed, content)
            info = zipfile.ZipInfo(name, date_time=_ZIP_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            target.writestr(info, content)
    return clean.getvalue()
