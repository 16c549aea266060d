"""On the way out no name becomes a formula: run sheets and exports of the ledger.

Cell files: test_hostile_files; the workbook of a report: tests/report/test_workbook.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import openpyxl
import pytest

from repeatab.intake.events import Event
from repeatab.intake.reading import read_results
from repeatab.ledger.export import What, export
from repeatab.ledger.records import Stamp, of_event
from repeatab.ledger.store import open_ledger
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.tables import Column, ColumnKind, Table
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.report.run_sheet import run_sheet_files

FORMULAS = (
    "=1+1",
    "=cmd|' /C calc'!A0",
    "@SUM(A1)",
    "+1+cmd",
    "-2+3",
    "\t=1",
    "\r=1",
    " =1",
    "'=1",
    "\uff1d1",
)
BEGINS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d")


@pytest.fixture
def sheet() -> dict[str, bytes]:
    """The files of a run sheet in which rigs, and the column for them, are called like formulas."""
    columns = (
        Column(key="run", caption="run", kind=ColumnKind.COUNT),
        Column(key="rig", caption="=HYPERLINK(A1)", kind=ColumnKind.TEXT),
        Column(key="result", caption="mu", kind=ColumnKind.RESULT),
    )
    rows = tuple((at, name, None) for at, name in enumerate(FORMULAS, start=1))
    undecided = Judgement(subject="plan", verdict=Verdict.DESCRIBED, reason="a plan")
    table = Table(key="run_sheet", caption="Runs", columns=columns, rows=rows)
    return run_sheet_files(
        Outcome(job="plan", title="Plan", headline=undecided, judgements=(), evidence=(), tables=(table,))
    )


def test_a_run_sheet_holds_no_formula_and_is_read_with_its_names(
    sheet: dict[str, bytes], tmp_path: Path
) -> None:
    rows = list(csv.reader(io.StringIO(sheet["run_sheet.csv"].decode(), newline="")))
    assert len(rows) == 1 + len(FORMULAS)
    for row in rows:
        assert not row[1].lstrip(" ").startswith(BEGINS), row
    # Filled in, the sheet is what the study reads.
    filled = [[*row[:2], "mu" if at == 0 else "0.4"] for at, row in enumerate(rows)]
    with (tmp_path / "sheet.csv").open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream, lineterminator="\r\n").writerows(filled)
    found = read_results(
        tmp_path / "sheet.csv", columns={"run": "run", "rig": "=HYPERLINK(A1)", "result": "mu"}
    )
    assert sorted(found.levels("rig")) == sorted(FORMULAS)


def test_a_run_sheet_as_a_workbook_holds_texts_only(sheet: dict[str, bytes]) -> None:
    book = openpyxl.load_workbook(io.BytesIO(sheet["run_sheet.xlsx"]))
    cells = [cell for row in book.active.iter_rows() for cell in row if isinstance(cell.value, str)]  # type: ignore[union-attr]
    assert [cell.value for cell in cells if cell.column == 2][1:4] == list(FORMULAS[:3])
    for cell in cells:
        assert cell.data_type == "s", cell.value
        assert cell.quotePrefix == str(cell.value).strip().startswith((*BEGINS, "'=")), cell.value


def test_an_export_of_the_ledger_holds_no_formula(tmp_path: Path) -> None:
    ledger, stamp = (
        open_ledger(tmp_path / "lab.sqlite", create=True),
        Stamp(by="=A1", at="2026-03-31T14:05:00+00:00"),
    )
    for text in FORMULAS:
        ledger.append(of_event(Event(day="2026-03-31", kind="repair", text=text, rig="R1")), stamp)
    for what in (What.RECORDS, What.EVENTS):
        export(ledger, tmp_path / "x.csv", what=what)
        with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as stream:
            rows = list(csv.reader(stream))
        assert len(rows) == 1 + len(FORMULAS)
        assert not [cell for row in rows for cell in row if cell.lstrip(" ").startswith(BEGINS)]
