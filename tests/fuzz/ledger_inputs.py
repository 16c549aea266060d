"""The ledger: reference results and events from files, and the file of the ledger itself; valid, bent, taken in."""

from __future__ import annotations

import random
import re
import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import hostile_text
from cases import CLOCK, DEMO, Case, head_of, memory_folder
from result_inputs import bent_table, options_of


@cache
def references() -> tuple[Case, ...]:
    columns = {
        "result": "mu",
        "rig": "rig",
        "visit": "visit",
        "time": "date",
        "pad_lot": "reference_lot",
        "pad_set": "pad_set",
        "section": "section",
    }
    stops = {
        "result": "mu",
        "rig": "rig",
        "visit": "test_date",
        "section": "section",
        "stop": "stop",
        "run": "run",
        "pad_set": "pad_set",
    }
    return (
        Case(files={"a.csv": head_of("reference_history.csv")}, words={"columns": columns}),
        Case(
            files={"a.csv": head_of("monthly_correlation.csv")}, words={"columns": stops, "statistic": "mean"}
        ),
    )


@cache
def event_files() -> tuple[Case, ...]:
    return (
        Case(
            files={"a.csv": (DEMO / "reference_events.csv").read_bytes()},
            words={"events": True, "columns": {}},
        ),
    )


def bent_reference(case: Case, chance: random.Random) -> Case:
    case = (
        bent_table(case, chance)
        if case.words["columns"]
        else replace(case, files={"a.csv": hostile_text.bent_text_file(case.files["a.csv"], chance)})
    )
    words = dict(case.words)
    if chance.random() < 0.1:
        words["section"] = chance.choice(hostile_text.CELLS[:120])
    if chance.random() < 0.1:
        words["statistic"] = chance.choice((None, "minimum", "last 3 stops", "mean"))
    return replace(case, words=words)


class _OneLedger:
    """A ledger that is used until it holds some records, then a new one; opening one takes longer than an import."""

    def __init__(self) -> None:
        self.ledger: Any = None
        self.left = 0

    def fresh(self) -> Any:
        import tempfile

        from repeatab.ledger.store import open_ledger

        if self.left <= 0:
            if self.ledger is not None:
                shutil.rmtree(Path(str(self.ledger)).parent)
            place = tempfile.mkdtemp(prefix="ledger", dir=memory_folder())
            self.ledger = open_ledger(Path(place) / "lab.sqlite", create=True)
            self.left = 25
        return self.ledger


_one = _OneLedger()


def take_in(case: Case, folder: Path) -> None:
    from repeatab.base.errors import RepeatabError
    from repeatab.ledger.importing import import_events, import_reference
    from repeatab.ledger.records import Stamp
    from repeatab.study.values import statistic_from

    ledger, words = _one.fresh(), case.words
    head, stamp = ledger.head(), Stamp(by="A. Tester", at=CLOCK)
    try:
        if words.get("events"):
            import_events(ledger, folder / "a.csv", stamp=stamp)
        else:
            statistic = statistic_from(words["statistic"]) if words.get("statistic") else None
            import_reference(
                ledger,
                next(folder / name for name in case.files),
                columns=words["columns"],
                stamp=stamp,
                options=options_of(words),
                section=words.get("section"),
                statistic=statistic,
            )
    except RepeatabError:
        assert ledger.head() == head, "the ledger grew by an import that was refused"
        raise
    _one.left -= 1


@cache
def ledgers() -> tuple[Case, ...]:
    import tempfile

    from repeatab.intake.events import Event
    from repeatab.ledger.importing import import_reference
    from repeatab.ledger.records import Stamp, of_event
    from repeatab.ledger.store import open_ledger

    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "lab.sqlite"
        ledger, stamp = open_ledger(place, create=True), Stamp(by="A. Tester", at=CLOCK)
        ledger.append(of_event(Event(day="2026-03-31", kind="repair", rig="R1")), stamp)
        (Path(name) / "a.csv").write_bytes(references()[0].files["a.csv"])
        import_reference(ledger, Path(name) / "a.csv", columns=references()[0].words["columns"], stamp=stamp)
        ledger.database.engine.dispose()
        return (Case(files={"lab.sqlite": place.read_bytes()}),)


def bent_ledger(case: Case, chance: random.Random) -> Case:
    """Bytes changed anywhere, or text that the database keeps changed for other text of the same length."""
    raw = case.files["lab.sqlite"]
    if chance.random() < 0.5:
        return replace(case, files={"lab.sqlite": hostile_text.bent_bytes(raw, chance)})
    places = [match.span() for match in re.finditer(rb"[ -~]{4,}", raw)]
    start, end = chance.choice(places)
    at = chance.randrange(start, end)
    much = min(end - at, chance.choice((1, 2, 8, 40)))
    new = bytes(chance.choice(b'{}[]":,0123456789eE+-.aZ \x00\xff') for _ in range(much))
    return replace(case, files={"lab.sqlite": raw[:at] + new + raw[at + much :]})


def look_into(_case: Case, folder: Path) -> None:
    from repeatab.ledger.export import What, csv_bytes, rows_of
    from repeatab.ledger.store import open_ledger
    from repeatab.ledger.verify import verify

    ledger = open_ledger(folder / "lab.sqlite")
    try:
        verify(ledger)
        for record in ledger.records():
            str(record)
        for what in (What.RECORDS, What.REFERENCE, What.EVENTS):
            csv_bytes(rows_of(ledger, what))
    finally:
        ledger.database.engine.dispose()
