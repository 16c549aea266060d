"""Where a large text file can be divided: after line ends that are outside quoted cells.

In: the path of a text file and what its head shows.  Out: its portions with the rows before each, and its SHA-256,
from one reading of its bytes; or why it stays whole.
Not here: taking the cells apart (csv_files). A file is divided only where every reader would find the same rows;
whatever looks odd leaves it whole, and the reader of whole files says what is wrong with it.
"""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from repeatab.intake.options import Encoding
from repeatab.intake.portions import TextHead, TextPortion

_BLOCK = 1 << 22
_MOST_IN_A_LINE = 1 << 26
_QUOTE, _LINE_FEED, _RETURN = (ord(mark) for mark in '"\n\r')
_BOM_16 = {codecs.BOM_UTF16_LE: "<u2", codecs.BOM_UTF16_BE: ">u2"}
# Bytes that code page 1252 gives no letter.
_NO_LETTERS = bytes((0x81, 0x8D, 0x8F, 0x90, 0x9D))

Places = NDArray[np.int64]


class NotDividedError(Exception):
    """A file stays whole; the text says why, as the end of a sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cuts:
    """The portions of a text file, its rows below the head, and the SHA-256 of all its bytes."""

    portions: tuple[TextPortion, ...]
    rows: int
    sha256: str


def cut_text(path: Path, head: TextHead, *, size: int) -> Cuts:
    """Divide a text file into portions of about `size` bytes.

    Parameters
    ----------
    head : as the first rows show it; its size and its encoding are found here.

    Raises
    ------
    NotDividedError
        Quotation marks stand inside cells, single carriage returns end lines, or the bytes are not text throughout.
    """
    scan = _Scan(head=head, step=size, total=path.stat().st_size)
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        start = stream.read(2)
        kind = np.dtype(_BOM_16.get(start, "u1"))
        scan.text = _Text(declared=head.encoding, wide=kind.itemsize == 2, big=start == codecs.BOM_UTF16_BE)
        stream.seek(0)
        at = 0
        for block in _lines(stream, kind):
            digest.update(block)
            scan.text.look_at(block)
            mark = 0 if at else _length_of_mark(block)
            scan.look_at(np.frombuffer(block[mark:], kind), (at + mark) // kind.itemsize)
            at += len(block)
    return Cuts(portions=scan.portions(kind.itemsize), rows=scan.rows - head.rows, sha256=digest.hexdigest())


def _length_of_mark(block: bytes) -> int:
    """Bytes of the byte-order mark at the beginning of a file."""
    return next((len(m) for m in (codecs.BOM_UTF8, *_BOM_16) if block.startswith(m)), 0)


def _lines(stream: Any, kind: np.dtype[Any]) -> Iterator[bytes]:
    """The bytes in blocks of whole lines."""
    end = {"|u1": b"\n", "<u2": b"\n\0", ">u2": b"\0\n"}[kind.str]
    left = b""
    while more := stream.read(_BLOCK):
        block = left + more
        cut = block.rfind(end)
        while cut > 0 and cut % kind.itemsize:
            cut = block.rfind(end, 0, cut + 1)
        cut = 0 if cut < 0 else cut + kind.itemsize
        if cut:
            yield block[:cut]
        left = block[cut:]
        if len(left) > _MOST_IN_A_LINE:
            raise NotDividedError(
                "a line of it is longer than 64 MiB, or its lines end with carriage returns"
            )
    if left:
        yield left


@dataclass(slots=True)
class _Text:
    """Whether the bytes are text, and in which encoding."""

    declared: Encoding
    wide: bool
    big: bool
    utf_8: bool = True
    cp1252: bool = True

    def look_at(self, block: bytes) -> None:
        """Take whole lines into account."""
        if self.wide:
            if len(block) % 2 or not _is_text(block, "utf-16-be" if self.big else "utf-16-le"):
                raise NotDividedError("it is not UTF-16 throughout")
        elif b"\0" in block:
            raise NotDividedError("it holds binary content")
        elif not block.isascii():
            self.utf_8 = self.utf_8 and _is_text(block, "utf-8")
            self.cp1252 = self.cp1252 and len(block.translate(None, _NO_LETTERS)) == len(block)

    def encoding(self) -> Encoding:
        """The encoding of the whole file, as reading it whole would find it."""
        if self.wide:
            fits, found = self.declared in (Encoding.AUTOMATIC, Encoding.UTF_16), Encoding.UTF_16
        elif self.declared is Encoding.CP1252 or (self.declared is Encoding.AUTOMATIC and not self.utf_8):
            fits, found = self.cp1252, Encoding.CP1252
        else:
            fits, found = self.utf_8 and self.declared is not Encoding.UTF_16, Encoding.UTF_8
        if not fits:
            raise NotDividedError(f"it is not text in {self.declared.value} throughout")
        return found


def _is_text(block: bytes, codec: str) -> bool:
    try:
        block.decode(codec)
    except UnicodeDecodeError:
        return False
    return True


@dataclass(slots=True)
class _Scan:
    """The rows that have passed and the cuts found; places count bytes, or pairs of bytes in UTF-16."""

    head: TextHead
    step: int
    total: int
    text: _Text = field(default_factory=lambda: _Text(declared=Encoding.AUTOMATIC, wide=False, big=False))
    inside: bool = False
    rows: int = 0
    begin: int | None = None
    end: int = 0
    cuts: list[tuple[int, int]] = field(default_factory=list)

    def look_at(self, block: NDArray[Any], at: int) -> None:
        """Take the next lines into account; `at` is the place of the first of them."""
        self.end = at + len(block)
        quotes = np.flatnonzero(block == _QUOTE)
        _refuse_single_returns(block)
        ends = np.flatnonzero(block == _LINE_FEED)
        if len(quotes):
            _refuse_odd_quotes(block, quotes, self.inside, ord(self.head.separator.mark))
            ends = ends[(np.searchsorted(quotes, ends) + self.inside) % 2 == 0]
            self.inside ^= bool(len(quotes) % 2)
        elif self.inside:
            ends = ends[:0]
        self._cut(ends + (at + 1))
        self.rows += len(ends)

    def _cut(self, starts: Places) -> None:
        """Note where rows start at which a portion may; `starts` are the places behind this block's rows."""
        if self.begin is None:
            last = self.head.rows - self.rows - 1
            if last >= len(starts):
                return
            self.begin = int(starts[last])
            self.cuts.append((self.begin, 0))
        wide = 2 if self.text.wide else 1
        count = max(ceil((self.total - self.begin * wide) / self.step), 1)
        each = (self.total / wide - self.begin) / count
        while True:
            # Portions of one size, so that no machine waits for another; a cut lies behind the row that reaches it.
            goal = self.begin + each * len(self.cuts)
            found = int(np.searchsorted(starts, max(goal, self.cuts[-1][0] + 1)))
            if found == len(starts) or len(self.cuts) == count:
                return
            self.cuts.append((int(starts[found]), self.rows + found + 1 - self.head.rows))

    def portions(self, wide: int) -> tuple[TextPortion, ...]:
        """The portions, once all lines have passed.

        Raises
        ------
        NotDividedError
        """
        if self.inside:
            raise NotDividedError("a quotation mark in it is never closed")
        if self.begin is None:
            raise NotDividedError("it has no rows")
        head = replace(self.head, size=self.begin * wide, encoding=self.text.encoding())
        starts = [(place, rows) for place, rows in self.cuts if place < self.end]
        stops = [place for place, _ in starts[1:]] + [self.end]
        return tuple(
            TextPortion(head=head, start=place * wide, stop=stop * wide, rows_before=rows)
            for (place, rows), stop in zip(starts, stops, strict=True)
        )


