"""The values for the page of all rigs come quickly, however many reference results the ledger holds."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from datetime import date, timedelta

import pytest

from repeatab.ledger.records import ReferenceResults, ReferenceRow, Stamp, of_reference
from repeatab.ledger.reference import base_period, reference_visits
from repeatab.ledger.store import Ledger

RIGS, SECTIONS, RUNS = 20, 10, 4


def batches(results: int) -> Iterator[ReferenceResults]:
    """Visit after visit of all rigs, some tens of thousands of results at a time."""
    chance = random.Random(1)
    rows: list[ReferenceRow] = []
    for visit in range(results // (RIGS * SECTIONS * RUNS)):
        day = (date(2000, 1, 1) + timedelta(days=3 * visit)).isoformat()
        rows += [
            ReferenceRow(f"R{rig}", f"section {section}", f"v{visit}", chance.gauss(0.4, 0.01), day, "RL-1")
            for rig in range(RIGS)
            for section in range(SECTIONS)
            for _ in range(RUNS)
        ]
        if len(rows) >= 40_000:
            yield ReferenceResults(quantity="friction", rows=tuple(rows))
            rows = []
    if rows:
        yield ReferenceResults(quantity="friction", rows=tuple(rows))


def seconds_for_the_page(ledger: Ledger, stamp: Stamp, results: int) -> float:
    for batch in batches(results):
        ledger.append(of_reference(batch), stamp)
    taken = []
    for _ in range(3):
        begin = time.perf_counter()
        visits = reference_visits(ledger)
        taken.append(time.perf_counter() - begin)
    assert sum(visits.count) == results
    assert len(visits) == results // RUNS
    assert len(base_period(ledger, rigs=["R3"], sections=["section 1"])) == results // (RIGS * SECTIONS)
    return min(taken)


def test_forty_thousand_reference_results(ledger: Ledger, stamp: Stamp) -> None:
    # Seen: 0.04 s on a quiet machine.
    assert seconds_for_the_page(ledger, stamp, 40_000) < 0.5


@pytest.mark.full
def test_a_million_reference_results(ledger: Ledger, stamp: Stamp) -> None:
    # Seen: 0.9 s; a quarter of a million visits.
    assert seconds_for_the_page(ledger, stamp, 1_000_000) < 2.0
