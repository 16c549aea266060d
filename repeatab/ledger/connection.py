"""Connections to a ledger's database: opened, locked for writing, and their errors in plain words.

In: an Address.  Out: transactions on which the store works; LedgerError for whatever the database says.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import sqlalchemy as sa
from sqlalchemy import event, exc
from sqlalchemy.pool import NullPool

from repeatab.ledger.address import Address
from repeatab.ledger.faults import LedgerError

PATIENCE = 30.0
"""Seconds to wait for another writer."""

# One writer at a time: the number of the advisory lock on PostgreSQL ("repeatab" as ASCII).
_LOCK = 0x7265706561746162


@dataclass(frozen=True, slots=True)
class Database:
    """One ledger's database; each transaction opens a connection of its own.

    writable : False opens the file so that nothing in it can change. patience : seconds to wait for another writer.
    """

    address: Address
    writable: bool
    patience: float = PATIENCE
    engine: sa.Engine = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "engine", _engine(self))

    @property
    def on_file(self) -> bool:
        """Whether it is an SQLite file."""
        return self.address.file is not None

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A transaction that sees one state of the ledger throughout."""
        with speaking(self), self.engine.connect() as connection:
            if not self.on_file:
                connection = connection.execution_options(
                    isolation_level="REPEATABLE READ", postgresql_readonly=True
                )
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A transaction in which nobody else writes; all of it is kept, or nothing."""
        with speaking(self), self.engine.connect() as connection:
            connection = connection.execution_options(ledger_write=True)
            with connection.begin():
                if not self.on_file:
                    milliseconds = int(self.patience * 1000)
                    connection.exec_driver_sql(f"SET LOCAL lock_timeout = {milliseconds}")
                    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
                yield connection


def _engine(database: Database) -> sa.Engine:
    file = database.address.file
    if file is None:
        return _postgresql(database.address)
    engine = sa.create_engine(
        "sqlite+pysqlite://", creator=lambda: _sqlite(file, database), poolclass=NullPool
    )

    @event.listens_for(engine, "begin")
    def begin(connection: sa.Connection) -> None:
        # The driver's own transactions begin too late: two writers could both read the same last record.
        write = connection.get_execution_options().get("ledger_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


def _postgresql(address: Address) -> sa.Engine:
    try:
        import psycopg  # noqa: F401 - the driver behind the URL
    except ImportError:
        raise LedgerError.package_missing("psycopg") from None
    try:
        return sa.create_engine(address.url, poolclass=NullPool, connect_args={"connect_timeout": 10})
    except (exc.ArgumentError, ValueError, TypeError):
        raise LedgerError.not_an_address(address.shown) from None


def _sqlite(file: Path, database: Database) -> sqlite3.Connection:
    mode = "rwc" if database.writable else "ro"
    if not database.writable and os.access(file, os.W_OK) and os.access(file.absolute().parent, os.W_OK):
        # After a writer was killed, the first to open the file has to undo its half-written pages.
        mode = "rw"
    uri = f"file:{quote(str(file.absolute()))}?mode={mode}"
    connection = sqlite3.connect(uri, uri=True, timeout=database.patience, isolation_level=None)
    try:
        # FULL: what was reported as recorded survives a loss of power.
        for pragma in ("foreign_keys = ON", "synchronous = FULL", "trusted_schema = OFF"):
            connection.execute(f"PRAGMA {pragma}")
        if not database.writable:
            connection.execute("PRAGMA query_only = ON")
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def speaking(database: Database) -> Iterator[None]:
    """Turn what a database says into a LedgerError; passwords are taken out."""
    try:
        yield
    except exc.DBAPIError as error:
        raise _in_words(error.orig or error, database) from None
    except sqlite3.Error as error:
        raise _in_words(error, database) from None
    except UnicodeDecodeError:
        raise LedgerError.damaged(database.address.shown, "a text in it is no UTF-8") from None
    except exc.ArgumentError:
        raise LedgerError.not_an_address(database.address.shown) from None


def _in_words(error: BaseException, database: Database) -> LedgerError:
    lines = str(error).strip().splitlines()
    reason = database.address.without_secrets(lines[0] if lines else type(error).__name__)
    shown = database.address.shown
    if isinstance(error, sqlite3.Error):
        return _from_sqlite(error, reason, shown, database.patience)
    return _from_postgresql(error, reason, shown, database.patience)


def _from_sqlite(error: sqlite3.Error, reason: str, shown: str, patience: float) -> LedgerError:
    name = getattr(error, "sqlite_errorname", "") or ""
    match name.split("_")[1] if "_" in name else "":
        case "NOTADB":
            return LedgerError.not_a_database(shown)
        case "FULL":
            return LedgerError.full(shown)
        case "READONLY" | "PERM" | "CANTOPEN" | "AUTH":
            return LedgerError.read_only(shown)
        case "BUSY" | "LOCKED":
            return LedgerError.busy(shown, patience)
        case "CORRUPT":
            return LedgerError.damaged(shown, reason)
        case "IOERR":
            # A write that the disk, a quota or a limit of the process cuts short.
            cut_short = "WRITE" in name or "TRUNCATE" in name
            return LedgerError.full(shown) if cut_short else LedgerError.damaged(shown, reason)
        case _:
            return LedgerError.failed(shown, reason)


def _from_postgresql(error: Any, reason: str, shown: str, patience: float) -> LedgerError:
    state = getattr(error, "sqlstate", None)
    match state:
        case None | "28P01" | "28000" | "3D000" | "57P03" | "53300":
            return LedgerError.not_reached(shown, reason)
        case "25006" | "42501":
            return LedgerError.read_only(shown)
        case "55P03" | "57014":
            return LedgerError.busy(shown, patience)
        case "53100":
            return LedgerError.full(shown)
        case _:
            return LedgerError.failed(shown, reason)
