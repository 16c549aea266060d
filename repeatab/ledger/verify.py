"""Verifying a ledger: is every record what it was when it was made, and is none missing between two others?

In: a ledger, and optionally a hash that was noted earlier.  Out: Verification with the faults found.
What this cannot show: that the last records were cut off, or that somebody wrote the whole chain anew; both show
against a hash noted elsewhere (`repeatab history verify` prints the last one).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import sqlalchemy as sa

from repeatab.base.progress import Progress, silent
from repeatab.ledger.chain import START, hash_of, rows_digest
from repeatab.ledger.records import Kind, Record, ReferenceRow
from repeatab.ledger.schema import RECORDS, REFERENCE, SETS, TABLES_OF_ROWS, VISITS, sets_of, visits_of
from repeatab.ledger.store import Ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is not as it was recorded; `number` is the record, None for the ledger as a whole."""

    number: int | None
    text: str

    def __str__(self) -> str:
        return self.text if self.number is None else f"record {self.number}: {self.text}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """How many records and reference results were verified, the hash of the last record, and what is wrong."""

    records: int
    reference_results: int
    head: str
    faults: tuple[Fault, ...]

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def verify(ledger: Ledger, *, noted: str | None = None, progress: Progress = silent) -> Verification:
    """Recompute every hash of the chain, the digests of the reference results, and their means by visit.

    Parameters
    ----------
    noted : the hash of any record, as it was noted elsewhere; it has to be in the chain.

    Raises
    ------
    LedgerError
        The ledger cannot be read at all.
    """
    faults: list[Fault] = []
    with ledger.database.reading() as connection:
        if ledger.database.on_file:
            faults += _pages(connection)
        total = int(connection.execute(sa.select(sa.func.count()).select_from(RECORDS)).scalar_one())
        chain = _Chain()
        batches: dict[int, dict[str, Any]] = {}
        for done, row in enumerate(connection.execute(sa.select(RECORDS).order_by(RECORDS.c.number))):
            if done % 100 == 0:
                progress("records", done, total)
            faults += chain.take(row)
            if row.kind == Kind.REFERENCE.value:
                batches[int(row.number)] = _content(row.body)
        progress("records", total, total)
        counted, wrong = _rows(connection, batches, progress)
        faults += wrong
    if noted is not None and noted not in chain.hashes:
        faults.append(
            Fault(
                number=None,
                text=f"the noted hash {noted[:16]}… is not in the chain: records were cut off or written anew.",
            )
        )
    return Verification(records=total, reference_results=counted, head=chain.head, faults=tuple(faults))


class _Chain:
    """Walks along the records; each must follow the one before it."""

    def __init__(self) -> None:
        self.number, self.head = 0, START
        self.hashes = {START}
        self.superseded: dict[int, int] = {}

    def take(self, row: Any) -> Iterator[Fault]:
        number = int(row.number)
        if number != self.number + 1:
            missing = number - self.number - 1
            yield Fault(number=number, text=f"{missing} before it missing: it follows record {self.number}.")
        if row.previous != self.head:
            yield Fault(
                number=number, text="does not follow the record before it: one was changed or taken out."
            )
        if not _sealed(row):
            yield Fault(number=number, text="its content is not what was recorded.")
        if row.supersedes is not None and not 0 < row.supersedes < number:
            yield Fault(number=number, text=f"supersedes record {row.supersedes}, which is not before it.")
        self.number, self.head = number, row.hash
        self.hashes.add(row.hash)


def _sealed(row: Any) -> bool:
    try:
        kind = Kind(row.kind)
    except ValueError:
        return False
    record = Record(
        number=int(row.number), kind=kind, topic=row.topic, subject=row.subject, as_of=row.as_of, by=row.made_by,
        at=row.made_at, program=row.program, body=row.body, supersedes=row.supersedes, previous=row.previous,
        hash=row.hash,
    )  # fmt: skip
    return hash_of(record) == str(row.hash)


def _content(body: str) -> dict[str, Any]:
    try:
        content = json.loads(body)["content"]
    except (ValueError, KeyError, TypeError):
        return {}
    return content if isinstance(content, dict) else {}


def _rows(
    connection: sa.Connection, batches: dict[int, dict[str, Any]], progress: Progress
) -> tuple[int, list[Fault]]:
    """How many reference results there are, and which batches are not what was recorded."""
    faults = [
        Fault(number=number, text=f"{table.name} holds rows for it, but it is no batch of reference results.")
        for table in TABLES_OF_ROWS
        for (number,) in connection.execute(sa.select(table.c.record).distinct())
        if number not in batches
    ]
    counted, seen = 0, set[int]()
    query = sa.select(REFERENCE).order_by(REFERENCE.c.record, REFERENCE.c.place)
    streamed = connection.execution_options(yield_per=5000).execute(query)
    for number, group in groupby(streamed, key=lambda row: int(row.record)):
        progress("reference results", len(seen), len(batches))
        rows = [ReferenceRow(*row[2:]) for row in group]
        counted += len(rows)
        seen.add(number)
        stated = batches.get(number, {})
        if stated.get("count") != len(rows) or stated.get("rows_sha256") != rows_digest(rows):
            faults.append(Fault(number=number, text="its reference results are not what was recorded."))
        if visits_of(rows) != _kept(connection, VISITS, number):
            faults.append(Fault(number=number, text="its means by visit do not belong to its results."))
        if sets_of(rows) != _kept(connection, SETS, number):
            faults.append(Fault(number=number, text="its pad sets by visit do not belong to its results."))
    faults += [
        Fault(number=number, text="its reference results are missing.")
        for number in batches
        if number not in seen
    ]
    progress("reference results", len(batches), len(batches))
    return counted, faults


def _kept(connection: sa.Connection, table: sa.Table, number: int) -> list[tuple[Any, ...]]:
    """What is kept by visit of a batch."""
    columns = [column for column in table.c if column.name not in ("record", "place")]
    query = sa.select(*columns).where(table.c.record == number).order_by(table.c.place)
    return [tuple(row) for row in connection.execute(query)]


def _pages(connection: sa.Connection) -> list[Fault]:
    """What SQLite itself finds wrong with the pages of the file."""
    found = [str(text) for (text,) in connection.exec_driver_sql("PRAGMA integrity_check(5)")]
    return (
        [] if found == ["ok"] else [Fault(number=None, text=f"the file is damaged: {text}") for text in found]
    )
