"""The ledger itself: opening it, appending to it, reading records back.

In: a file or URL; entries with who and when.  Out: Records.  Nothing here changes or deletes a record.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from repeatab.ledger.address import Address, address_of
from repeatab.ledger.chain import START, sealed, storable_row
from repeatab.ledger.connection import PATIENCE, Database
from repeatab.ledger.faults import LedgerError
from repeatab.ledger.records import Entry, Kind, Record, Stamp
from repeatab.ledger.schema import (
    LATEST,
    RECORDS,
    REFERENCE,
    SETS,
    VERSIONS,
    VISITS,
    insert_rows,
    migrate,
    sets_of,
    visits_of,
)

LATER = RECORDS.alias("later")
CURRENT = ~sa.exists().where(LATER.c.supersedes == RECORDS.c.number)
"""Holds for a record that no later one supersedes."""


@dataclass(frozen=True, slots=True)
class Ledger:
    """An open ledger. Its text form is its address without the password."""

    database: Database

    @property
    def address(self) -> Address:
        """Where it is."""
        return self.database.address

    def __str__(self) -> str:
        return self.address.shown

    def append(self, entry: Entry, stamp: Stamp) -> Record:
        """Append one record; it is kept whole, or not at all.

        Raises
        ------
        LedgerError
            The ledger cannot be written, or `supersedes` names a record that is not there, is superseded already,
            or is of another kind (a withdrawal supersedes any kind).
        """
        return self.append_all([entry], stamp)[0]

    def append_all(self, entries: Sequence[Entry], stamp: Stamp) -> tuple[Record, ...]:
        """Append several records at once; all of them are kept, or none.

        Raises
        ------
        LedgerError
            See `append`.
        """
        with self.database.writing() as connection:
            return tuple(self._append(connection, entry, stamp) for entry in entries)

    def _append(self, connection: sa.Connection, entry: Entry, stamp: Stamp) -> Record:
        number, previous = _last(connection)
        if entry.supersedes is not None:
            self._check_supersedes(connection, entry, number)
        if entry.reference is not None:
            rows = tuple(storable_row(row) for row in entry.reference.rows)
            entry = replace(entry, reference=replace(entry.reference, rows=rows))
        record = sealed(entry, stamp, number=number + 1, previous=previous)
        connection.execute(sa.insert(RECORDS).values(_columns(record)))
        if entry.reference is not None:
            insert_rows(connection, REFERENCE, record.number, entry.reference.rows)
            insert_rows(connection, VISITS, record.number, visits_of(entry.reference.rows))
            insert_rows(connection, SETS, record.number, sets_of(entry.reference.rows))
        return record

    def _check_supersedes(self, connection: sa.Connection, entry: Entry, last: int) -> None:
        number = entry.supersedes
        assert number is not None
        found = connection.execute(sa.select(RECORDS.c.kind).where(RECORDS.c.number == number)).scalar()
        if found is None:
            raise LedgerError.no_record(self.address.shown, number, last)
        by = connection.execute(sa.select(RECORDS.c.number).where(RECORDS.c.supersedes == number)).scalar()
        if by is not None:
            raise LedgerError.superseded_already(self.address.shown, number, by)
        if entry.kind is not Kind.WITHDRAWAL and found != entry.kind.value:
            raise LedgerError.other_kind(self.address.shown, number, found=found, given=entry.kind.value)

    def records(
        self,
        *,
        kinds: Sequence[Kind] = (),
        topic: str | None = None,
        current: bool = False,
        bodies: bool = True,
    ) -> tuple[Record, ...]:
        """The records in their order; only the `current` ones, or all. Without `bodies` these are left empty."""
        query = _select_records(bodies=bodies).order_by(RECORDS.c.number)
        if kinds:
            query = query.where(RECORDS.c.kind.in_([kind.value for kind in kinds]))
        if topic is not None:
            query = query.where(RECORDS.c.topic == topic)
        if current:
            query = query.where(CURRENT)
        with self.database.reading() as connection:
            return tuple(self._record(row) for row in connection.execute(query))

    def record(self, number: int) -> Record:
        """The record with this number.

        Raises
        ------
        LedgerError
        """
        with self.database.reading() as connection:
            row = connection.execute(_select_records(bodies=True).where(RECORDS.c.number == number)).first()
            if row is None:
                raise LedgerError.no_record(self.address.shown, number, _last(connection)[0])
            return self._record(row)

    def head(self) -> tuple[int, str]:
        """Number and hash of the last record; (0, zeros) in an empty ledger."""
        with self.database.reading() as connection:
            return _last(connection)

    def body(self, record: Record) -> dict[str, Any]:
        """What a record holds: content, inputs and settings.

        Raises
        ------
        LedgerError
            The text is not what repeatab wrote.
        """
        try:
            body = json.loads(record.body)
        except ValueError:
            body = None
        if not isinstance(body, dict) or not isinstance(body.get("content"), dict):
            raise LedgerError.not_readable(self.address.shown, record.number)
        return body

    def _record(self, row: Any) -> Record:
        try:
            kind = Kind(row.kind)
        except ValueError:
            raise LedgerError.not_readable(self.address.shown, row.number) from None
        return Record(
            number=int(row.number), kind=kind, topic=row.topic, subject=row.subject, as_of=row.as_of, by=row.made_by,
            at=row.made_at, program=row.program, body=row.body, supersedes=row.supersedes, previous=row.previous,
            hash=row.hash, superseded_by=row.superseded_by,
        )  # fmt: skip


def open_ledger(
    where: str | Path | Address, *, write: bool = False, create: bool = False, patience: float = PATIENCE
) -> Ledger:
    """Open a ledger; an older one is brought to this program's version.

    Parameters
    ----------
    where : path of an SQLite file, or postgresql://user@host/database.
    write : whether records will be appended.
    create : whether to make the ledger if there is none.
    patience : seconds to wait for another writer.

    Raises
    ------
    LedgerError
        There is no ledger, it is of a newer version, something else, damaged, read-only, or not to be reached.
    """
    address = where if isinstance(where, Address) else address_of(where)
    if address.file is not None:
        _check_file(address.file, address.shown, create=create)
    ledger = Ledger(Database(address, writable=write or create, patience=patience))
    found = ledger_version(ledger.database)
    if found == 0 and not create:
        raise LedgerError.empty(address.shown)
    if found < LATEST:
        _bring_up(address, found, patience)
    elif write or create:
        _check_writable(ledger)
    return ledger


def _check_file(file: Path, shown: str, *, create: bool) -> None:
    try:
        if file.is_dir():
            raise LedgerError.a_folder(shown)
        if file.exists():
            if not os.access(file, os.R_OK):
                raise LedgerError.unreadable(shown)
            return
    except OSError as error:
        raise LedgerError.failed(shown, error.strerror or "the path cannot be used") from None
    if not create:
        raise LedgerError.missing(shown)
    if not file.absolute().parent.is_dir():
        raise LedgerError.no_folder(shown, str(file.parent))


def ledger_version(database: Database) -> int:
    """The version of the ledger in this database; 0 if it holds nothing yet.

    Raises
    ------
    LedgerError
        Newer than this program knows, or a file that holds something else.
    """
    with database.reading() as connection:
        return _version(connection, database)


def _version(connection: sa.Connection, database: Database) -> int:
    shown = database.address.shown
    names = sorted(sa.inspect(connection).get_table_names())
    if VERSIONS.name not in names:
        if names and database.on_file:
            raise LedgerError.another_database(shown, names)
        return 0
    row = connection.execute(
        sa.select(VERSIONS.c.version, VERSIONS.c.program).order_by(VERSIONS.c.version.desc()).limit(1)
    ).first()
    version = 0 if row is None else int(row.version)
    if row is not None and version > LATEST:
        raise LedgerError.newer(shown, found=version, known=LATEST, program=row.program)
    return version


def _bring_up(address: Address, found: int, patience: float) -> None:
    """Make the tables, or bring them to the latest version; another program may have done so meanwhile."""
    database = Database(address, writable=True, patience=patience)
    try:
        with database.writing() as connection:
            migrate(connection, _version(connection, database))
    except LedgerError as error:
        if found and str(error) == str(LedgerError.read_only(address.shown)):
            raise LedgerError.older_and_read_only(address.shown, found=found, known=LATEST) from None
        raise


def _check_writable(ledger: Ledger) -> None:
    """Refuse a ledger that may not be written before the work whose outcome shall go into it."""
    with ledger.database.writing() as connection:
        connection.execute(sa.insert(VERSIONS).values(version=-1, program="tried and taken back"))
        connection.rollback()


def _last(connection: sa.Connection) -> tuple[int, str]:
    query = sa.select(RECORDS.c.number, RECORDS.c.hash).order_by(RECORDS.c.number.desc()).limit(1)
    row = connection.execute(query).first()
    return (0, START) if row is None else (int(row.number), str(row.hash))


def _select_records(*, bodies: bool) -> sa.Select[Any]:
    columns = [column for column in RECORDS.c if bodies or column is not RECORDS.c.body]
    by = sa.select(LATER.c.number).where(LATER.c.supersedes == RECORDS.c.number).scalar_subquery()
    empty = [] if bodies else [sa.literal("").label("body")]
    return sa.select(*columns, *empty, by.label("superseded_by"))


def _columns(record: Record) -> dict[str, Any]:
    return {
        "number": record.number, "kind": record.kind.value, "topic": record.topic, "subject": record.subject,
        "as_of": record.as_of, "made_by": record.by, "made_at": record.at, "program": record.program,
        "body": record.body, "supersedes": record.supersedes, "previous": record.previous, "hash": record.hash,
    }  # fmt: skip
