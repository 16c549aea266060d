"""Cell files: the cells of a laboratory's results, so that it can take part without handing over the results.

In: Cells, or a file of them, or a table of counts, means and standard deviations.  Out: the file's bytes, or
CellTable.  Not here: which columns make a cell (the caller says), merging (cells).

A cell file is text: a line with the version, a line of JSON that says what the columns are and where the
numbers come from, then a table with commas. Numbers have 17 significant digits, so they come back exactly. A
fingerprint of the table refuses a file that was changed after it was written. A label that a spreadsheet would take for
a formula stands behind an apostrophe, which reading takes off again.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from repeatab.base.errors import InputError, listed, nearest, short
from repeatab.base.files import refuse_no_plain_file
from repeatab.base.progress import Progress, silent
from repeatab.base.shielded import shielded, unshielded
from repeatab.cells import Cells, FloatArray, merged, reduce_to_cells, sort_and_code
from repeatab.intake.results import Results
from repeatab.outcome.outcome import InputFile

VERSION = 1
_FIRST = "# repeatab cells, version "
_KEYS = ("factors", "values", "whole_numbers", "quantity", "results", "table_sha256")
# What fits the integers of the arrays.
_COUNT, _WHOLE = re.compile(r"[0-9]{1,15}"), re.compile(r"-?[0-9]{1,18}")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?|[+-]?(?:nan|inf)")
_MOST_COLUMNS = 100
_AGAIN = "Write it again with: repeatab cells RESULTS --to FILE"


@dataclass(frozen=True, slots=True, kw_only=True)
class CellTable:
    """Cells that came without their results.

    name : of the file they came from; sha256 : of that file. quantity : key of what was measured, empty if not
    known. results : the raw files behind the cells, with fingerprints, as far as the laboratory tells.
    rounded : the numbers were printed with few digits, so what is computed from them is good to those only.
    """

    name: str
    cells: Cells
    sha256: str = ""
    quantity: str = ""
    results: tuple[InputFile, ...] = ()
    rounded: bool = False

    @property
    def input(self) -> InputFile:
        """The file as a report lists it."""
        return InputFile(name=self.name, sha256=self.sha256, rows=len(self.cells))


def is_cell_file(path: Path) -> bool:
    """Whether the file begins as a cell file does, of whatever version."""
    try:
        with path.open("rb") as stream:
            return stream.read(200).decode("utf-8-sig", "replace").lstrip('"').startswith(_FIRST)
    except OSError:
        return False


def cell_file_bytes(cells: Cells, *, quantity: str, results: Sequence[InputFile] = ()) -> bytes:
    """The bytes of a cell file.

    Parameters
    ----------
    cells : labels must be text or whole numbers.
    quantity : key of what was measured, such as "friction".
    results : the raw files behind the cells, for their fingerprints.

    Raises
    ------
    InputError
        A label is neither text nor a whole number.
    """
    whole = [name for name, labels in zip(cells.factors, cells.levels, strict=True) if _whole(name, labels)]
    stream = io.StringIO()
    # With "\r\n" the writer quotes both characters; a bare "\r" in a label would begin a new row.
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(_header(cells.factors, cells.variables))
    upper = np.triu_indices(len(cells.variables))
    for i in range(len(cells)):
        labels = [_in_csv(levels[code]) for levels, code in zip(cells.levels, cells.codes[i], strict=True)]
        numbers = [*(cells.mean[i] + cells.shift), *cells.cross[i][upper]]
        writer.writerow([*labels, int(cells.count[i]), *(f"{number:.17g}" for number in numbers)])
    table = stream.getvalue().replace("\r\n", "\n")
    about = {
        "factors": list(cells.factors),
        "values": list(cells.variables),
        "whole_numbers": whole,
        "quantity": quantity,
        "results": [{"name": r.name, "sha256": r.sha256, "rows": r.rows} for r in results],
        "table_sha256": _digest(table),
    }
    return f"{_FIRST}{VERSION}\n# {json.dumps(about, ensure_ascii=False)}\n{table}".encode()


def _in_csv(label: object) -> object:
    return shielded(label) if isinstance(label, str) else label


def _header(factors: Sequence[str], values: Sequence[str]) -> list[str]:
    pairs = [f"cross {a} {b}" for i, a in enumerate(values) for b in values[i:]]
    return [*(shielded(name) for name in factors), "count", *(f"mean {name}" for name in values), *pairs]


def _whole(factor: str, labels: Sequence[object] | np.ndarray[Any, Any]) -> bool:
    whole = [isinstance(label, int | np.integer) and not isinstance(label, bool) for label in labels]
    if all(whole) and len(whole):
        return True
    for label in labels:
        if not isinstance(label, str):
            raise InputError(
                f"cells: the label '{label}' of '{factor}' is no text and no whole number, expected text, or whole "
                "numbers throughout. Make the column text."
            )
    return False


def _digest(table: str) -> str:
    return hashlib.sha256(table.replace("\r\n", "\n").encode("utf-8")).hexdigest()


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
        raise InputError(f"{name}: is not UTF-8 text, expected a cell file. {_AGAIN}") from None
    first, _, rest = text.partition("\n")
    second, _, table = rest.partition("\n")
    _refuse_other_version(first, name)
    about = _about(second, name)
    if _digest(table) != about["table_sha256"]:
        raise InputError(
            f"{name}: the table was changed after it was written (its fingerprint does not agree). A spreadsheet "
            f"that saves the file is enough. Ask for the file as it was sent. {_AGAIN}"
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
        raise InputError(f"{name}: the table cannot be split into columns ({error}). {_AGAIN}") from None


def _refuse_other_version(first: str, name: str) -> None:
    if not first.startswith(_FIRST):
        raise InputError(f"{name}, row 1: found '{first[:60]}', expected '{_FIRST}{VERSION}'. {_AGAIN}")
    version = first.removeprefix(_FIRST).strip()
    if version != str(VERSION):
        raise InputError(
            f"{name}, row 1: found cell files' version '{version[:20]}', expected version {VERSION}. "
            "Ask for the file in this version, or use the program version that wrote it."
        )


def _about(line: str, name: str) -> dict[str, Any]:
    try:
        about = json.loads(line.removeprefix("#"))
    except (ValueError, RecursionError):
        about = None
    if not isinstance(about, dict) or set(about) != set(_KEYS) or not _usable(about):
        raise InputError(f"{name}, row 2: found no description of the columns, expected one line. {_AGAIN}")
    return about


def _usable(about: Mapping[str, Any]) -> bool:
    lists = [about[key] for key in ("factors", "values", "whole_numbers")]
    if not all(isinstance(part, list) and all(isinstance(item, str) for item in part) for part in lists):
        return False
    # Every pair of values has a column, so that many of them would fill the memory.
    if any(len(set(part)) < len(part) or len(part) > _MOST_COLUMNS for part in lists):
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
    header = _header(factors, values)
    if not rows or rows[0] != header:
        found = listed(rows[0]) if rows else "nothing"
        raise InputError(f"{name}, row 3: found the columns {found}, expected {listed(header)}. {_AGAIN}")
    body = rows[1:]
    if not body:
        raise InputError(f"{name}: holds no cell, expected at least one. {_AGAIN}")
    for at, row in enumerate(body, start=4):
        if len(row) != len(header):
            raise InputError(f"{name}, row {at}: found {len(row)} values, expected {len(header)}.")
    count = np.array([_count(row[len(factors)], name, at) for at, row in enumerate(body, start=4)])
    numbers = np.array([_numbers(row, header, len(factors) + 1, name, at) for at, row in enumerate(body, 4)])
    keys = [
        _labels([row[i] for row in body], f in about["whole_numbers"], f, name) for i, f in enumerate(factors)
    ]
    _refuse_twice(keys, factors, name)
    return _made(factors, keys, values, count, numbers, name)


def _count(text: str, name: str, at: int) -> int:
    if not _COUNT.fullmatch(text) or int(text) < 1:
        raise InputError(
            f"{name}, row {at}: found a count of '{short(text)}', expected a whole number of at least 1. Leave an "
            "empty cell out."
        )
    return int(text)


def _numbers(row: Sequence[str], header: Sequence[str], start: int, name: str, at: int) -> list[float]:
    found = []
    for column, text in zip(header[start:], row[start:], strict=True):
        # Python would also read 1_000 and the digits of other scripts, which cell files never hold.
        if not _NUMBER.fullmatch(text):
            raise InputError.not_a_number(file=name, row=at, column=column, found=text)
        value = float(text)
        if not np.isfinite(value):
            raise InputError(
                f"{name}, row {at}, column '{short(column)}': found {short(text)}, expected a finite number. {_AGAIN}"
            )
        found.append(value)
    return found


def _labels(texts: Sequence[str], whole: bool, factor: str, name: str) -> list[object]:
    if not whole:
        return [unshielded(text) for text in texts]
    for at, text in enumerate(texts, start=4):
        if not _WHOLE.fullmatch(text):
            raise InputError(
                f"{name}, row {at}: found '{short(text)}' in '{short(factor)}', expected a whole number, as the file "
                f"says it holds. {_AGAIN}"
            )
    return [int(text) for text in texts]


def _refuse_twice(
    keys: Sequence[Sequence[object]], factors: Sequence[str], name: str, *, first_row: int = 4
) -> None:
    seen: dict[tuple[object, ...], int] = {}
    for at, key in enumerate(zip(*keys, strict=True), start=first_row):
        if key in seen:
            words = ", ".join(f"{factor} '{label}'" for factor, label in zip(factors, key, strict=True))
            raise InputError(
                f"{name}, rows {seen[key]} and {at}: the cell of {words} stands twice, expected once. Give each "
                "laboratory its own code, or merge the results before the cells are made."
            )
        seen[key] = at


def _made(
    factors: Sequence[str],
    keys: Sequence[Sequence[object]],
    values: Sequence[str],
    count: np.ndarray[Any, Any],
    numbers: FloatArray,
    name: str,
) -> Cells:
    width = len(values)
    upper = np.triu_indices(width)
    cross = np.zeros((len(count), width, width))
    cross[:, upper[0], upper[1]] = cross[:, upper[1], upper[0]] = numbers[:, width:]
    _refuse_impossible(cross, count, values, name)
    coded = [sort_and_code(np.asarray(labels, dtype=object)) for labels in keys]
    codes = np.stack([c for _, c in coded], axis=1) if coded else np.zeros((len(count), 0), np.int64)
    order = np.lexsort(codes.T[::-1]) if coded else np.arange(len(count))
    shift = numbers[0, :width].copy()
    return Cells(
        factors=tuple(factors), levels=tuple(levels for levels, _ in coded), codes=codes[order],
        variables=tuple(values), shift=shift, count=count[order], mean=numbers[order, :width] - shift,
        cross=cross[order],
    )  # fmt: skip


def _refuse_impossible(
    cross: FloatArray, count: np.ndarray[Any, Any], values: Sequence[str], name: str
) -> None:
    for i, variable in enumerate(values):
        squares = cross[:, i, i]
        for at in np.flatnonzero(squares < 0):
            raise InputError(
                f"{name}, row {at + 4}: found a centred sum of squares of {squares[at]:g} of '{variable}', which "
                f"cannot be negative. {_AGAIN}"
            )
        for at in np.flatnonzero((squares > 0) & (count == 1)):
            raise InputError(
                f"{name}, row {at + 4}: found a sum of squares of {squares[at]:g} from one result, expected 0. "
                f"Check the count. {_AGAIN}"
            )
    for i in range(len(values)):
        for j in range(i):
            most = np.sqrt(cross[:, i, i]) * np.sqrt(cross[:, j, j])
            beyond = np.abs(cross[:, i, j]) > most * (1 + 1e-9) + 1e-150
            for at in np.flatnonzero(beyond):
                raise InputError(
                    f"{name}, row {at + 4}: the cross-product of '{values[j]}' and '{values[i]}' is larger than "
                    f"their sums of squares allow. {_AGAIN}"
                )


def cells_to_share(results: Results, *, by: Sequence[str] = (), progress: Progress = silent) -> Cells:
    """The cells a laboratory shares: by laboratory, level, section, pad set and visit as far as they are known.

    Place among the runs of the set and stated uncertainty go along as means, so that wear and scores can be computed.

    Parameters
    ----------
    by : further factors, such as the rig; each makes the cells smaller and so tells more of the single results.

    Raises
    ------
    InputError
        The results are stops, no laboratory is known, or a factor of `by` is not there.
    """
    if results.has("stop"):
        raise InputError(
            "cells: these are single stops, and laboratories are compared by run results. Name a study file instead of "
            "the result file; it says by which statistic stops become run results."
        )
    if not results.has("laboratory"):
        raise InputError(
            "cells: the results name no laboratory. Say which: --laboratory CODE, or name its column."
        )
    for name in by:
        if name not in results.factors:
            raise InputError(
                f"cells: the results have no factor '{name}'; there are {listed(results.factors)}."
                f"{nearest(name, results.factors)} Name its column."
            )
    table = results.lazy()
    names = table.collect_schema().names()
    shared = ("laboratory", "level", "section", "pad_set", "visit", *by)
    factors = [name for name in dict.fromkeys(shared) if name in names]
    values = [
        name for name in ("run_order", "stated_uncertainty") if name in names and _complete(table, name)
    ]
    if results.is_lazy:
        return reduce_to_cells(
            results, result="result", factors=factors, covariates=values, progress=progress
        )
    held = replace(results, frame=results.to_frame().astype(dict.fromkeys(values, float)))
    return reduce_to_cells(held, result="result", factors=factors, covariates=values)


def merged_to_share(parts: Sequence[Cells]) -> Cells:
    """The cells of several result files as one, with the values that all of them have throughout."""
    common = [name for name in parts[0].variables if all(name in part.variables for part in parts)]
    return merged([part.of_values(common) for part in parts])


def _complete(table: Any, name: str) -> bool:
    """Whether a column has a number in every row."""
    from repeatab.intake.engine import count_rows, is_missing

    return count_rows(table.filter(is_missing(name, table.collect_schema()[name]))) == 0


def summary_cells(
    *,
    laboratory: Sequence[object],
    level: Sequence[object],
    count: Sequence[float] | FloatArray,
    mean: Sequence[float] | FloatArray,
    sd: Sequence[float] | FloatArray,
    name: str = "table of means",
) -> CellTable:
    """Cells from a table of counts, means and standard deviations, as other programs and papers give it.

    Parameters
    ----------
    count : results per cell. sd : standard deviations with divisor count - 1; NaN or 0 where the count is 1.
    name : what messages call the table.

    Raises
    ------
    InputError
        A count below 1, a negative or missing standard deviation, or a cell that stands twice.
    """
    n, m, s = (np.asarray(values, dtype=np.float64) for values in (count, mean, sd))
    for at in range(len(n)):
        where = f"{name}: laboratory '{laboratory[at]}', level '{level[at]}'"
        if not (n[at] >= 1 and n[at] == round(n[at])):
            raise InputError(f"{where}: found a count of {n[at]:g}, expected a whole number of at least 1.")
        if not np.isfinite(m[at]):
            raise InputError(f"{where}: found a mean of {m[at]}, expected a finite number.")
        if n[at] > 1 and not s[at] >= 0:
            raise InputError(
                f"{where}: found a standard deviation of {s[at]:g} of {n[at]:g} results, expected a number of at "
                "least 0."
            )
    keys: list[list[object]] = [list(laboratory), list(level)]
    _refuse_twice(keys, ("laboratory", "level"), name, first_row=1)
    squares = np.where(n > 1, np.nan_to_num(s) ** 2 * (n - 1), 0.0)
    cells = _made(
        ("laboratory", "level"), keys, ("result",), n.astype(np.int64), np.stack([m, squares], axis=1), name
    )
    return CellTable(name=name, cells=cells, rounded=True)
