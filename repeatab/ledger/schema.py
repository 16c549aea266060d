"""The tables of a ledger, and the numbered steps by which they came to be.

In: a connection inside a transaction.  Out: the tables at the latest version.
A step that has been published is never changed: a later one is added. The same text runs on both databases; only
the triggers that forbid changes and deletions are written twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import sqlalchemy as sa

from repeatab.ledger.chain import program_version
from repeatab.ledger.records import ReferenceRow

METADATA = sa.MetaData()
VERSIONS = sa.Table(
    "repeatab_schema",
    METADATA,
    sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("program", sa.Text),
)
RECORDS = sa.Table(
    "repeatab_records",
    METADATA,
    sa.Column("number", sa.BigInteger, primary_key=True, autoincrement=False),
    *(
        sa.Column(name, sa.Text)
        for name in ("kind", "topic", "subject", "as_of", "made_by", "made_at", "program")
    ),
    sa.Column("body", sa.Text),
    sa.Column("supersedes", sa.BigInteger),
    sa.Column("previous", sa.Text),
    sa.Column("hash", sa.Text),
)
REFERENCE = sa.Table(
    "repeatab_reference",
    METADATA,
    sa.Column("record", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("place", sa.BigInteger, primary_key=True, autoincrement=False),
    *(sa.Column(name, sa.Text) for name in ("rig", "section", "visit")),
    sa.Column("value", sa.Double),
    *(sa.Column(name, sa.Text) for name in ("day", "reference", "pad_set", "run")),
)
VISITS = sa.Table(
    "repeatab_reference_visits",
    METADATA,
    sa.Column("record", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("place", sa.BigInteger, primary_key=True, autoincrement=False),
    *(sa.Column(name, sa.Text) for name in ("rig", "section", "visit", "reference", "day")),
    sa.Column("count", sa.BigInteger),
    sa.Column("mean", sa.Double),
    sa.Column("centred_ss", sa.Double),
)

SETS = sa.Table(
    "repeatab_reference_sets",
    METADATA,
    sa.Column("record", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("place", sa.BigInteger, primary_key=True, autoincrement=False),
    *(sa.Column(name, sa.Text) for name in ("rig", "visit", "reference", "pad_set")),
    sa.Column("runs", sa.BigInteger),
)

TABLES_OF_ROWS = (REFERENCE, VISITS, SETS)

_SCHEMA = """
CREATE TABLE repeatab_schema (version INTEGER NOT NULL PRIMARY KEY, program TEXT NOT NULL)
"""
_RECORDS = """
CREATE TABLE repeatab_records (
    number BIGINT NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL, topic TEXT NOT NULL, subject TEXT NOT NULL, as_of TEXT,
    made_by TEXT NOT NULL, made_at TEXT NOT NULL, program TEXT NOT NULL, body TEXT NOT NULL,
    supersedes BIGINT UNIQUE REFERENCES repeatab_records (number),
    previous TEXT NOT NULL UNIQUE, hash TEXT NOT NULL UNIQUE)
"""
_RECORDS_INDEX = "CREATE INDEX repeatab_records_kind ON repeatab_records (kind, topic, number)"
_REFERENCE = """
CREATE TABLE repeatab_reference (
    record BIGINT NOT NULL REFERENCES repeatab_records (number), place BIGINT NOT NULL,
    rig TEXT NOT NULL, section TEXT NOT NULL, visit TEXT NOT NULL, value DOUBLE PRECISION NOT NULL,
    day TEXT, reference TEXT, pad_set TEXT, run TEXT,
    PRIMARY KEY (record, place))
"""
_REFERENCE_INDEX = "CREATE INDEX repeatab_reference_rig ON repeatab_reference (rig, section, day)"
_VISITS = """
CREATE TABLE repeatab_reference_visits (
    record BIGINT NOT NULL REFERENCES repeatab_records (number), place BIGINT NOT NULL,
    rig TEXT NOT NULL, section TEXT NOT NULL, visit TEXT NOT NULL, reference TEXT, day TEXT,
    count BIGINT NOT NULL, mean DOUBLE PRECISION NOT NULL, centred_ss DOUBLE PRECISION NOT NULL,
    PRIMARY KEY (record, place))
"""
_VISITS_INDEX = "CREATE INDEX repeatab_reference_visits_rig ON repeatab_reference_visits (rig, section, day)"
_SETS = """
CREATE TABLE repeatab_reference_sets (
    record BIGINT NOT NULL REFERENCES repeatab_records (number), place BIGINT NOT NULL,
    rig TEXT NOT NULL, visit TEXT NOT NULL, reference TEXT, pad_set TEXT NOT NULL, runs BIGINT NOT NULL,
    PRIMARY KEY (record, place))
