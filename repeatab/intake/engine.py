"""The few things every step needs from a table, whatever engine holds it.

In: a narwhals LazyFrame.  Out: expressions and plain Python values.
An eager table is handed on as a LazyFrame too; for it every step computes at once.
"""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from repeatab.intake.roles import SOURCE_ROW

Lazy = nw.LazyFrame[Any]


def names_of(frame: Lazy) -> list[str]:
    """The column names."""
    return list(frame.collect_schema().names())


def count_rows(frame: Lazy) -> int:
    """How many rows there are, or how many the rows of a table of counts stand for."""
    return int(frame.select(rows_of(frame)).collect().item() or 0)


def rows_of(frame: Lazy) -> nw.Expr:
    """The number of rows, or of those that the rows of a table of counts stand for."""
    return nw.col(WEIGHT).sum() if WEIGHT in names_of(frame) else nw.len()


WEIGHT = "rows it stands for"
"""Column of a table of counts: the rows that agree in all else are one."""

FIRST_ROW = "first of the rows it stands for"
"""Column of a table of counts: where in the file the first of these rows is, if the file's rows have numbers."""

MANY_ROWS = 5_000_000
"""Rows up to which a lazy table is held in memory where a check has to see all of it at once."""


def is_large(frame: Lazy) -> bool:
    """Whether a table without row numbers, which an engine reads, has more rows than are held in memory."""
    return SOURCE_ROW not in names_of(frame) and count_rows(frame) > MANY_ROWS


def nowhere(name: str) -> nw.Expr:
    """False for every row; a bare False has no length, which filters refuse."""
    return nw.col(name).is_null() & ~nw.col(name).is_null()


def is_missing(name: str, kind: nw.dtypes.DType) -> nw.Expr:
    """Whether a cell is empty: null, NaN in a column of numbers, blank in a column of text."""
    missing = nw.col(name).is_null()
    if kind.is_float():
        return missing | nw.col(name).is_nan().fill_null(False)
    if isinstance(kind, nw.String):
        return missing | (nw.col(name).str.strip_chars() == "").fill_null(False)
    return missing
