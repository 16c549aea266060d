"""The chain: each record's hash covers its own content and the hash of the record before it.

In: an Entry, who and when, the number and hash of the last record.  Out: the sealed Record; digests of rows.
The body is stored as the very text that was hashed, so no database can change it by reformatting. Whoever changes
a record has to change every later one too; whoever has noted a later hash elsewhere sees that.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import replace
from importlib import import_module
from typing import Any

from repeatab.ledger.records import Entry, Record, ReferenceRow, Stamp
from repeatab.outcome.serialise import well_formed

FORM = "repeatab record 1"
"""Begins what is hashed; raised if the way of hashing ever changes."""

START = "0" * 64
"""Stands for the hash before the first record."""


def canonical(value: Any) -> str:
    """One text for equal JSON values: sorted keys, no spaces, ASCII, floats in their shortest exact form."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def sealed(entry: Entry, stamp: Stamp, *, number: int, previous: str) -> Record:
    """The record that this entry becomes at its place in the chain."""
    content = dict(entry.content)
    if entry.reference is not None:
        rows = entry.reference.rows
        content |= {"count": len(rows), "rows_sha256": rows_digest(rows)}
    body = canonical(
        {
            "content": content,
            "inputs": [
                {"name": file.name, "sha256": file.sha256, "rows": file.rows} for file in entry.inputs
            ],
            "settings": [list(pair) for pair in entry.settings],
        }
    )
    draft = Record(
        number=number,
        kind=entry.kind,
        topic=storable(entry.topic),
        subject=storable(entry.subject),
        as_of=entry.as_of,
        by=storable(stamp.by),
        at=stamp.at,
        program=program_version(),
        body=body,
        supersedes=entry.supersedes,
        previous=previous,
        hash="",
    )
    return replace(draft, hash=hash_of(draft))


def hash_of(record: Record) -> str:
    """SHA-256 over everything a record says and the hash of the one before it."""
    covered = [
        FORM, record.number, record.kind.value, record.topic, record.subject, record.as_of, record.by, record.at,
        record.program, record.body, record.supersedes, record.previous,
    ]  # fmt: skip
    return hashlib.sha256(canonical(covered).encode("ascii")).hexdigest()


def rows_digest(rows: Iterable[ReferenceRow]) -> str:
    """SHA-256 over reference results in their order."""
    digest = hashlib.sha256()
    encode = json.JSONEncoder(ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode
    for row in rows:
        digest.update(encode(row).encode("ascii"))
        digest.update(b"\n")
    return digest.hexdigest()


def storable(text: str) -> str:
    """Text that every database keeps as it is: no lone surrogates and no zero character."""
    return well_formed(text).replace("\x00", "\ufffd")


def storable_row(row: ReferenceRow) -> ReferenceRow:
    """A reference result as every database gives it back: plain text, a plain float without a negative zero."""
    texts = (row.day, row.reference, row.pad_set, row.run)
    return ReferenceRow(
        storable(row.rig),
        storable(row.section),
        storable(row.visit),
        float(row.value) + 0.0,
        *(None if text is None else storable(text) for text in texts),
    )


def program_version() -> str:
    """The version of this package; asked for by name, because the root of the package names every layer."""
    return str(import_module("repeatab").__version__)
