"""Files too large to hold: an engine reads them piece by piece, as often as a check or a reduction asks.

In: source files and the ColumnPlan.  Out: LargeTable, lazy under the names of the study, its text already numbers.
Not here: how text becomes numbers inside the engine (large_text), the checks, which are those of every table.

Rows have no numbers here: counting them would keep the engine from reading pieces side by side. Findings name the
file and how many rows.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError
from repeatab.base.progress import Progress
from repeatab.intake.columns import ColumnPlan
from repeatab.intake.engine import Lazy
from repeatab.intake.frames import one_row_per_section, section_column
from repeatab.intake.heads import covariates_of, is_number, is_text, numbers_among
from repeatab.intake.large_heads import Written, look_at
from repeatab.intake.large_store import connect, kept_on_disk
from repeatab.intake.large_text import (
    Number,
    WrittenAs,
    first_wrong,
    head_of,
    literal,
    name_in_sql,
    number_of_text,
)
from repeatab.intake.numbers import decide_marks
from repeatab.intake.options import Encoding
from repeatab.intake.parquet_files import refuse_hollow
from repeatab.intake.roles import SOURCE_FILE, Role
from repeatab.intake.sources import FileKind, SourceFile
from repeatab.outcome.outcome import InputFile

MOST_BYTES = 256 << 20
"""Bytes of text tables up to which all are held in memory; held, they take several times as much."""

MOST_ROWS = 5_000_000
"""Rows of Parquet files up to which all are held in memory."""

WRONG = "cell that is no number"
UNIT, RUN_ORDER = Role.UNIT.value, Role.RUN_ORDER.value
_BLOCK = 1 << 22


@dataclass(frozen=True, slots=True, kw_only=True)
class LargeTable:
    """What the files hold, not yet read; `frame` has the column `WRONG` beside the names of the study."""

    frame: Lazy
    covariates: tuple[str, ...]
    inputs: tuple[InputFile, ...]
    detected: tuple[tuple[str, tuple[str, ...]], ...]
    connection: Any


def are_large(files: Sequence[SourceFile]) -> bool:
    """Whether the files together are more than is read into memory at once; a portion of a file never is."""
    if any(f.portion is not None for f in files):
        return False
    try:
        text = sum(f.size for f in files if f.kind is FileKind.TEXT)
        if text > MOST_BYTES:
            return True
        # A row of a Parquet file takes a byte at the least, unless its columns hold hardly anything.
        stored = [f for f in files if f.kind is FileKind.PARQUET]
        if sum(f.size for f in stored) < MOST_ROWS // 16:
            return False
        return sum(_stored_rows(f) for f in stored) > MOST_ROWS
    except OSError:
        return False  # the readers say what is wrong with a file


def _stored_rows(file: SourceFile) -> int:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        rows = int(pq.read_metadata(file.path).num_rows)
        refuse_hollow(rows, file.path.stat().st_size, file=file.name)
        return rows
    except (pa.ArrowException, OSError):
        return 0


def open_large(files: Sequence[SourceFile], plan: ColumnPlan, progress: Progress) -> LargeTable:
    """The table of all files, as an engine will read it.

    Raises
    ------
    InputError
        The engine is not installed, a file cannot be read, or the head of one shows what the readers refuse.
    """
    connection = connect(files)
    digests, encodings = _fingerprints(files, plan, progress)
    written = [look_at(f, plan, encodings.get(f.name, Encoding.UTF_8)) for f in files]
    covariates = covariates_of([numbers_among(one.raw, plan) for one in written], plan)
    groups: dict[WrittenAs, list[Written]] = {}
    for one in written:
        groups.setdefault(one.way, []).append(one)
    parts = [_selected(connection, group, plan, covariates) for group in groups.values()]
    relation = parts[0] if len(parts) == 1 else _united(connection, parts)
    text = any(f.kind is FileKind.TEXT for f in files)
    if text:
        relation = kept_on_disk(connection, relation, files, progress)
    frame: Lazy = nw.from_native(relation).lazy()
    rows = _rows_by_file(frame) if text else {}
    each = max(len(plan.sections), 1)
    inputs = tuple(
        InputFile(
            name=f.name, sha256=digests[f.name], rows=each * (rows[f.name] if rows else _stored_rows(f))
        )
        for f in files
    )
    frame = _whole_run_order(_long(frame, plan))
    return LargeTable(
        frame=frame, covariates=covariates, inputs=inputs, connection=connection,
        detected=tuple((w.file.name, w.detected) for w in written),
    )  # fmt: skip


def _fingerprints(
    files: Sequence[SourceFile], plan: ColumnPlan, progress: Progress
) -> tuple[dict[str, str], dict[str, Encoding]]:
    """SHA-256 and, of text, the encoding, from one reading of the bytes."""
    total = sum(f.path.stat().st_size for f in files)
    digests, encodings = {}, {}
    done = 0
    for file in files:
        seen = head_of(file.path, plan.options.encoding) if file.kind is FileKind.TEXT else None
        digest = hashlib.sha256()
        with file.path.open("rb") as stream:
            while block := stream.read(_BLOCK):
                digest.update(block)
                if seen is not None:
                    seen.look_at(block)
                done += len(block)
                progress("fingerprints, MiB", done >> 20, max(total >> 20, 1))
        digests[file.name] = digest.hexdigest()
        if seen is not None:
            encodings[file.name] = seen.encoding(file=file.name)
    return digests, encodings


def _selected(connection: Any, group: Sequence[Written], plan: ColumnPlan, covariates: Sequence[str]) -> Any:
    """The rows of files that are written alike, as the engine reads them, under the names of the study."""
    import pyarrow as pa

    first, way = group[0], group[0].way
    names = list(dict.fromkeys(name for one in group for name in one.values))
    known = {name: [one.values.get(name) for one in group] for name in names}
    if len(group) == 1:
        values = {name: f"{literal(cells[0])}::VARCHAR" for name, cells in known.items()}
        beside = ""
    else:
        own = {f"file {name}": pa.array(cells, pa.string()) for name, cells in known.items()}
        table = pa.table({"path of file": [str(o.file.path) for o in group], **own})
        label = f"values_of_files_{id(first)}"
        connection.register(label, table)
        values = {name: f"t.{name_in_sql(f'file {name}')}" for name in names}
        beside = f' JOIN {label} v ON rows."path of row" = v."path of file"'
    picked: dict[str, str] = {}
    numbers: list[str] = []
    wrong: list[str] = []

    def number(name: str, column: str) -> None:
        picked[name] = name_in_sql(f"number {len(numbers)}")
        made = _number(first, name, column, plan, values, alias=picked[name])
        numbers.append(f"{made.value} AS {picked[name]}")
        wrong.extend([made.wrong] if made.wrong else [])

    for name, column in plan.columns.items():
        if plan.is_number(name) or name in covariates:
            number(name, column)
        else:
            picked[name] = _column(first, column, values)
    for section, column in plan.sections.items():
        number(section_column(section), column)
    picked |= {name: values[name] for name in values if not name.startswith("folder ")}
    picked |= {n: _column(first, n, values) for n in plan.extra if n in way.columns and n not in picked}
    picked[WRONG] = first_wrong(wrong)
    chosen = ", ".join(f"{expression} AS {name_in_sql(name)}" for name, expression in picked.items())
    scan = f"{way.scan([str(one.file.path) for one in group])} rows{beside}"
    rows = f"(SELECT * FROM {scan}) t{way.kept_rows}"
    return connection.sql(f"SELECT {chosen} FROM (SELECT {', '.join(['t.*', *numbers])} FROM {rows}) t")


def _column(one: Written, column: str, values: Mapping[str, str]) -> str:
    if column in one.way.columns:
        return f"t.{name_in_sql(one.way.key_of(column))}"
    return values[f"folder {column}"]


def _number(
    one: Written, name: str, column: str, plan: ColumnPlan, values: Mapping[str, str], *, alias: str
) -> Number:
    expression = _column(one, column, values)
    kind = one.raw.table.column(column).type if column in one.way.columns else None
    if kind is None or is_text(kind):
        marks = one.way.marks or decide_marks([], plan.options, file=one.file.name, comma_between=False)
        return number_of_text(f"CAST({expression} AS VARCHAR)", column, marks, name=alias)
    if not is_number(kind):
        raise InputError(
            f"{one.file.name}, column '{column}': found values of type {kind}, expected numbers. "
            f"Correct the column named for '{name}' under [columns]."
        )
    return Number(value=expression if name == RUN_ORDER else f"CAST({expression} AS DOUBLE)")


def _united(connection: Any, parts: Sequence[Any]) -> Any:
    for at, part in enumerate(parts):
        part.create_view(f"part_{at}", replace=True)
    return connection.sql(" UNION ALL BY NAME ".join(f"SELECT * FROM part_{at}" for at in range(len(parts))))


def _long(frame: Lazy, plan: ColumnPlan) -> Lazy:
    if not plan.sections:
        return frame
    return one_row_per_section(frame, list(plan.sections))


def _rows_by_file(frame: Lazy) -> dict[str, int]:
    counted = frame.group_by(SOURCE_FILE).agg(nw.len().alias("rows")).collect()
    return dict(zip(counted[SOURCE_FILE].to_list(), counted["rows"].to_list(), strict=True))


def _whole_run_order(frame: Lazy) -> Lazy:
    """Run orders as whole numbers where every one of them is one."""
    schema = frame.collect_schema()
    if RUN_ORDER not in schema.names() or not schema[RUN_ORDER].is_float():
        return frame
    order = nw.col(RUN_ORDER)
    odd = frame.filter(order.is_null() | (order != order.round(0))).select(nw.len()).collect().item()
    return frame if odd else frame.with_columns(order.cast(nw.Int64))


def refuse_wrong_numbers(frame: Lazy) -> Lazy:
    """The table without the helper column, once no row that is kept has text where a number belongs.

    Raises
    ------
    InputError
        The message names a file, its column and the cell, and how many rows have such a cell.
    """
    wrong = frame.filter(~nw.col(WRONG).is_null())
    count = wrong.select(nw.len()).collect().item()
    if count:
        one = wrong.select(SOURCE_FILE, WRONG).head(1).collect()
        more = f" {count - 1} more rows have such a cell." if count > 1 else ""
        raise InputError(
            f"{one[SOURCE_FILE].item()}, {one[WRONG].item()}, expected a number.{more} If these runs were rejected, "
            "list them under [[exclude]] with a reason; if a comma is the decimal mark, or digits are grouped, "
            "declare it."
        )
    return frame.drop(WRONG)
