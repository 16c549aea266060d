"""A ledger as it stood before one of its records, from either database. All values are invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from repeatab.ledger.as_it_stood import ledger_before, record_of
from repeatab.ledger.history import events_of
from repeatab.ledger.records import Entry, Stamp, of_outcome, of_withdrawal
from repeatab.ledger.reference import reference_visits
from repeatab.ledger.store import Ledger
from repeatab.ledger.verify import verify
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.verdict import Judgement, Verdict

Make = Callable[..., Entry]


def an_outcome(title: str) -> Outcome:
    judged = Judgement(subject="R2 against R1", verdict=Verdict.EQUIVALENT, reason="near")
    return Outcome(job="correlation_check", title=title, headline=judged, judgements=(judged,), evidence=())


def test_what_came_later_is_left_out_and_what_was_taken_back_later_still_stands(
    ledger: Ledger, batch: Make, event_entry: Make, stamp: Stamp, tmp_path: Path
) -> None:
    first = ledger.append(batch(6), stamp)
    ledger.append(event_entry(), stamp)
    outcome = an_outcome("March")
    own = ledger.append(of_outcome(outcome), stamp)
    ledger.append(of_withdrawal(first, reason="wrong pads"), stamp)
    ledger.append(batch(6, visit="2026-02"), stamp)
    assert reference_visits(ledger).visit == ("2026-02",)
    before = ledger_before(ledger, own.number, tmp_path / "before.sqlite")
    assert before.head() == (2, ledger.record(2).hash)
    assert reference_visits(before).visit == ("2026-01",)
    assert events_of(before) == events_of(ledger)
    assert verify(before).whole
    assert len(ledger.records()) == 5


def test_an_outcome_is_found_by_its_content(ledger: Ledger, stamp: Stamp) -> None:
    ledger.append(of_outcome(an_outcome("February")), stamp)
    ledger.append(of_outcome(an_outcome("March")), stamp)
    found = record_of(ledger, an_outcome("March"))
    assert found is not None
    assert found.number == 2


def test_the_state_before_the_first_record_is_empty(ledger: Ledger, stamp: Stamp, tmp_path: Path) -> None:
    ledger.append(of_outcome(an_outcome("January")), stamp)
    assert ledger_before(ledger, 1, tmp_path / "before.sqlite").head()[0] == 0
