"""Workbooks and Parquet files."""

from __future__ import annotations

import datetime
import zipfile

import openpyxl
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from repeatab.base.errors import InputError
from repeatab.intake.options import ReadOptions
from repeatab.intake.reading import read_results
from repeatab.intake.workbook_files import cell_text

HEADER = ["Rig", "Set", "Run", "Section", "Stop", "mu"]
ROWS = [["R1", "S1", 1, "fade", 1, 0.385], ["R2", "S2", 1, "fade", 1, 0.402]]


@pytest.fixture
def workbook(tmp_path):
    """Write sheets (name -> rows) and return the path; text that begins with = stays text."""

    def write(sheets, name="runs.xlsx"):
        book = openpyxl.Workbook()
        book.remove(book.active)
        for title, rows in sheets.items():
            sheet = book.create_sheet(title)
            for at, row in enumerate(rows, start=1):
                for column, value in enumerate(row, start=1):
                    cell = sheet.cell(row=at, column=column, value=value)
                    if isinstance(value, str) and value.startswith("="):
                        cell.data_type = "s"
        book.save(tmp_path / name)
        return tmp_path / name

    return write


def refusal(*args, **named) -> str:
    with pytest.raises(InputError) as caught:
        read_results(*args, **named)
    return str(caught.value)


def test_title_lines_units_row_and_blank_rows(workbook, columns):
    rows = [
        ["Monthly check"],
        [],
        HEADER,
        [None, None, None, None, None, "[-]"],
        ROWS[0],
        [],
        ROWS[1],
        [None] * 6,
    ]
    results = read_results(workbook({"Data": rows}), columns=columns)
    frame = results.to_frame()
    assert frame["source_row"].tolist() == [5, 7]
    assert frame["result"].tolist() == [0.385, 0.402]
    assert frame["run"].tolist() == ["1", "1"]
    assert any("header in row 3" in told and "units in row 4" in told for told in results.detected)


def test_the_sheet_with_the_columns_is_found_and_told(workbook, columns):
    path = workbook({"Notes": [["hello"]], "Data": [HEADER, *ROWS]})
    results = read_results(path, columns=columns)
    assert any("sheet 'Data'" in told for told in results.detected)


def test_named_sheet(workbook, columns):
    other = [HEADER, ["R9", "S9", 1, "fade", 1, 0.3]]
    path = workbook({"Old": [HEADER, *ROWS], "New": other})
    results = read_results(path, columns=columns, options=ReadOptions(sheet="New"))
    assert results.levels("rig") == ("R9",)


def test_absent_sheet_lists_the_sheets_and_the_nearest(workbook, columns):
    path = workbook({"Results": [HEADER, *ROWS], "Notes": []})
    text = refusal(path, columns=columns, options=ReadOptions(sheet="Result"))
    for part in ("runs.xlsx", "'Result'", "'Results', 'Notes'", "Did you mean 'Results'?"):
        assert part in text


def test_two_sheets_that_could_be_meant_ask(workbook, columns):
    text = refusal(workbook({"May": [HEADER, *ROWS], "June": [HEADER, *ROWS]}), columns=columns)
    for part in ("runs.xlsx", "'May', 'June'", "Name the sheet"):
        assert part in text


def test_text_numbers_with_a_decimal_comma(workbook, columns):
    rows = [[*row[:5], str(row[5]).replace(".", ",")] for row in ROWS]
    results = read_results(workbook({"Data": [HEADER, *rows]}), columns=columns)
    assert results.to_frame()["result"].tolist() == [0.385, 0.402]


def test_an_error_cell_is_named(workbook, columns):
    path = workbook({"Data": [HEADER, ROWS[0], [*ROWS[1][:5], "#DIV/0!"]]})
    text = refusal(path, columns=columns)
    for part in ("runs.xlsx, row 3", "'mu'", "'#DIV/0!'"):
        assert part in text


def test_a_formula_that_was_never_calculated_is_a_missing_result_and_says_so(tmp_path, columns):
    book = openpyxl.Workbook()
    for row in (HEADER, ROWS[0], [*ROWS[1][:5], "=1/3"]):
        book.active.append(row)
    book.save(tmp_path / "runs.xlsx")
    results = read_results(tmp_path / "runs.xlsx", columns=columns)
    finding = next(finding for finding in results.findings if finding.check == "missing result")
    assert finding.rows == (3,)
    assert "formula never calculated" in finding.text


def test_empty_sheet_and_header_only(workbook, columns):
    assert "is empty" in refusal(workbook({"Data": []}), columns=columns)
    assert "no row under it" in refusal(workbook({"Data": [["t"], HEADER]}), columns=columns)


def test_duplicate_column_name(workbook, columns):
    text = refusal(workbook({"Data": [[*HEADER, "mu"], [*ROWS[0], 1]]}), columns=columns)
    assert "'mu' stands 2 times (columns 6 and 7)" in text


