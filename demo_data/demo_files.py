"""Demo files: a table and how it is written, as bytes or as the cells of a workbook.

In: a frame and its format.  Out: a DemoSet, whose files can be stored and compared.
Not here: what the numbers are.
"""

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
from invented_lab import LABORATORY, SEED

Sheets = dict[str, list[list[Any]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoSet:
    """One data set: its files by name relative to demo_data (bytes or workbook sheets), and its truth."""

    name: str
    files: Mapping[str, bytes | Sheets]
    truth: Mapping[str, Any]

    def truth_bytes(self) -> bytes:
        """The truth file: what was put in, and where the data were made messy."""
        head = {"data": sorted(self.files), "invented": LABORATORY, "seed": SEED}
        text = json.dumps({**head, **self.truth}, indent=1, ensure_ascii=False, allow_nan=False)
        return (text + "\n").encode()


def delimited(frame: pd.DataFrame, formats: Mapping[str, str], *, separator: str = ",", decimal: str = ".",
              encoding: str = "utf-8", line_end: str = "\n") -> bytes:  # fmt: skip
    """A frame as delimited text; `formats` gives the printed form of number columns, as a rig prints them."""
    shown = frame.copy().astype(object)
    for column, form in formats.items():
        shown[column] = [
            value if isinstance(value, str) else format(value, form).replace(".", decimal)
            for value in frame[column]
        ]
    text = shown.to_csv(index=False, sep=separator, lineterminator=line_end)
    return text.encode(encoding)


def file_rows(chosen: "pd.Series[bool]") -> list[int]:
    """Row numbers in the written file, where the header is row 1."""
    return [int(position) + 2 for position in chosen.to_numpy().nonzero()[0]]


def save(content: bytes | Sheets, path: Path) -> None:
    """Write one file; a workbook whose values have not changed is left alone, for it carries a time stamp."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if isinstance(content, bytes):
        path.write_bytes(content)
    elif not is_stored(content, path):
        _write_workbook(content, path)


def is_stored(content: bytes | Sheets, path: Path) -> bool:
    """Whether the stored file equals the content: bytes for text, values for a workbook."""
    if not path.is_file():
        return False
    stored = path.read_bytes()
    if isinstance(content, bytes):
        return stored == content
    book = openpyxl.load_workbook(io.BytesIO(stored))
    found = {sheet.title: [list(row) for row in sheet.iter_rows(values_only=True)] for sheet in book}
    return found == _padded(content)


def _padded(sheets: Sheets) -> Sheets:
    """Rows filled up with empty cells to the width of their sheet, as a reader returns them."""
    padded = {}
    for name, rows in sheets.items():
        width = max(len(row) for row in rows)
        padded[name] = [row + [None] * (width - len(row)) for row in rows]
    return padded


def _write_workbook(sheets: Sheets, path: Path) -> None:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
