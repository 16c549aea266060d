"""Files made to fill the memory, to stop the clock or to reach beyond themselves. All are made here."""

from __future__ import annotations

import csv
import io
import json
import os
import socket
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import command_inputs
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from cases import Case
from hostile_files import packed
from watched import Seen, watched

from repeatab.base.errors import InputError, RepeatabError, StudyError
from repeatab.cell_files import cell_file_bytes, read_cell_file
from repeatab.cells import reduce_to_cells
from repeatab.intake import workbook_guard
from repeatab.intake.events import read_events
from repeatab.intake.options import ReadOptions
from repeatab.intake.reading import read_results
from repeatab.study.loading import load_study
from repeatab.study.values import margin_from

COLUMNS = {"rig": "rig", "section": "section", "result": "mu"}
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
HEAD = f'<?xml version="1.0" encoding="UTF-8"?><worksheet xmlns="{MAIN}"><sheetData>'.encode()
NAMES = (
    b'<row r="1">'
    + b"".join(b'<c t="inlineStr"><is><t>%s</t></is></c>' % n for n in (b"rig", b"section", b"mu"))
    + b"</row>"
)
ROW = b'<row><c t="inlineStr"><is><t>R1</t></is></c><c><v>1</v></c><c><v>0.4</v></c></row>'
END = b"</sheetData></worksheet>"


def members() -> dict[str, bytes]:
    stream = io.BytesIO()
    book = openpyxl.Workbook()
    book.active.append(["rig", "section", "mu"])  # type: ignore[union-attr]
    book.save(stream)
    with zipfile.ZipFile(stream) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def book_of(path: Path, sheet: bytes, **others: bytes) -> Path:
    """A workbook whose only sheet is this XML."""
    parts = {
        **members(),
        "xl/worksheets/sheet1.xml": sheet,
        **{f"xl/{name}.xml": text for name, text in others.items()},
    }
    path.write_bytes(packed(parts))
    return path


def seen(path: Path, **how: Any) -> Seen:
    """What reading a file does; twice, so that what is imported at first use is not charged to it."""
    for _ in range(2):
        found = watched(
            lambda: read_results(path, columns=COLUMNS, **how) and None,
            folder=path.parent,
            size=path.stat().st_size,
        )
    return found


SHEETS: dict[str, tuple[Callable[[], bytes], str]] = {
    "a row of 300,000 empty cells": (
        lambda: HEAD + NAMES + b"<row>" + b"<c/>" * 300_000 + b"</row>" + END,
        "more than a row of a sheet can have",
    ),
    "eighty thousand equal rows": (lambda: HEAD + NAMES + ROW * 80_000 + END, "many times the tags"),
    "fifty thousand rows of empty cells": (
        lambda: HEAD + NAMES + (b"<row>" + b"<c/>" * 10 + b"</row>") * 50_000 + END,
        "many times the tags",
    ),
    "a row beyond the last": (
        lambda: HEAD + NAMES + b'<row r="99999999"><c><v>1</v></c></row>' + END,
        "a sheet ends at row",
    ),
    "a row number with an exponent": (
        lambda: HEAD + NAMES + b'<row r="1e18"><c><v>1</v></c></row>' + END,
        "names a row below 1,048,576",
    ),
    "cells in the last column": (
        lambda: HEAD + NAMES + b'<row><c r="XFD2"><v>1</v></c></row>' * 300 + END,
        "columns far to the right",
    ),
    "a row inside a row": (lambda: HEAD + NAMES + b"<row><c/><row/></row>" + END, "stands inside another"),
    "a billion laughs": (lambda: _laughs(), "document type"),
    "an external entity": (
        lambda: (
            HEAD.replace(b"<worksheet", b'<!DOCTYPE w [<!ENTITY e SYSTEM "file:///etc/passwd">]><worksheet')
            + NAMES
            + ROW.replace(b"R1", b"&e;")
            + END
        ),
        "document type",
    ),
    "tags hidden in a comment": (
        lambda: HEAD + NAMES + b"<row><c/><!--</row><row>--><c/></row>" + END,
        "a comment",
    ),
    "another encoding": (lambda: (HEAD + NAMES + ROW + END).decode().encode("utf-16"), "not in UTF-8"),
}


