"""Portions: the rows of a file that are read at one time, where a file is divided.

In: what dividing.py plans.  Out: TextPortion and ParquetPortion, which a SourceFile carries to the readers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from repeatab.intake.options import Encoding, ReadOptions, Separator, UnitsRow


@dataclass(frozen=True, slots=True, kw_only=True)
class TextHead:
    """The beginning of a text file down to its first row, and what it shows of the rest.

    size, rows : its bytes and its rows. header_row : of the column names, from 1. units : whether a units row is the
    last of it. decimal : the decimal mark that the cells under it show beyond doubt. nominal : what is taken off the
    results of all portions where doubles would lose digits; None where each portion finds its own.
    """

    size: int
    rows: int
    separator: Separator
    encoding: Encoding
    header_row: int
    units: bool
    decimal: str
    nominal: float | None = None

    def options(self, options: ReadOptions) -> ReadOptions:
        """How to read the head and rows of any portion under it."""
        return replace(
            options,
            separator=self.separator,
            encoding=self.encoding,
            header_row=self.header_row,
            units_row=UnitsRow.BELOW_HEADER if self.units else UnitsRow.NONE,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class TextPortion:
    """Whole rows of a text file, from byte `start` to byte `stop`; `rows_before` lie between them and the head."""

    head: TextHead
    start: int
    stop: int
    rows_before: int

    @property
    def size(self) -> int:
        """Bytes of its rows."""
        return self.stop - self.start

    def read(self, path: Path) -> bytes:
        """The head of the file and these rows, as if they were the whole file."""
        with path.open("rb") as stream:
            head = stream.read(self.head.size)
            stream.seek(self.start)
            return head + stream.read(self.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class ParquetPortion:
    """Row groups `first` to `stop` - 1 of a Parquet file; `size` : bytes that they take in it."""

    first: int
    stop: int
    rows_before: int
    rows: int
    size: int


Portion = TextPortion | ParquetPortion
