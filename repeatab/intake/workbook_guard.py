"""Workbooks that are made to fill the memory or to stop the clock are refused before they are read.

In: the path of a workbook.  Out: nothing, or one refusal. Every part is unpacked once, piece by piece, and its tags are
counted; nothing is kept. What is refused no spreadsheet program writes for results: document types and entities, rows
beyond the last row of a sheet, a row or a text with hundreds of thousands of tags, far more tags or text than the file
is large.

The reader builds one row, or one shared text, at a time; so the tags between two of them bound its memory, and all tags
together bound its time.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from repeatab.base.errors import InputError

MOST_BYTES, MOST_BYTES_PER_BYTE = 32 << 20, 40
"""What all parts together may unpack to: so much, and so many times the size of the file."""
MOST_TAGS, MOST_TAGS_PER_BYTE = 400_000, 6
MOST_TAGS_TOGETHER = 200_000
"""Of one row: 16,384 cells of a dozen tags each."""
MOST_ROWS = 1_048_576
MOST_PARTS = 2_500

_PIECE = 1 << 20
_ROW_OR_TEXT = re.compile(rb"<(/?)(?:[\w.-]+:)?(row|si)(?=[\s/>])([^>]*)>")
_NUMBER = re.compile(rb"""\br\s*=\s*["']\s*(\d+)""")
_XML_BEGINS = (b"<", b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\0", b" ", b"\t", b"\r", b"\n")
_AS_SAVED = "Open it in a spreadsheet program and save it again as .xlsx, or export the results as CSV."
_SMALLER = "Delete empty formatted rows and other sheets, or export the results as CSV or Parquet."


def refuse_hostile_workbook(path: Path, *, file: str) -> None:
    """Refuse a workbook that would take far more time or memory than its size allows for.

    Raises
    ------
    InputError
        The message names the file, what was found, and what to do.
    zipfile.BadZipFile, OSError, and whatever else a damaged archive causes
        The caller says that the file cannot be read.
    """
    size = path.stat().st_size
    with zipfile.ZipFile(path) as archive:
        parts = archive.infolist()
        _refuse_size(parts, size, file)
        left = MOST_TAGS + MOST_TAGS_PER_BYTE * size
        for part in parts:
            with archive.open(part) as stream:
                left -= _tags_in(stream, left, file=file)


def _refuse_size(parts: list[zipfile.ZipInfo], size: int, file: str) -> None:
    if len(parts) > MOST_PARTS:
        raise InputError(
            f"{file}: holds {len(parts):,} parts, expected at most {MOST_PARTS:,}. Delete other sheets, or export the "
            "results as CSV."
        )
    unpacked = sum(part.file_size for part in parts)
    if unpacked > MOST_BYTES + MOST_BYTES_PER_BYTE * size:
        raise InputError(
            f"{file}: the workbook would unpack to {unpacked / (1 << 20):.0f} MiB ({unpacked / max(1, size):.0f} times "
            f"its size), which is not read. {_SMALLER}"
        )


@dataclass(slots=True)
class _Count:
    """Tags of a part so far: all of them and how many there may be, those since the last row or text, and whether one
    is open."""

    most: int
    all: int = 0
    since: int = 0
    inside: bool = False


def _tags_in(stream: IO[bytes], most: int, *, file: str) -> int:
    """The number of tags of one part, refused beyond `most`; 0 for what is no XML."""
    count = _Count(most=most)
    for piece in _pieces(stream):
        _refuse_markup(piece, file=file)
        at = 0
        for found in _ROW_OR_TEXT.finditer(piece):
            _add(count, piece.count(b"<", at, found.start()), file=file)
            _enter(count, found, file=file)
            at = found.end()
        _add(count, piece.count(b"<", at), file=file)
    return count.all


def _pieces(stream: IO[bytes]) -> Iterator[bytes]:
    """The part in pieces that end before a tag; nothing of what is no XML."""
    rest = stream.read(_PIECE)
    if not rest.startswith(_XML_BEGINS):
        return
    while piece := stream.read(_PIECE):
        rest += piece
        cut = rest.rfind(b"<")
        if cut > 0:
            yield rest[:cut]
            rest = rest[cut:]
    yield rest


def _refuse_markup(piece: bytes, *, file: str) -> None:
    if b"\0" in piece:
        raise InputError(f"{file}: a part of the workbook is not in UTF-8. {_AS_SAVED}")
    if b"<!" in piece or b"<?" in piece[1:]:
        raise InputError(
            f"{file}: a part of the workbook holds a document type, an entity, a comment or an instruction, which "
            f"results do not need. {_AS_SAVED}"
        )


def _add(count: _Count, tags: int, *, file: str) -> None:
    count.all += tags
    count.since += tags
    if count.all > count.most:
        raise InputError(
            f"{file}: holds many times the tags that results of its size take, and is not read. {_SMALLER}"
        )
    if count.since > MOST_TAGS_TOGETHER:
        raise InputError(
            f"{file}: a row or another part of the workbook holds more than {MOST_TAGS_TOGETHER:,} tags, more than a "
            f"row of a sheet can have. {_SMALLER}"
        )


def _enter(count: _Count, found: re.Match[bytes], *, file: str) -> None:
    closing, kind, attributes = found.groups()
    count.all += 1
    count.since = 0
    if closing:
        count.inside = False
        return
    number = _NUMBER.search(attributes) if kind == b"row" else None
    if number is not None and (len(number[1]) > 9 or int(number[1]) > MOST_ROWS):
        raise InputError(
            f"{file}: names a row {number[1][:20].decode()}, and a sheet ends at row {MOST_ROWS:,}. {_AS_SAVED}"
        )
    if count.inside:
        raise InputError(f"{file}: a row of the workbook stands inside another. {_AS_SAVED}")
    count.inside = not attributes.endswith(b"/")