def _laughs() -> bytes:
    steps = b"".join(b'<!ENTITY l%d "%s">' % (at + 1, b"&l%d;" % at * 10) for at in range(9))
    return (
        HEAD.replace(b"<worksheet", b'<!DOCTYPE w [<!ENTITY l0 "ha">' + steps + b"]><worksheet")
        + NAMES
        + ROW.replace(b"R1", b"&l9;")
        + END
    )


@pytest.mark.parametrize("name", SHEETS)
def test_a_hostile_sheet_is_refused_within_its_means(name: str, tmp_path: Path) -> None:
    sheet, part = SHEETS[name]
    found = seen(book_of(tmp_path / "a.xlsx", sheet()))
    assert found.faults == ()
    assert part in found.said
    assert found.said.startswith("a.xlsx")


def test_one_long_text_in_every_row(tmp_path: Path) -> None:
    text = f'<sst xmlns="{MAIN}"><si><t>'.encode() + b"x" * 32_000 + b"</t></si></sst>"
    sheet = HEAD + NAMES + ROW.replace(b't="inlineStr"><is><t>R1</t></is>', b't="s"><v>0</v>') * 1_200 + END
    path = book_of(tmp_path / "a.xlsx", sheet, sharedStrings=text)
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    kind = b"application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    entry = b'<Override PartName="/xl/sharedStrings.xml" ContentType="%s"/></Types>' % kind
    parts["[Content_Types].xml"] = parts["[Content_Types].xml"].replace(b"</Types>", entry)
    path.write_bytes(packed(parts))
    found = seen(path)
    assert found.faults == ()
    assert "repeated long texts" in found.said


def test_a_workbook_that_unpacks_to_many_times_its_size(tmp_path: Path) -> None:
    path = book_of(tmp_path / "a.xlsx", HEAD + NAMES + ROW + END, media=b"0" * (40 << 20))
    found = seen(path)
    assert found.faults == ()
    assert "40 MiB" in found.said


def test_thousands_of_sheets(tmp_path: Path) -> None:
    parts = {**members(), **{f"xl/worksheets/sheet{at}.xml": b"" for at in range(2, 3_000)}}
    (tmp_path / "a.xlsx").write_bytes(packed(parts))
    found = seen(tmp_path / "a.xlsx")
    assert found.faults == ()
    assert "parts" in found.said


def test_an_absurd_extent_is_not_believed(tmp_path: Path) -> None:
    sheet = HEAD.replace(b"<sheetData>", b'<dimension ref="A1:XFD1048576"/><sheetData>') + NAMES + ROW + END
    path = book_of(tmp_path / "a.xlsx", sheet)
    assert seen(path).faults == ()
    assert read_results(path, columns=COLUMNS).row_count == 1


