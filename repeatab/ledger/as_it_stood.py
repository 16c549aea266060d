"""A ledger as it stood when an outcome was made: what came later is left out.

In: an open ledger and an outcome that may be recorded in it.  Out: a ledger in a file of its own, for reading.
Records are only ever added, so the state before a record is the records with smaller numbers.
"""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from repeatab.ledger.records import Kind, Record
from repeatab.ledger.schema import RECORDS, TABLES_OF_ROWS
from repeatab.ledger.store import Ledger, open_ledger
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.serialise import to_jsonable

_MANY = 10_000
"""Rows that are copied at once."""


def record_of(ledger: Ledger, outcome: Outcome) -> Record | None:
    """The record of this very outcome: the same content, or else made from the same inputs and settings."""
    content = to_jsonable(outcome)
    alike = None
    for record in ledger.records(kinds=[Kind.OUTCOME], topic=outcome.job):
        kept = ledger.body(record)["content"]
        if kept == content:
            return record
        if kept.get("provenance") == content["provenance"]:
            alike = record
    return alike


def ledger_before(ledger: Ledger, number: int, file: Path) -> Ledger:
    """A copy, in a new SQLite file, of what the ledger held before the record with this number.

    Raises
    ------
    LedgerError
        The ledger cannot be read, or the file not be written.
    """
    copy = open_ledger(file, create=True)
    with ledger.database.reading() as source, copy.database.writing() as target:
        for table, key in ((RECORDS, RECORDS.c.number), *((one, one.c.record) for one in TABLES_OF_ROWS)):
            found = source.execute(sa.select(table).where(key < number).order_by(*table.primary_key))
            while rows := found.mappings().fetchmany(_MANY):
                target.execute(sa.insert(table), [dict(row) for row in rows])
    return open_ledger(file)
