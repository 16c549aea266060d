"""How a text file is written: encoding, separator and header, detected or as declared.

In: the bytes of a file and the names of the columns wanted.  Out: Dialect, and the text as UTF-8 bytes.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from repeatab.base.errors import InputError
from repeatab.base.shielded import unshielded
from repeatab.intake.header import find_header, matches
from repeatab.intake.options import Encoding, ReadOptions, Separator
from repeatab.intake.raw import Record

_HEAD_BYTES = 1 << 16
_HEAD_RECORDS = 200
_SEPARATORS = (Separator.SEMICOLON, Separator.TAB, Separator.COMMA)
_BOM_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How one text file is written.

    records : the first records, up to a few beyond the header; `header` is the header's index among them.
    lines_to_header : lines of the file up to and including the header (a quoted cell may span lines).
    """

    separator: Separator
    records: tuple[Record, ...]
    header: int
    lines_to_header: int


def to_utf8(raw: bytes, encoding: Encoding, *, file: str) -> tuple[bytes, Encoding]:
    """The text as UTF-8 without a byte-order mark, and the encoding it had.

    Raises
    ------
    InputError
        The bytes are not text, or not text of the declared encoding; the message names the line.
    """
    if encoding is Encoding.AUTOMATIC:
        encoding = _detected_encoding(raw, file=file)
    body = raw.removeprefix(codecs.BOM_UTF8) if encoding is Encoding.UTF_8 else raw
    text = _decode(body, encoding.value, file=file)
    if encoding is not Encoding.UTF_8:
        body = text.encode("utf-8")
    # Files of some old programs end their lines with a carriage return alone.
    return (body if b"\n" in body else body.replace(b"\r", b"\n")), encoding


def _detected_encoding(raw: bytes, *, file: str) -> Encoding:
    if raw.startswith(_BOM_16):
        return Encoding.UTF_16
    if b"\0" in raw:
        raise InputError(
            f"{file}: found binary content, expected a text table, an .xlsx workbook or a .parquet file. "
            "Export the results as CSV and try again."
        )
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return Encoding.CP1252
    return Encoding.UTF_8


def _decode(raw: bytes, codec: str, *, file: str) -> str:
    try:
        return raw.decode(codec)
    except UnicodeError as error:
        start = error.start if isinstance(error, UnicodeDecodeError) else 0
        line = raw.count(b"\n", 0, start) + 1
        found = f"the byte 0x{raw[start]:02X}" if start < len(raw) else "an unfinished character"
        raise InputError(
            f"{file}, line {line}: found {found}, which is not text in {codec}. Expected UTF-8 (with or "
            "without a byte-order mark), cp1252 or UTF-16; declare the encoding or export the file again as "
            "UTF-8."
        ) from None


def find_dialect(text: bytes, wanted: Sequence[str], options: ReadOptions, *, file: str) -> Dialect:
    """Separator and header of a UTF-8 text.

    The separator is the one under which most of the wanted column names appear in one record; where that does
    not settle it, the one that splits the most records alike.

    Raises
    ------
    InputError
        The file is empty, or the declared header row does not exist.
    """
    head = text[:_HEAD_BYTES].decode("utf-8", errors="ignore")
    whole = len(text) <= _HEAD_BYTES
    choices = _SEPARATORS if options.separator is Separator.AUTOMATIC else (options.separator,)
    read = {choice: _head_records(head, choice, whole=whole, file=file) for choice in choices}
    best = max(choices, key=lambda choice: _fitness([record for record, _ in read[choice]], wanted))
    records = tuple(record for record, _ in read[best])
    header = find_header(records, wanted, options, file=file)
    return Dialect(separator=best, records=records, header=header, lines_to_header=read[best][header][1])


def _head_records(head: str, separator: Separator, *, whole: bool, file: str) -> list[tuple[list[str], int]]:
    """The first records with the number of lines read up to the end of each."""
    reader = csv.reader(io.StringIO(head, newline=""), delimiter=separator.mark)
    records: list[tuple[list[str], int]] = []
    try:
        for record in reader:
            records.append(([unshielded(cell) for cell in record], reader.line_num))
            if len(records) >= _HEAD_RECORDS:
                return records
    except csv.Error as error:
        raise InputError(
            f"{file}, line {reader.line_num}: the text cannot be split into columns ({error}). Look for a "
            "stray quotation mark there."
        ) from None
    # The last record of a cut head may be half a record.
    return records if whole or len(records) < 2 else records[:-1]


def _fitness(records: Sequence[Record], wanted: Sequence[str]) -> tuple[int, int, int]:
    """Wanted names found, records as wide as the record with those names, and that width."""
    scores = [matches(record, wanted) for record in records]
    named = max(scores, default=0)
    widths = Counter(len(record) for record in records if record)
    if named:
        width = len(records[scores.index(named)])
    else:
        width = max((w for w in widths if w > 1), key=lambda w: (widths[w], w), default=0)
    return named, widths[width], width