def test_what_is_no_workbook(tmp_path, columns):
    path = tmp_path / "runs.xlsx"
    path.write_text("Rig;mu\nR1;0,4\n")
    assert "cannot be read as a workbook" in refusal(path, columns=columns)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("hello.txt", "hello")
    assert "cannot be read as a workbook" in refusal(path, columns=columns)


def test_a_workbook_that_would_unpack_to_an_absurd_size_is_refused_unread(tmp_path, columns):
    path = tmp_path / "runs.xlsx"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/sheet1.xml", "w") as entry,
    ):
        for _ in range(120):
            entry.write(b"0" * (1 << 20))
    text = refusal(path, columns=columns)
    for part in ("runs.xlsx", "120 MiB", "export the results as CSV"):
        assert part in text


def test_hostile_names(workbook):
    names = ["<script>", "=cmd|' /C calc'!A0", 'q"q', "a/b", "🔥"]
    path = workbook({"Data": [["Rig", "mu"], *([name, 0.4] for name in names)]})
    frame = read_results(path, columns={"rig": "Rig", "result": "mu"}).to_frame()
    assert frame["rig"].tolist() == names


def test_number_labels_are_one_level_with_their_text():
    assert [cell_text(value) for value in (1, 1.0, "1", 1.5, None, True)] == [
        "1",
        "1",
        "1",
        "1.5",
        "",
        "true",
    ]
    assert cell_text(datetime.datetime(2024, 5, 6, 7, 8)) == "2024-05-06T07:08:00"


def test_short_rows_are_filled(workbook):
    path = workbook({"Data": [["Rig", "mu", "temp"], ["R1", 0.4], ["R2", 0.41]]})
    results = read_results(path, columns={"rig": "Rig", "result": "mu"})
    assert results.row_count == 2


def test_parquet_keeps_its_types(tmp_path, columns):
    frame = pd.DataFrame(ROWS, columns=HEADER)
    frame["Rig"] = frame["Rig"].astype("category")
    frame.to_parquet(tmp_path / "runs.parquet")
    found = read_results(tmp_path / "runs.parquet", columns=columns).to_frame()
    assert found["stop"].tolist() == [1, 1]
    assert found["stop"].dtype.kind == "i"
    assert found["rig"].tolist() == ["R1", "R2"]
    assert found["source_row"].tolist() == [2, 3]


def test_parquet_that_is_none_or_lacks_a_column_or_rows(tmp_path, columns):
    path = tmp_path / "runs.parquet"
    path.write_bytes(b"PAR1 not really")
    assert "cannot be read as Parquet" in refusal(path, columns=columns)
    frame = pd.DataFrame(ROWS, columns=HEADER)
    frame.rename(columns={"mu": "my"}).to_parquet(path)
    text = refusal(path, columns=columns)
    for part in ("runs.parquet", "'mu'", "'my'"):
        assert part in text
    frame.head(0).to_parquet(path)
    assert "no row under it" in refusal(path, columns=columns)


def test_parquet_with_dates_for_the_result(tmp_path, columns):
    frame = pd.DataFrame(ROWS, columns=HEADER).assign(mu=pd.Timestamp("2024-01-01"))
    frame.to_parquet(tmp_path / "runs.parquet")
    text = refusal(tmp_path / "runs.parquet", columns=columns)
    for part in ("runs.parquet", "'mu'", "timestamp", "expected numbers"):
        assert part in text


def test_parquet_text_of_every_kind_and_files_of_different_types_join(tmp_path):
    columns = {"rig": "Rig", "run": "Run", "result": "mu"}
    pl.DataFrame({"Rig": ["a"], "Run": [1], "mu": [0.4]}).write_parquet(tmp_path / "a.parquet")
    view = pa.table({"Rig": pa.array(["b"], pa.string_view()), "Run": pa.array([2], pa.int32()), "mu": [0.4]})
    pq.write_table(view, tmp_path / "b.parquet")
    frame = read_results(str(tmp_path / "*.parquet"), columns=columns).to_frame()
    assert frame["rig"].tolist() == ["a", "b"]
    assert frame["run"].tolist() == [1, 2]
    (tmp_path / "c.csv").write_text("Rig;Run;mu\nc;3;0,41\n")
    mixed = read_results(tmp_path, columns=columns).to_frame()
    assert mixed["run"].tolist() == ["1", "2", "3"]
    assert mixed["result"].tolist() == [0.4, 0.4, 0.41]


def test_number_labels_of_any_size(workbook):
    path = workbook({"Data": [["Rig", "mu"], [1, 0.4], [2.0, 0.4], [1e300, 0.4]]})
    assert read_results(path, columns={"rig": "Rig", "result": "mu"}).levels("rig") == ("1", "1e+300", "2")
