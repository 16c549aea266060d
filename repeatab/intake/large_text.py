"""Large text tables as the engine reads them: its query for the rows, and for the numbers that text stands for.

In: the head of a text table, the marks of its numbers.  Out: pieces of SQL (DuckDB's) that follow the same rules as
csv_files.py and numbers.py, to which a table that fits in memory goes.
"""

from __future__ import annotations

import codecs
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from repeatab.base.errors import InputError
from repeatab.intake.columns import ColumnPlan
from repeatab.intake.csv_files import read_text_table
from repeatab.intake.dialect import find_dialect, to_utf8
from repeatab.intake.numbers import NOT_FINITE, PLAIN, Marks, TextColumn, decide_marks, grouped_digits
from repeatab.intake.options import Encoding, Separator
from repeatab.intake.raw import RawTable

_HEAD = 1 << 20
_BLANKS = " \t\r\n\v\f\u00a0\u2009\u202f\ufeff"
_BOM_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_C1 = bytes(range(0x80, 0xA0))
_ENGINE_WORDS = {Encoding.UTF_8: "utf-8", Encoding.UTF_16: "utf-16", Encoding.CP1252: "latin-1"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenAs:
    """How a file is written; files that agree in it are read by one query.

    columns : the file's columns; skip : lines before the first row; kinds : types of a Parquet file's columns.
    """

    columns: tuple[str, ...]
    separator: Separator | None = None
    skip: int = 0
    encoding: Encoding = Encoding.UTF_8
    marks: Marks | None = None
    kinds: tuple[tuple[str, str], ...] = ()

    @property
    def sentences(self) -> tuple[str, ...]:
        """What was detected beyond the head."""
        return (self.marks.sentence,) if self.marks else ()

    def key_of(self, column: str) -> str:
        """What the engine calls a column: text tables by position, because names may repeat."""
        return column if self.separator is None else str(self.columns.index(column))

    def scan(self, paths: Sequence[str]) -> str:
        """The engine's call that reads these files."""
        listed = f"[{', '.join(literal(path) for path in paths)}]"
        if self.separator is None:
            return (
                f"read_parquet({listed}, filename='path of row', union_by_name=true, hive_partitioning=false)"
            )
        kinds = ", ".join(f"'{at}': 'VARCHAR'" for at in range(len(self.columns)))
        return (
            f"read_csv({listed}, columns={{{kinds}}}, delim={literal(self.separator.mark)}, header=false, "
            f"skip={self.skip}, quote='\"', escape='\"', auto_detect=false, filename='path of row', "
            f"hive_partitioning=false, encoding={literal(_ENGINE_WORDS[self.encoding])})"
        )

    @property
    def kept_rows(self) -> str:
        """A condition that leaves blank rows out."""
        if self.separator is None:
            return ""
        return " WHERE NOT (" + " AND ".join(f't."{at}" IS NULL' for at in range(len(self.columns))) + ")"


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A number in SQL, and text that says which cell is none (null where it is one)."""

    value: str
    wrong: str = ""


@dataclass(slots=True)
class Bytes:
    """What the bytes of a text file show while they pass: whether they are UTF-8, and what else they could be."""

    declared: Encoding
    utf_16: bool
    decoder: Any = field(default_factory=lambda: codecs.getincrementaldecoder("utf-8")())
    utf_8: bool = True
    beyond_latin: bool = False

    def look_at(self, block: bytes) -> None:
        """Take the next block into account."""
        if self.utf_16:
            return
        if self.utf_8:
            try:
                self.decoder.decode(block)
            except UnicodeDecodeError:
                self.utf_8 = False
        # Code page 1252 has letters where Latin-1, which the engine knows, has control characters.
        self.beyond_latin |= len(block.translate(None, _C1)) != len(block)

    def encoding(self, *, file: str) -> Encoding:
        """The encoding of the whole file.

        Raises
        ------
        InputError
            The bytes are not text of the declared encoding, or of one that the engine reads.
        """
        if self.utf_16:
            return Encoding.UTF_16
        if self.declared is Encoding.UTF_8 or (self.declared is Encoding.AUTOMATIC and self.utf_8):
            if not self.utf_8:
                raise InputError(
                    f"{file}: is not text in utf-8, as declared. Correct the encoding or export the file again as "
                    "UTF-8."
                )
            return Encoding.UTF_8
        if self.beyond_latin:
            raise InputError(
                f"{file}: holds letters of cp1252 that are not read from a file this large. Export the file again as "
                "UTF-8."
            )
        return Encoding.CP1252


def head_of(path: Path, declared: Encoding) -> Bytes:
    """Begin to look at a file's bytes."""
    with path.open("rb") as stream:
        mark = stream.read(2)
    utf_16 = declared is Encoding.UTF_16 or (declared is Encoding.AUTOMATIC and mark in _BOM_16)
    return Bytes(declared, utf_16)


def text_source(path: Path, *, file: str, plan: ColumnPlan, encoding: Encoding) -> tuple[RawTable, WrittenAs]:
    """The head of a text table, read as every text table is, and how the engine is to read the rest.

    Raises
    ------
    InputError
        See `read_text_table` and `decide_marks`.
    """
    import pyarrow as pa

    head = head_bytes(path, encoding)
    options = replace(plan.options, encoding=encoding)
    raw = read_text_table(head, file=file, wanted=plan.wanted, numbers=plan.number_columns, options=options)
    text, _ = to_utf8(head, encoding, file=file)
    dialect = find_dialect(text, plan.wanted, options, file=file)
    columns = [
        TextColumn(name=name, cells=raw.table.column(name).cast(pa.string()), row_numbers=raw.row_numbers)
        for name in plan.number_columns
        if name in raw.table.column_names
    ]
    marks = decide_marks(columns, plan.options, file=file, comma_between=raw.comma_between)
    way = WrittenAs(
        columns=tuple(str(name) for name in raw.table.column_names),
        separator=dialect.separator,
        skip=dialect.lines_to_header + bool(raw.units),
        encoding=encoding,
        marks=marks,
    )
    return raw, way


def head_bytes(path: Path, encoding: Encoding) -> bytes:
    """The first bytes of a text file, up to the end of a row that is not inside a quoted cell."""
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    if path.stat().st_size <= _HEAD:
        return head
    if encoding is Encoding.UTF_16 or (encoding is Encoding.AUTOMATIC and head.startswith(_BOM_16)):
        text = head[: len(head) // 2 * 2].decode("utf-16", errors="ignore")
        return _cut(text.encode("utf-8")).decode("utf-8").encode("utf-16")
    return _cut(head)


def _cut(head: bytes) -> bytes:
    end = head.rfind(b"\n") + 1
    while end > 0 and head.count(b'"', 0, end) % 2:
        end = head.rfind(b"\n", 0, end - 1) + 1
    return head[:end] if end else head


def number_of_text(expression: str, column: str, marks: Marks, *, name: str) -> Number:
    """The number that a cell stands for under the marks of its file, by the rules of numbers.py.

    name : what the query calls the number, from which the text of a wrong cell is told.
    """
    cell = f"trim({expression}, {literal(_BLANKS)})"
    quick = f"replace({expression}, ',', '.')" if marks.decimal == "," else expression
    # A point beside a decimal comma groups digits, and the engine alone would take _ and other marks too.
    odd = f"contains({expression}, '_')" + (
        f" OR contains({expression}, '.')" if marks.decimal == "," else ""
    )
    plain = _plain(cell, marks)
    good = f"regexp_matches({plain}, {literal(PLAIN)}) OR regexp_matches({plain}, {literal(NOT_FINITE)})"
    careful = f"CASE WHEN {good} THEN TRY_CAST(ltrim({plain}, '+') AS DOUBLE) END"
    value = f"coalesce(CASE WHEN {odd} THEN NULL ELSE TRY_CAST({quick} AS DOUBLE) END, {careful})"
    begins = literal(f"column '{column}': found '")
    said = f"{begins} || left({cell}, 60) || ''''"
    return Number(value=value, wrong=f"CASE WHEN {name} IS NULL AND {cell} <> '' THEN {said} END")


def _plain(cell: str, marks: Marks) -> str:
    if marks.grouping:
        bare = f"regexp_replace({cell}, {literal(f'[{marks.grouping}]')}, '', 'g')"
        cell = (
            f"CASE WHEN regexp_matches({cell}, {literal(grouped_digits(marks))}) THEN {bare} ELSE {cell} END"
        )
    if marks.decimal == ",":
        cell = f"replace(replace({cell}, '.', '?'), ',', '.')"
    return f"replace({cell}, '−', '-')"


def first_wrong(expressions: Sequence[str]) -> str:
    """The first of several cells that are no numbers."""
    return f"coalesce({', '.join(expressions)})" if expressions else "NULL::VARCHAR"


def literal(text: str | None) -> str:
    """A text as SQL writes it."""
    return "NULL" if text is None else "'" + text.replace("'", "''") + "'"


def name_in_sql(name: str) -> str:
    """A name as SQL writes it."""
    return '"' + name.replace('"', '""') + '"'