def test_links_to_other_files_and_macros_are_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A workbook with a link to another elsewhere, and a program in it: its values are read and no more."""
    parts = members()
    parts["xl/worksheets/sheet1.xml"] = (
        HEAD + NAMES + ROW.replace(b"<v>0.4</v>", b"<f>[1]Data!A1</f><v>0.4</v>") + END
    )
    parts["xl/externalLinks/externalLink1.xml"] = (
        f'<externalLink xmlns="{MAIN}"><externalBook xmlns:r="r" r:id="rId1"/></externalLink>'.encode()
    )
    parts["xl/externalLinks/_rels/externalLink1.xml.rels"] = (
        b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" '
        b'Type="t" Target="http://192.0.2.1/other.xlsx" TargetMode="External"/></Relationships>'
    )
    parts["xl/vbaProject.bin"] = b"\xd0\xcf\x11\xe0" + b"\0" * 512
    (tmp_path / "a.xlsm").write_bytes(packed(parts))

    def called(*_: object, **__: object) -> None:
        raise AssertionError("the network was asked")

    monkeypatch.setattr(socket, "socket", called)
    monkeypatch.setattr(socket, "create_connection", called)
    results = read_results(tmp_path / "a.xlsm", columns=COLUMNS)
    assert results.to_frame()["result"].tolist() == [0.4]


# Parquet.


def parquet(path: Path, **columns: Any) -> Path:
    pq.write_table(pa.table(columns), path)
    return path


def test_parquet_with_millions_of_equal_rows(tmp_path: Path) -> None:
    many = pa.array([0.4]).take(pa.array([0] * 2_000_000))
    label = pa.DictionaryArray.from_arrays(pa.array([0] * 2_000_000, pa.int32()), pa.array(["R1"]))
    found = seen(parquet(tmp_path / "a.parquet", rig=label, section=label, mu=many))
    assert found.faults == ()
    assert "2,000,000 rows" in found.said


def test_parquet_with_one_long_text_in_every_row(tmp_path: Path) -> None:
    label = pa.DictionaryArray.from_arrays(pa.array([0] * 20_000, pa.int32()), pa.array(["x" * 100_000]))
    found = seen(parquet(tmp_path / "a.parquet", rig=label, section=["c"] * 20_000, mu=[0.4] * 20_000))
    assert found.faults == ()
    assert "'rig'" in found.said
    assert "2,000,000,000 letters" in found.said


@pytest.mark.parametrize("cell", [[0.4], {"a": 1}, b"\xff"])
def test_parquet_columns_of_lists_structures_and_bytes_are_named(tmp_path: Path, cell: object) -> None:
    path = parquet(tmp_path / "a.parquet", rig=[cell, cell], section=["c", "c"], mu=[0.4, 0.5])
    with pytest.raises(InputError, match=r"a\.parquet, column 'rig': holds values of the kind"):
        read_results(path, columns=COLUMNS)


def test_parquet_whose_column_names_are_no_text(tmp_path: Path) -> None:
    path = parquet(tmp_path / "a.parquet", rig=["R1"], section=["c"], mu=[0.4], zzzz=[1])
    path.write_bytes(path.read_bytes().replace(b"zzzz", b"z\xcazz"))
    with pytest.raises(InputError, match=r"a\.parquet: cannot be read as Parquet"):
        read_results(path, columns=COLUMNS)


def test_results_near_the_end_of_the_range_make_no_warning(tmp_path: Path) -> None:
    columns = {"rig": ["R1"] * 4, "section": ["c"] * 4, "mu": [1e308, -1e308, 1e308, 0.4]}
    assert seen(parquet(tmp_path / "a.parquet", **columns)).faults == ()


# Pipes, devices, circles of links.


@pytest.fixture
def pipe(tmp_path: Path) -> Path:
    os.mkfifo(tmp_path / "a.csv")
    return tmp_path / "a.csv"


READERS: dict[str, Callable[[Path], object]] = {
    "results": lambda path: read_results(path, columns=COLUMNS),
    "results by a link": lambda path: read_results(_linked(path), columns=COLUMNS),
    "events": read_events,
    "cells": read_cell_file,
    "study": load_study,
}


def _linked(path: Path) -> Path:
    link = path.with_name("link.csv")
    link.symlink_to(path)
    return link


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
@pytest.mark.parametrize("reader", READERS)
def test_a_pipe_is_refused_and_not_waited_for(reader: str, pipe: Path) -> None:
    with pytest.raises(RepeatabError, match="is a pipe, a device or a socket, expected a file"):
        READERS[reader](pipe)


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="needs a device without end")
@pytest.mark.parametrize("reader", READERS)
def test_a_device_without_end_is_refused(reader: str, tmp_path: Path) -> None:
    assert stat.S_ISCHR(Path("/dev/zero").stat().st_mode)
    (tmp_path / "a.csv").symlink_to("/dev/zero")
    with pytest.raises(RepeatabError, match="is a pipe, a device or a socket, expected a file"):
        READERS[reader](tmp_path / "a.csv")


def test_a_study_that_names_a_device_is_refused_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"^\.\./.*dev/zero: is a pipe, a device"):
        read_results("/dev/zero", columns=COLUMNS, relative_to=tmp_path)


def test_folders_linked_in_a_circle_come_to_an_end(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("rig,section,mu\nR1,c,0.4\n")
    for name in ("month=1", "month=2"):
        (tmp_path / name).symlink_to(tmp_path, target_is_directory=True)
    assert read_results(tmp_path, columns=COLUMNS).row_count == 1


# Text tables, cell files, study files.


def test_a_table_of_a_hundred_thousand_columns(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("rig,section,mu" + ",x" * 100_000 + "\nR1,c,0.4" + ",1" * 100_000 + "\n")
    found = seen(path)
    assert found.faults == ()


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ("L1", '"' + "x" * 200_000 + '"', "field larger"),
        (",4,", ",٤,", "'٤'"),
        (",4,", ",99999999999999999999,", "a count of"),
        ("0.42499999999999999", "4_25", "'4_25'"),
        ("0.42499999999999999", "٤", "expected a number"),
        ('"rows": 4', '"rows": "4"', "no description"),
        ('"quantity": "friction"', '"quantity": ' + "[" * 100_000, "no description"),
        ('["result"]', str([f"v{at}" for at in range(4_000)]).replace("'", '"'), "no description"),
    ],
)
def test_a_cell_file_with_what_only_python_reads(tmp_path: Path, old: str, new: str, part: str) -> None:
    import hashlib

    from repeatab.outcome.outcome import InputFile

    table = {"laboratory": ["L1"] * 4, "result": [0.41, 0.42, 0.43, 0.44]}
    import pandas as pd

    cells = reduce_to_cells(pd.DataFrame(table), result="result", factors=["laboratory"], covariates=[])
    text = cell_file_bytes(
        cells, quantity="friction", results=[InputFile(name="r.csv", sha256="0", rows=4)]
    ).decode()
    assert old in text
    first, second, rest = text.replace(old, new).split("\n", 2)
    was = hashlib.sha256(text.split("\n", 2)[2].encode()).hexdigest()
    second = second.replace(was, hashlib.sha256(rest.encode()).hexdigest())
    (tmp_path / "c.csv").write_text("\n".join((first, second, rest)))
    with pytest.raises(InputError) as caught:
        read_cell_file(tmp_path / "c.csv")
    assert part in str(caught.value)
    assert "c.csv" in str(caught.value)


def test_labels_like_formulas_are_shielded_in_cell_files_and_come_back(tmp_path: Path) -> None:
    import pandas as pd

    labels = ["=1+1", "@x", "'=x", "-2+3", "L1", "a\rb"]
    table = pd.DataFrame({"laboratory": labels, "result": [0.4, 0.41, 0.42, 0.43, 0.44, 0.45]})
    cells = reduce_to_cells(table, result="result", factors=["laboratory"], covariates=[])
    raw = cell_file_bytes(cells, quantity="friction")
    for row in csv.reader(io.StringIO(raw.decode().split("\n", 2)[2])):
        assert not row[0].startswith(("=", "+", "-", "@"))
    (tmp_path / "c.csv").write_bytes(raw)
    assert sorted(read_cell_file(tmp_path / "c.csv").cells.levels[0]) == sorted(labels)


def test_a_shielded_column_name_and_label_are_read_bare(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("'=rig,section,mu\n'=R1,it's,0.4\n'R2,c,-0.1\n'-3+4,c,0.3\n")
    frame = read_results(tmp_path / "a.csv", columns={**COLUMNS, "rig": "=rig"}).to_frame()
    assert frame["rig"].tolist() == ["=R1", "'R2", "-3+4"]
    assert frame["section"].tolist() == ["it's", "c", "c"]


def test_a_number_of_thousands_of_digits_in_a_study(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text("seed = " + "9" * 5_000)
    with pytest.raises(StudyError, match="thousands of digits"):
        load_study(tmp_path / "s.toml")


def test_brackets_without_end_in_a_study(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text("a = " + "[" * 50_000)
    with pytest.raises(StudyError, match="nested too deeply"):
        load_study(tmp_path / "s.toml")


def test_a_thousand_events_are_read_at_once(tmp_path: Path) -> None:
    rows = [f"{1 + at % 28:02d}.03.{2000 + at // 28};R1;repair" for at in range(1_000)]
    (tmp_path / "e.csv").write_text("date;rig;kind\n" + "\n".join(rows) + "\n")
    found = watched(lambda: read_events(tmp_path / "e.csv") and None, folder=tmp_path, size=30_000)
    assert found.faults == ()
    assert read_events(tmp_path / "e.csv")[0][0].day == "2000-03-01"


def test_the_limits_refuse_nothing_that_a_laboratory_writes(tmp_path: Path) -> None:
    """Ten columns, most of them repeating: five times as far from the limits as they are wide."""
    path = tmp_path / "a.xlsx"
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("d")
    sheet.append(["date", "rig", "operator", "lot", "set", "run", "section", "stop", "pressure", "mu"])
    for at in range(2_000):
        mu = round(0.4 + (at * 7919 % 1000) / 1e4, 4)
        sheet.append(
            ["2026-03-02", f"R{at % 3}", "KM", "L1", f"S{at // 100}", at // 20, "cold", at % 20, 30, mu]
        )
    book.save(path)
    with zipfile.ZipFile(path) as archive:
        contents = [archive.read(name) for name in archive.namelist()]
    size = path.stat().st_size
    assert sum(map(len, contents)) < workbook_guard.MOST_BYTES_PER_BYTE * size / 2
    assert sum(text.count(b"<") for text in contents) < workbook_guard.MOST_TAGS_PER_BYTE * size / 2
    workbook_guard.refuse_hostile_workbook(path, file="a.xlsx")


def test_a_declared_header_that_is_an_empty_row_is_named(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("Title\n\nrig,section,mu\nR1,c,0.4\n")
    with pytest.raises(InputError, match=r"a\.csv, row 2: is empty"):
        read_results(tmp_path / "a.csv", columns=COLUMNS, options=ReadOptions(header_row=2))


def test_cross_products_whose_squares_have_no_number_make_no_warning(tmp_path: Path) -> None:
    import hashlib

    table = "laboratory,count,mean a,mean b,cross a a,cross a b,cross b b\nL1,3,1,1,1e200,1e199,1e200\n"
    about = {
        "factors": ["laboratory"],
        "values": ["a", "b"],
        "whole_numbers": [],
        "quantity": "",
        "results": [],
        "table_sha256": hashlib.sha256(table.encode()).hexdigest(),
    }
    (tmp_path / "c.csv").write_text(f"# repeatab cells, version 1\n# {json.dumps(about)}\n{table}")
    found = watched(lambda: read_cell_file(tmp_path / "c.csv") and None, folder=tmp_path, size=1_000)
    assert found.faults == ()
    assert found.accepted


def test_a_refused_import_leaves_no_new_ledger(tmp_path: Path) -> None:
    from repeatab.ledger.entrance import stand_in
    from repeatab.ledger.faults import LedgerError

    def supersede_nothing() -> None:
        with stand_in(tmp_path / "lab.sqlite") as trial:
            assert trial is not None
            trial.record(5)

    with pytest.raises(LedgerError, match=r"lab\.sqlite: .*no record"):
        supersede_nothing()
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(LedgerError, match="the folder"), stand_in(tmp_path / "none" / "lab.sqlite"):
        pass
    with stand_in("postgresql://user@host/lab") as trial:
        assert trial is None


@pytest.mark.parametrize("line", ["history import new.sqlite e.csv --by A", "run s.toml --ledger new.sqlite"])
def test_a_refused_command_leaves_no_new_ledger(line: str, tmp_path: Path) -> None:
    study = next(case for case in command_inputs.commands() if "run" in case.words["line"])
    files = {"e.csv": b"rig\nR1\n", **{name: study.files[name] for name in ("s.toml", "a.csv")}}
    files["s.toml"] = files["s.toml"].replace(b'rig = "R2"', b'rig = "R9"')
    case = Case(files=files, words={"line": line.split()})
    case.lay(tmp_path)
    found = watched(
        lambda: command_inputs.run_command(case, tmp_path), folder=tmp_path, size=case.size, timed=False
    )
    assert [fault for fault in found.faults if "writes" in fault] == []
    assert found.said
    assert not (tmp_path / "new.sqlite").exists()


def test_whole_numbers_beyond_all_floats_are_refused_where_they_stand(tmp_path: Path) -> None:
    sheet = HEAD + NAMES + ROW + ROW.replace(b"0.4", b"9" * 400) + END
    found = seen(book_of(tmp_path / "a.xlsx", sheet))
    assert found.faults == ()
    with pytest.raises(StudyError, match="a number of 400 digits, expected a margin"):
        margin_from(int("9" * 400))
