"""Tampering shows: whatever is changed, taken out or put in, on either database."""

from __future__ import annotations

from collections.abc import Callable

import pytest
import sqlalchemy as sa

from repeatab.ledger.records import Entry, Stamp
from repeatab.ledger.store import Ledger, open_ledger
from repeatab.ledger.verify import verify

Make = Callable[..., Entry]

RECORDS = "repeatab_records"
ROWS = "repeatab_reference"
VISITS = "repeatab_reference_visits"
SETS = "repeatab_reference_sets"


@pytest.fixture
def filled(ledger: Ledger, stamp: Stamp, event_entry: Make, batch: Make) -> Ledger:
    """Records 1 and 4 are events, 2 and 3 batches of six results."""
    for entry in (event_entry(), batch(), batch(start=0.5), event_entry(text="torque cell exchanged")):
        ledger.append(entry, stamp)
    assert verify(ledger).faults == ()
    return ledger


def tampered(ledger: Ledger, *statements: str) -> str:
    """Change the database behind the triggers' back; returns what verifying says."""
    with ledger.database.writing() as connection:
        for table in (RECORDS, ROWS, VISITS, SETS):
            for action in ("update", "delete"):
                on = f" ON {table}" if connection.dialect.name == "postgresql" else ""
                connection.exec_driver_sql(f"DROP TRIGGER {table}_no_{action}{on}")
        if connection.dialect.name == "postgresql":
            for table in (ROWS, VISITS, SETS, RECORDS):
                for key in sa.inspect(connection).get_foreign_keys(table):
                    connection.exec_driver_sql(f"ALTER TABLE {table} DROP CONSTRAINT {key['name']}")
        for statement in statements:
            connection.exec_driver_sql(statement)
    found = verify(ledger)
    return " ".join(str(fault) for fault in found.faults)


CHANGES = {
    "topic": "'x'", "subject": "'R2'", "as_of": "'2020-01-01'", "made_by": "'somebody else'",
    "made_at": "'2026-03-31T14:05:01+00:00'", "program": "'0.0.9'", "kind": "'limits'",
    "body": "replace(body, 'hall B', 'hall C')",
}  # fmt: skip


@pytest.mark.parametrize("column", CHANGES)
def test_a_changed_record_shows(filled: Ledger, column: str) -> None:
    said = tampered(filled, f"UPDATE {RECORDS} SET {column} = {CHANGES[column]} WHERE number = 1")
    assert "record 1: its content is not what was recorded" in said
    assert "record 4" not in said


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        ([f"UPDATE {RECORDS} SET hash = 'x' WHERE number = 2"], "record 3: does not follow the record before it"),
        ([f"UPDATE {RECORDS} SET supersedes = 1 WHERE number = 4"], "record 4: its content is not what was recorded"),
        (
            [f"DELETE FROM {t} WHERE record = 2" for t in (ROWS, VISITS, SETS)]
            + [f"DELETE FROM {RECORDS} WHERE number = 2"],
            "record 3: 1 before it missing",
        ),
        ([f"UPDATE {ROWS} SET value = value + 1e-15 WHERE record = 2 AND place = 3"], "record 2: its reference"),
        ([f"UPDATE {ROWS} SET rig = 'R9' WHERE record = 3"], "record 3: its reference results are not"),
        ([f"DELETE FROM {ROWS} WHERE record = 2 AND place = 6"], "record 2: its reference results are not"),
        ([f"DELETE FROM {ROWS} WHERE record = 2"], "record 2: its reference results are missing"),
        ([f"UPDATE {VISITS} SET mean = mean + 1e-15 WHERE record = 3"], "record 3: its means by visit do not belong"),
        ([f"DELETE FROM {VISITS} WHERE record = 3"], "record 3: its means by visit do not belong"),
        ([f"UPDATE {SETS} SET runs = 2 WHERE record = 3"], "record 3: its pad sets by visit do not belong"),
        (
            [f"INSERT INTO {ROWS} (record, place, rig, section, visit, value) VALUES (1, 1, 'R', 's', 'v', 0.4)"],
            "record 1: repeatab_reference holds rows for it, but it is no batch",
        ),
    ],
    ids=lambda value: value[:40] if isinstance(value, str) else "",
)  # fmt: skip
def test_what_was_done_behind_the_ledgers_back_shows(
    filled: Ledger, statements: list[str], said: str
) -> None:
    assert said in tampered(filled, *statements)


def test_cutting_off_the_last_records_shows_against_a_noted_hash(filled: Ledger) -> None:
    noted = verify(filled).head
    assert verify(filled, noted=noted).whole
    assert verify(filled, noted=filled.records()[1].hash).whole
    assert tampered(filled, f"DELETE FROM {RECORDS} WHERE number = 4") == ""
    found = verify(filled, noted=noted)
    assert "is not in the chain: records were cut off or written anew" in str(found.faults[0])


def test_an_empty_ledger_is_whole(place: str) -> None:
    found = verify(open_ledger(place, create=True))
    assert (found.whole, found.records, found.head) == (True, 0, "0" * 64)
