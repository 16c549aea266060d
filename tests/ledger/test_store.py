"""Records go in whole, stay as they are, and supersede each other; the same on both databases."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from repeatab.base.errors import InputError
from repeatab.intake.events import Event
from repeatab.jobs.charts.question import StatedLimits
from repeatab.ledger.chain import canonical, hash_of
from repeatab.ledger.faults import LedgerError
from repeatab.ledger.history import correction_in, events_of, stated_limits
from repeatab.ledger.records import (
    Correction,
    CorrectionForm,
    Entry,
    Kind,
    ReferenceResults,
    ReferenceRow,
    Stamp,
    of_correction,
    of_event,
    of_limits,
    of_withdrawal,
)
from repeatab.ledger.reference import base_period, reference_visits
from repeatab.ledger.store import Ledger, open_ledger
from repeatab.ledger.verify import verify

Make = Callable[..., Entry]
CORRECTION = Correction(
    rig="R2", reference_rig="R1", section="fade 1", form=CorrectionForm.OFFSET, value=-0.012, uncertainty=0.004,
    valid_from="2026-01-01", expires="2026-06-30", reason="record 3",
)  # fmt: skip


def test_records_are_numbered_chained_and_read_back(ledger: Ledger, stamp: Stamp, event_entry: Make) -> None:
    made = [
        ledger.append(event_entry(text=text), stamp) for text in ("one", "µ = ½, 試験", "'; DROP TABLE x; --")
    ]
    assert [record.number for record in made] == [1, 2, 3]
    assert [record.previous for record in made[1:]] == [record.hash for record in made[:-1]]
    assert ledger.records() == tuple(made)
    assert ledger.head() == (3, made[-1].hash)
    assert [event.text for event in events_of(ledger)] == ["one", "µ = ½, 試験", "'; DROP TABLE x; --"]
    assert made[0].by == "A. Tester"
    assert made[0].at == "2026-03-31T14:05:00+00:00"
    assert made[0].program == "0.1.0"


def test_another_process_finds_the_same_ledger(place: str, stamp: Stamp, event_entry: Make) -> None:
    first = open_ledger(place, create=True).append(event_entry(), stamp)
    assert open_ledger(place).records() == (first,)


def test_a_record_that_supersedes_takes_the_place_of_one(ledger: Ledger, stamp: Stamp) -> None:
    wrong = ledger.append(of_event(Event(day="2026-01-15", kind="repair", text="pump", rig="R1")), stamp)
    right = ledger.append(
        of_event(Event(day="2026-01-16", kind="repair", text="pump", rig="R1"), supersedes=wrong.number),
        stamp,
    )
    assert [record.number for record in ledger.records(current=True)] == [right.number]
    assert ledger.record(wrong.number).superseded_by == right.number
    assert ledger.record(wrong.number).hash == wrong.hash
    assert [event.day for event in events_of(ledger)] == ["2026-01-16"]


def test_a_record_is_superseded_once_and_by_its_own_kind(
    ledger: Ledger, stamp: Stamp, event_entry: Make, batch: Make
) -> None:
    event = ledger.append(event_entry(), stamp)
    with pytest.raises(LedgerError, match=r"record 1 is of the kind 'event' .* 'reference results'"):
        ledger.append(replace(batch(), supersedes=1), stamp)
    with pytest.raises(LedgerError, match=r"there is no record 9\. It holds the records 1 to 1"):
        ledger.append(replace(event_entry(), supersedes=9), stamp)
    ledger.append(of_withdrawal(event, reason="another rig"), stamp)
    with pytest.raises(LedgerError, match="record 1 is superseded by record 2 already"):
        ledger.append(replace(event_entry(), supersedes=1), stamp)
    assert len(ledger.records()) == 2


def test_a_correction_and_its_withdrawal(ledger: Ledger, stamp: Stamp) -> None:
    record = ledger.append(of_correction(CORRECTION), stamp)
    assert correction_in(ledger, record) == CORRECTION
    ledger.append(of_withdrawal(record, reason="pads of another lot"), stamp)
    assert ledger.records(kinds=[Kind.CORRECTION], current=True) == ()
    assert len(ledger.records(kinds=[Kind.CORRECTION])) == 1


def test_the_limits_of_a_day_are_the_latest_before_it(ledger: Ledger, stamp: Stamp) -> None:
    def limits(rig: str, centre: float) -> StatedLimits:
        return StatedLimits(rig=rig, section="cold", centre=centre, sd=0.01, base=24, reference="RL-1")

    for day, rig, centre in (
        ("2026-01-01", "R1", 0.40),
        ("2026-05-01", "R1", 0.41),
        ("2026-02-01", "R2", 0.39),
    ):
        ledger.append(of_limits(limits(rig, centre), as_of=day), stamp)
    assert stated_limits(ledger, as_of="2026-04-30") == (limits("R1", 0.40), limits("R2", 0.39))
    # In the order in which they were frozen: of several that fit a chart takes the last.
    assert stated_limits(ledger) == (limits("R2", 0.39), limits("R1", 0.41))


def test_several_entries_go_in_together_or_not_at_all(
    ledger: Ledger, stamp: Stamp, event_entry: Make
) -> None:
    with pytest.raises(LedgerError, match="no record 7"):
        ledger.append_all([event_entry(), replace(event_entry(), supersedes=7)], stamp)
    assert ledger.records() == ()
    assert [record.number for record in ledger.append_all([event_entry(), event_entry()], stamp)] == [1, 2]


def test_the_database_itself_refuses_changes(ledger: Ledger, stamp: Stamp, batch: Make) -> None:
    ledger.append(batch(), stamp)
    for table in ("repeatab_records", "repeatab_reference", "repeatab_reference_visits"):
        column = "made_by" if table == "repeatab_records" else "rig"
        for statement in (f"UPDATE {table} SET {column} = 'x'", f"DELETE FROM {table}"):
            with (
                pytest.raises(LedgerError, match="a record of the ledger is never changed"),
                ledger.database.writing() as connection,
            ):
                connection.exec_driver_sql(statement)
    assert verify(ledger).whole


def test_reference_results_come_back_to_the_last_bit(ledger: Ledger, stamp: Stamp) -> None:
    values = [0.1, 1 / 3, 5e-324, -1e100, -0.0, 0.4175, 2.0]
    rows = tuple(ReferenceRow("R1", "a\x00b", "v", value) for value in values)
    from repeatab.ledger.records import of_reference

    ledger.append(of_reference(ReferenceResults(quantity="friction", rows=rows)), stamp)
    table = base_period(ledger)
    assert [value.hex() for value in table["result"]] == [(value + 0.0).hex() for value in values]
    assert list(table.columns) == ["rig", "section", "visit", "result"]
    assert set(table["section"]) == {"a\ufffdb"}
    assert verify(ledger).whole


def test_visits_of_several_batches_are_merged_and_superseded_batches_left_out(
    ledger: Ledger, stamp: Stamp, batch: Make
) -> None:
    import numpy as np

    ledger.append(batch(4, start=0.40), stamp)
    wrong = ledger.append(batch(3, start=0.90), stamp)
    ledger.append(batch(5, start=0.41), stamp)
    ledger.append(of_withdrawal(wrong, reason="another quantity"), stamp)
    visits = reference_visits(ledger)
    values = np.array([0.40 + i / 1000 for i in range(4)] + [0.41 + i / 1000 for i in range(5)])
    assert (len(visits), visits.count) == (1, (9,))
    assert visits.mean[0] == pytest.approx(values.mean(), rel=1e-14)
    assert visits.centred_ss[0] == pytest.approx(np.sum((values - values.mean()) ** 2), rel=1e-10)
    assert len(base_period(ledger)) == 9


def test_reference_results_are_found_by_rig_section_day_and_lot(
    ledger: Ledger, stamp: Stamp, batch: Make
) -> None:
    ledger.append(batch(6, rig="R1", visit="2026-01"), stamp)
    ledger.append(batch(6, rig="R2", visit="2026-02"), stamp)
    assert set(base_period(ledger, rigs=["R2"])["rig"]) == {"R2"}
    assert len(base_period(ledger, since="2026-01-03", until="2026-02-02", phase="before")) == 4 + 2
    assert reference_visits(ledger, rigs=["R1"], sections=["characteristic"]).visit == ("2026-01",)
    for wanted in (
        {"rigs": ["R7"]},
        {"references": ["RL-9"]},
        {"since": "2027-01-01"},
        {"quantity": "brake factor"},
    ):
        with pytest.raises(LedgerError, match="holds no reference results"):
            base_period(ledger, **wanted)  # type: ignore[arg-type]


def test_who_and_when_must_be_said() -> None:
    for by, at in (("", "2026-03-31T14:05:00+00:00"), ("a", "yesterday"), ("a", "2026-03-31T14:05:00")):
        with pytest.raises(InputError):
            Stamp(by=by, at=at)


def test_what_cannot_be_is_refused(ledger: Ledger) -> None:
    with pytest.raises(InputError, match="such as 2026-03-31"):
        of_event(Event(day="31.3.2026", kind="repair"))
    with pytest.raises(InputError, match="kind: found nothing"):
        of_event(Event(day="2026-03-31", kind=" "))
    with pytest.raises(InputError, match="before valid_from"):
        replace(CORRECTION, expires="2025-12-31")
    with pytest.raises(InputError, match="finite"):
        replace(CORRECTION, value=float("nan"))
    with pytest.raises(InputError, match="a gain above zero"):
        replace(CORRECTION, form=CorrectionForm.GAIN, value=-1.0)
    with pytest.raises(InputError, match="found none"):
        ReferenceResults(quantity="friction", rows=())
    with pytest.raises(InputError, match="result 1: found inf"):
        ReferenceResults(quantity="friction", rows=(ReferenceRow("R", "s", "v", float("inf")),))
    assert ledger.records() == ()


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=10,
)


@given(json_values)
def test_the_hashed_text_says_the_same_whatever_the_order_of_keys(value: object) -> None:
    text = canonical(value)
    assert text.isascii()
    assert canonical(json.loads(text)) == text


def test_the_hash_covers_every_part_of_a_record(ledger: Ledger, stamp: Stamp, event_entry: Make) -> None:
    record = ledger.append(event_entry(), stamp)
    assert hash_of(record) == record.hash
    changes = {
        "number": 2, "kind": Kind.LIMITS, "topic": "x", "subject": "x", "as_of": None, "by": "x", "at": "x",
        "program": "x", "body": "{}", "supersedes": 1, "previous": "x",
    }  # fmt: skip
    hashes = {hash_of(replace(record, **{name: value})) for name, value in changes.items()}
    assert len(hashes | {record.hash}) == len(changes) + 1


def test_equal_entries_give_equal_hashes_on_both_databases(
    tmp_path_factory: pytest.TempPathFactory, fresh_database: Callable[[], str], stamp: Stamp, batch: Make
) -> None:
    heads = set()
    for where in (str(tmp_path_factory.mktemp("l") / "lab.sqlite"), fresh_database()):
        ledger = open_ledger(where, create=True)
        ledger.append(batch(), stamp)
        ledger.append(of_correction(CORRECTION), stamp)
        heads.add(ledger.head())
    assert len(heads) == 1


def test_two_writers_on_one_database_wait_for_each_other(place: str, stamp: Stamp, event_entry: Make) -> None:
    ledger = open_ledger(place, create=True)
    impatient = open_ledger(place, write=True, patience=0.3)
    with ledger.database.writing() as connection:
        connection.execute(sa.text("SELECT 1"))
        with pytest.raises(LedgerError, match="another program has been writing there for 0 seconds"):
            impatient.append(event_entry(), stamp)
    assert impatient.append(event_entry(), stamp).number == 1