"""
_REFUSE_POSTGRESQL = """
CREATE FUNCTION repeatab_refuse() RETURNS trigger LANGUAGE plpgsql AS
$$ BEGIN RAISE EXCEPTION 'a record of the ledger is never changed: supersede it'; END $$
"""

Visit = tuple[str, str, str, str | None, str | None, int, float, float]
"""rig, section, visit, reference, first day, count, mean, centred sum of squares"""
SetRuns = tuple[str, str, str | None, str, int]
"""rig, visit, reference, pad set, most runs of the set in one section"""


@dataclass(frozen=True, slots=True)
class Step:
    """One published change of the tables."""

    version: int
    apply: Callable[[sa.Connection], None]


def _first(connection: sa.Connection) -> None:
    for statement in (_SCHEMA, _RECORDS, _RECORDS_INDEX, _REFERENCE, _REFERENCE_INDEX):
        connection.exec_driver_sql(statement)
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(_REFUSE_POSTGRESQL)
    for table in ("repeatab_records", "repeatab_reference"):
        _forbid_changes(connection, table)


def _second(connection: sa.Connection) -> None:
    """Count, mean and centred squares of every visit: the page of all rigs reads these and not the results."""
    for statement in (_VISITS, _VISITS_INDEX):
        connection.exec_driver_sql(statement)
    query = sa.select(REFERENCE).order_by(REFERENCE.c.record, REFERENCE.c.place)
    for record, rows in groupby(connection.execute(query), key=lambda row: int(row.record)):
        insert_rows(connection, VISITS, record, visits_of(ReferenceRow(*row[2:]) for row in rows))
    _forbid_changes(connection, "repeatab_reference_visits")


def _third(connection: sa.Connection) -> None:
    """Which pad sets ran at each visit: whether sets ran more than once is told without the results."""
    connection.exec_driver_sql(_SETS)
    query = sa.select(REFERENCE).order_by(REFERENCE.c.record, REFERENCE.c.place)
    for record, rows in groupby(connection.execute(query), key=lambda row: int(row.record)):
        insert_rows(connection, SETS, record, sets_of(ReferenceRow(*row[2:]) for row in rows))
    _forbid_changes(connection, "repeatab_reference_sets")


STEPS = (Step(1, _first), Step(2, _second), Step(3, _third))
LATEST = STEPS[-1].version


def migrate(connection: sa.Connection, found: int, *, to: int = LATEST) -> None:
    """Bring the tables from version `found` (0: none yet) to version `to`, inside the caller's transaction."""
    for step in STEPS:
        if found < step.version <= to:
            step.apply(connection)
            connection.execute(sa.insert(VERSIONS).values(version=step.version, program=program_version()))


def visits_of(rows: Iterable[ReferenceRow]) -> list[Visit]:
    """Count, mean and centred sum of squares per rig, section, visit and reference, in the order of the results.

    Sums are correctly rounded (math.fsum), so that every machine finds the same digits and `history verify` can
    ask for equality.
    """
    found: dict[tuple[str, str, str, str | None], list[ReferenceRow]] = {}
    for row in rows:
        found.setdefault((row.rig, row.section, row.visit, row.reference), []).append(row)
    return [(*key, *_moments(group)) for key, group in found.items()]


def sets_of(rows: Iterable[ReferenceRow]) -> list[SetRuns]:
    """The pad sets of each rig and visit, in the order of the results, and how often each ran in a section at most."""
    runs: dict[tuple[str, str, str | None, str], dict[str, int]] = {}
    for row in rows:
        if row.pad_set is not None:
            own = runs.setdefault((row.rig, row.visit, row.reference, row.pad_set), {})
            own[row.section] = own.get(row.section, 0) + 1
    return [(*key, max(own.values())) for key, own in runs.items()]


def _moments(group: list[ReferenceRow]) -> tuple[str | None, int, float, float]:
    values = [row.value for row in group]
    mean = math.fsum(values) / len(values)
    # A product and no power: multiplication is rounded alike everywhere, pow is not.
    squares = math.fsum((value - mean) * (value - mean) for value in values)
    return min((row.day for row in group if row.day is not None), default=None), len(values), mean, squares


def insert_rows(
    connection: sa.Connection, table: sa.Table, record: int, rows: Iterable[tuple[Any, ...]]
) -> None:
    """Insert rows of a record with their places, a few thousand at a time."""
    names = [column.name for column in table.columns]
    for part in _in_parts(enumerate(rows, start=1), 5000):
        values = [dict(zip(names, (record, place, *row), strict=True)) for place, row in part]
        connection.execute(sa.insert(table), values)


def _in_parts(
    rows: Iterable[tuple[int, tuple[Any, ...]]], size: int
) -> Iterator[list[tuple[int, tuple[Any, ...]]]]:
    part = []
    for row in rows:
        part.append(row)
        if len(part) == size:
            yield part
            part = []
    if part:
        yield part


def _forbid_changes(connection: sa.Connection, table: str) -> None:
    """Triggers that refuse to change or delete a row: a slip in a database program shall not rewrite history."""
    for action in ("UPDATE", "DELETE"):
        name = f"{table}_no_{action.lower()}"
        if connection.dialect.name == "postgresql":
            body = f"BEFORE {action} ON {table} FOR EACH ROW EXECUTE FUNCTION repeatab_refuse()"
        else:
            text = "a record of the ledger is never changed: supersede it"
            body = f"BEFORE {action} ON {table} BEGIN SELECT RAISE(ABORT, '{text}'); END"
        connection.exec_driver_sql(f"CREATE TRIGGER {name} {body}")