def _refuse_single_returns(block: NDArray[Any]) -> None:
    """A carriage return alone ends a row for some readers and not for others."""
    returns = np.flatnonzero(block == _RETURN)
    if len(returns) and (returns[-1] + 1 == len(block) or (block[returns + 1] != _LINE_FEED).any()):
        raise NotDividedError("single carriage returns stand in it")


def _refuse_odd_quotes(block: NDArray[Any], quotes: Places, inside: bool, separator: int) -> None:
    """Quotation marks must open at the beginning of a cell, close at its end, or stand twice within it.

    Then each row end outside them is one for every reader.
    """
    before = np.where(quotes > 0, block[quotes - 1], _LINE_FEED)
    after = np.where(quotes + 1 < len(block), block[np.minimum(quotes + 1, len(block) - 1)], _LINE_FEED)
    opens = (np.arange(len(quotes)) + inside) % 2 == 0
    beside = np.diff(quotes) == 1
    twin_before, twin_after = np.concatenate([[False], beside]), np.concatenate([beside, [False]])
    edges = np.array([separator, _LINE_FEED, _RETURN])
    good = np.where(opens, np.isin(before, edges) | twin_before, np.isin(after, edges) | twin_after)
    if not good.all():
        raise NotDividedError("quotation marks stand inside its cells")
