"""The workbook holds every number, the verdict first, and never a formula."""

from __future__ import annotations

import io
import re
import time
import zipfile
from dataclasses import replace
from typing import Any

import openpyxl
import pytest

from repeatab.outcome.outcome import Outcome
from repeatab.report import run_sheet
from repeatab.report.workbook import workbook_bytes


def opened(outcome: Outcome) -> Any:
    return openpyxl.load_workbook(io.BytesIO(workbook_bytes(outcome)))


def test_the_first_sheet_holds_verdict_and_reasons(outcome: Outcome) -> None:
    book = opened(outcome)
    assert book.sheetnames == ["Verdict", "Offsets", "Components", "Next runs"]
    cells = [str(cell.value) for row in book["Verdict"].iter_rows() for cell in row if cell.value is not None]
    text = "\n".join(cells)
    assert "different, whether it exceeds the margin is open" in text
    assert outcome.headline.reason in text
    assert "equivalent (informs only)" in text
    for sentence in (*outcome.evidence, *outcome.cannot_tell, *outcome.cautions):
        assert sentence in text


def test_numbers_keep_sixteen_digits_and_show_what_the_page_shows(outcome: Outcome) -> None:
    table, sheet = outcome.table("offsets"), opened(outcome)["Offsets"]
    for j, row in enumerate(table.rows):
        # The file format's writer gives 16 digits: at most half a unit of the 16th is lost.
        assert sheet.cell(row=4 + j, column=3).value == pytest.approx(row[2], rel=5e-16)
    assert sheet["C4"].number_format == "0.0000"
    assert sheet["B4"].number_format == "0"
    components = opened(outcome)["Components"]
    assert components["B4"].number_format == "0.00E+00"


def test_what_is_not_there_is_a_dash_that_is_explained(outcome: Outcome) -> None:
    sheet = opened(outcome)["Components"]
    assert sheet["D5"].value == "–"
    texts = [str(cell.value) for row in sheet.iter_rows(min_row=7) for cell in row]
    assert "– not available in this design" in texts


def test_no_text_becomes_a_formula(hostile: Outcome) -> None:
    content = workbook_bytes(hostile)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        sheets = [archive.read(n).decode() for n in archive.namelist() if n.startswith("xl/worksheets/sheet")]
    assert len(sheets) == 1 + len(hostile.tables) + 1
    for sheet in sheets:
        assert "<f>" not in sheet
        assert "<f " not in sheet
    seen = []
    for sheet in openpyxl.load_workbook(io.BytesIO(content)).worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f"
                if isinstance(cell.value, str) and cell.value.startswith(("=", "+", "-", "@")):
                    assert cell.data_type == "s"
                    assert cell.quotePrefix
                    seen.append(cell.value)
    assert {"=cmd|'/c calc'!A1", "+1", "-2+3", "@SUM(A1)", "=1+1"} <= set(seen)


def test_sheet_names_are_allowed_and_differ(hostile: Outcome) -> None:
    names = opened(hostile).sheetnames
    assert len({name.lower() for name in names}) == len(names)
    for name in names:
        assert 0 < len(name) <= 31
        assert not re.search(r"[\[\]:*?/\\']", name)


def test_the_same_outcome_gives_the_same_bytes_at_another_time(
    outcome: Outcome, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = replace(outcome, tables=(replace(outcome.tables[0], key=run_sheet.KEY),))
    first, run_sheet_first = workbook_bytes(outcome), run_sheet.run_sheet_files(sheet)
    later = time.time() + 1e6
    monkeypatch.setattr(time, "time", lambda: later)
    monkeypatch.setattr(time, "localtime", lambda *_: time.gmtime(later))
    time.sleep(1.1)
    assert workbook_bytes(outcome) == first
    assert run_sheet.run_sheet_files(sheet) == run_sheet_first
