"""What a ledger holds as a file: CSV, Parquet or JSON, for other programs.

In: a ledger and what is wanted.  Out: the bytes of the file.
CSV cells of text never begin like a formula: such a text gets an apostrophe in front. Parquet and JSON keep every
text as it is.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from enum import Enum
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from repeatab.base.errors import InputError, StudyError, listed
from repeatab.base.files import write_atomically
from repeatab.base.shielded import shielded
from repeatab.ledger.history import correction_in, events_with_records, limits_with_records, past_offsets
from repeatab.ledger.records import Kind
from repeatab.ledger.schema import LATEST, REFERENCE
from repeatab.ledger.store import Ledger

Rows = tuple[tuple[str, ...], list[tuple[Any, ...]]]
"""Column names and rows."""

_AFTER_ALL = "9999-12-31"


class What(Enum):
    """What can be exported; the value is the word on the command line."""

    RECORDS = "records"
    REFERENCE = "reference"
    OFFSETS = "offsets"
    EVENTS = "events"
    CORRECTIONS = "corrections"
    LIMITS = "limits"


def what_from(text: str) -> What:
    """What a word of the command line asks for.

    Raises
    ------
    StudyError
    """
    try:
        return What(text)
    except ValueError:
        raise StudyError.unknown_choice("--what", text, allowed=[what.value for what in What]) from None


def export(ledger: Ledger, to: str | Path, *, what: What = What.RECORDS) -> int:
    """Write what the ledger holds to a file whose ending says how: .csv, .parquet or .json.

    Returns
    -------
    The number of rows written.

    Raises
    ------
    InputError
        The ending is another, or the file cannot be written; a file that was there is then whole.
    """
    path = Path(to)
    writers: dict[str, Callable[[Rows, Ledger, What], bytes]] = {
        ".csv": lambda rows, *_: csv_bytes(rows),
        ".parquet": lambda rows, *_: parquet_bytes(rows),
        ".json": _json_bytes,
    }
    writer = writers.get(path.suffix.lower())
    if writer is None:
        raise InputError(f"{path}: found the ending '{path.suffix}', expected one of {listed(writers)}.")
    rows = rows_of(ledger, what)
    try:
        write_atomically(path, writer(rows, ledger, what))
    except OSError as error:
        raise InputError(
            f"{path}: cannot be written ({error.strerror or error}). Choose another place."
        ) from None
    return len(rows[1])


def rows_of(ledger: Ledger, what: What) -> Rows:
    """The columns and rows of what is wanted; everything but the records without what is superseded."""
    match what:
        case What.RECORDS:
            return _records(ledger)
        case What.REFERENCE:
            return _reference(ledger)
        case What.OFFSETS:
            return _offsets(ledger)
        case What.EVENTS:
            return _events(ledger)
        case What.CORRECTIONS:
            return _corrections(ledger)
        case What.LIMITS:
            return _limits(ledger)


def _offsets(ledger: Ledger) -> Rows:
    names = ("as_of", "pair", "section", "offset", "lower", "upper", "unit", "verdict", "record")
    found = past_offsets(ledger, as_of=_AFTER_ALL).offsets
    return names, [tuple(getattr(one, name) for name in names) for one in found]


def _events(ledger: Ledger) -> Rows:
    names = ("day", "rig", "kind", "text")
    rows = [
        (number, *(getattr(event, name) for name in names)) for number, event in events_with_records(ledger)
    ]
    return ("record", *names), rows


def _limits(ledger: Ledger) -> Rows:
    names = ("rig", "section", "reference", "centre", "sd", "within_sd", "base")
    rows = []
    for record, limits in limits_with_records(ledger):
        base = limits.rests_on
        rests_on = (None,) * 4 if base is None else (base.first, base.last, base.form.value, base.quantity)
        worn = None if base is None or base.wear is None else base.wear.per_run
        steps = [] if base is None else [[one.earlier, one.later, one.value, one.se] for one in base.steps]
        moved = (worn, json.dumps(steps, ensure_ascii=False) if steps else None)
        rows.append(
            (record.number, record.as_of, *(getattr(limits, name) for name in names), *rests_on, *moved)
        )
    told = ("first_visit", "last_visit", "points", "quantity", "wear_per_run", "steps")
    return ("record", "as_of", *names, *told), rows


def _records(ledger: Ledger) -> Rows:
    names = (
        "number", "kind", "topic", "subject", "as_of", "by", "at", "program", "supersedes", "superseded_by", "previous",
        "hash", "body",
    )  # fmt: skip
    rows = [
        tuple(record.kind.value if name == "kind" else getattr(record, name) for name in names)
        for record in ledger.records()
    ]
    return names, rows


def _corrections(ledger: Ledger) -> Rows:
    names = (
        "rig", "reference_rig", "section", "form", "value", "uncertainty", "unit", "valid_from", "expires", "reason",
    )  # fmt: skip
    rows = []
    for record in ledger.records(kinds=[Kind.CORRECTION], current=True):
        one = correction_in(ledger, record)
        values = (one.form.value if name == "form" else getattr(one, name) for name in names)
        rows.append((record.number, *values))
    return ("record", *names), rows


def _reference(ledger: Ledger) -> Rows:
    names = ("record", "place", "rig", "section", "visit", "day", "reference", "pad_set", "run", "value")
    batches = [record.number for record in ledger.records(kinds=[Kind.REFERENCE], current=True, bodies=False)]
    rows: list[tuple[Any, ...]] = []
    with ledger.database.reading() as connection:
        for number in batches:
            query = sa.select(*(REFERENCE.c[name] for name in names)).where(REFERENCE.c.record == number)
            rows += [tuple(row) for row in connection.execute(query.order_by(REFERENCE.c.place))]
    return names, rows


def csv_bytes(rows: Rows) -> bytes:
    """The rows as CSV: commas, decimal points, UTF-8; empty where there is nothing."""
    stream = io.StringIO()
    # With "\r\n" the writer quotes both characters; a bare "\r" in a text would begin a new row for some readers.
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(rows[0])
    writer.writerows([_harmless(value) for value in row] for row in rows[1])
    return stream.getvalue().encode("utf-8")


def _harmless(value: Any) -> Any:
    if isinstance(value, str):
        return shielded(value)
    return repr(value) if isinstance(value, float) else value


def parquet_bytes(rows: Rows) -> bytes:
    """The rows as Parquet."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = list(zip(*rows[1], strict=True)) or [()] * len(rows[0])
    table = pa.table({name: list(column) for name, column in zip(rows[0], columns, strict=True)})
    sink = io.BytesIO()
    pq.write_table(table, sink)
    return sink.getvalue()


def _json_bytes(rows: Rows, ledger: Ledger, what: What) -> bytes:
    entries = [dict(zip(rows[0], row, strict=True)) for row in rows[1]]
    content: dict[str, Any] = {"what": what.value, "ledger_version": LATEST, what.value: entries}
    if what is What.RECORDS:
        number, head = ledger.head()
        content |= {"last_record": number, "last_hash": head}
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1)
    return (text + "\n").encode("utf-8")
