"""Reading a cell file: whatever no results can have is refused, with its row.

In: a path.  Out: CellTable.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

from repeatab.base.errors import InputError, listed, short
from repeatab.base.files import refuse_no_plain_file
from repeatab.base.shielded import unshielded
from repeatab.cell_files.table import AGAIN, CellTable, cells_from_rows, refuse_twice
from repeatab.cell_files.writing import BEGIN, EXACT, READ_VERSIONS, digest, header_of
from repeatab.cells import Cells
from repeatab.outcome.outcome import InputFile

_KEYS = {"factors", "values", "whole_numbers", "quantity", "results", "table_sha256"}
# What fits the integers of the arrays.
_COUNT, _WHOLE = re.compile(r"[0-9]{1,15}"), re.compile(r"-?[0-9]{1,18}")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?|[+-]?(?:nan|inf)")
_MOST_COLUMNS = 100


def read_cell_file(path: str | Path, *, name: str = "") -> CellTable:
    """Read a cell file.

    Parameters
    ----------
    name : what messages and reports call the file; its own name without folders unless given.

    Raises
    ------
    InputError
        No cell file, another version, changed since it was written, or numbers that no results can have: a
        count below 1, a negative sum of squares, a cell that stands twice. The message names file and row.
    """
    where, name = Path(path), name or Path(path).name
    refuse_no_plain_file(where, name)
    try:
        raw = where.read_bytes()
    except OSError as error:
        raise InputError(f"{name}: cannot be read ({error.strerror}). Correct the path.") from None
    try:
        text = raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        raise InputError(f"{name}: is not UTF-8 text, expected a cell file. {AGAIN}") from None
    first, _, rest = text.partition("\n")
    second, _, table = rest.partition("\n")
    about = _about(second, name, version=_version(first, name))
    if digest(table) != about["table_sha256"]:
        raise InputError(
            f"{name}: the table was changed after it was written (its fingerprint does not agree). A spreadsheet "
            f"that saves the file is enough. Ask for the file as it was sent. {AGAIN}"
        )
    cells = _cells(_rows(table, name), about, name)
    return CellTable(
        name=name,
        cells=cells,
        sha256=hashlib.sha256(raw).hexdigest(),
        quantity=about["quantity"],
        results=tuple(
            InputFile(name=r["name"], sha256=r["sha256"], rows=r["rows"]) for r in about["results"]
        ),
    )


def _rows(table: str, name: str) -> list[list[str]]:
    try:
        return list(csv.reader(io.StringIO(table)))
    except csv.Error as error:
        raise InputError(f"{name}: the table cannot be split into columns ({error}). {AGAIN}") from None


def _version(first: str, name: str) -> int:
    if not first.startswith(BEGIN):
        raise InputError(
            f"{name}, row 1: found '{first[:60]}', expected '{BEGIN}{READ_VERSIONS[-1]}'. {AGAIN}"
        )
    version = first.removeprefix(BEGIN).strip()
    if version not in map(str, READ_VERSIONS):
        known = " or ".join(map(str, READ_VERSIONS))
        raise InputError(
            f"{name}, row 1: found cell files' version '{version[:20]}', expected version {known}. "
            "Ask for the file in such a version, or use the program version that wrote it."
        )
    return int(version)


def _about(line: str, name: str, *, version: int) -> dict[str, Any]:
    try:
        about = json.loads(line.removeprefix("#"))
    except (ValueError, RecursionError):
        about = None
    keys = _KEYS if version == 1 else _KEYS | {"nominal"}
    if not isinstance(about, dict) or set(about) != keys or not _usable(about):
        raise InputError(f"{name}, row 2: found no description of the columns, expected one line. {AGAIN}")
    return {"nominal": [0.0] * len(about["values"]), **about}


def _usable(about: Mapping[str, Any]) -> bool:
    lists = [about[key] for key in ("factors", "values", "whole_numbers")]
    if not all(isinstance(part, list) and all(isinstance(item, str) for item in part) for part in lists):
        return False
    # Every pair of values has a column, so that many of them would fill the memory.
    if any(len(set(part)) < len(part) or len(part) > _MOST_COLUMNS for part in lists):
        return False
    nominal = about.get("nominal", [0.0] * len(about["values"]))
    if not isinstance(nominal, list) or len(nominal) != len(about["values"]):
        return False
    if not all(isinstance(value, float) and isfinite(value) for value in nominal):
        return False
    files = about["results"]
    known = isinstance(files, list) and all(
        isinstance(f, dict)
        and set(f) == {"name", "sha256", "rows"}
        and isinstance(f["name"], str)
        and isinstance(f["sha256"], str)
        and type(f["rows"]) is int
        for f in files
    )
    return known and bool(about["values"]) and isinstance(about["quantity"], str)


def _cells(rows: list[list[str]], about: Mapping[str, Any], name: str) -> Cells:
    factors, values = about["factors"], about["values"]
    header = header_of(factors, values)
    if not rows or rows[0] != header:
        found = listed(rows[0]) if rows else "nothing"
        raise InputError(f"{name}, row 3: found the columns {found}, expected {listed(header)}. {AGAIN}")
    body = rows[1:]
    if not body:
        raise InputError(f"{name}: holds no cell, expected at least one. {AGAIN}")
    for at, row in enumerate(body, start=4):
        if len(row) != len(header):
            raise InputError(f"{name}, row {at}: found {len(row)} values, expected {len(header)}.")
    count = np.array([_count(row[len(factors)], name, at) for at, row in enumerate(body, start=4)])
    nominal = about["nominal"]
    numbers = np.array(
        [_numbers(row, header, len(factors) + 1, nominal, name, at) for at, row in enumerate(body, 4)]
    )
    keys = [
        _labels([row[i] for row in body], f in about["whole_numbers"], f, name) for i, f in enumerate(factors)
    ]
    refuse_twice(keys, factors, name)
    return cells_from_rows(factors, keys, values, count, numbers, name, nominal=np.array(nominal))


def _count(text: str, name: str, at: int) -> int:
    if not _COUNT.fullmatch(text) or int(text) < 1:
        raise InputError(
            f"{name}, row {at}: found a count of '{short(text)}', expected a whole number of at least 1. Leave an "
            "empty cell out."
        )
    return int(text)


def _numbers(
    row: Sequence[str], header: Sequence[str], start: int, nominal: Sequence[float], name: str, at: int
) -> list[float]:
    """The numbers of a row behind its labels and count, the means less their nominal values."""
    found = []
    taken_off = [*nominal, *[0.0] * (len(header) - start - len(nominal))]
    for column, text, less in zip(header[start:], row[start:], taken_off, strict=True):
        # Python would also read 1_000 and the digits of other scripts, which cell files never hold.
        if not _NUMBER.fullmatch(text):
            raise InputError.not_a_number(file=name, row=at, column=column, found=text)
        value = float(text)
        if not np.isfinite(value):
            raise InputError(
                f"{name}, row {at}, column '{short(column)}': found {short(text)}, expected a finite number. {AGAIN}"
            )
        found.append(float(EXACT.subtract(Decimal(text), Decimal(less))) if less else value)
    return found


def _labels(texts: Sequence[str], whole: bool, factor: str, name: str) -> list[object]:
    if not whole:
        return [unshielded(text) for text in texts]
    for at, text in enumerate(texts, start=4):
        if not _WHOLE.fullmatch(text):
            raise InputError(
                f"{name}, row {at}: found '{short(text)}' in '{short(factor)}', expected a whole number, as the file "
                f"says it holds. {AGAIN}"
            )
    return [int(text) for text in texts]
