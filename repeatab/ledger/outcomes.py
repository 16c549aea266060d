"""Recording the outcome of a study: a rerun of the same study supersedes what it found before.

In: an Outcome, who and when.  Out: its Record.
"""

from __future__ import annotations

from typing import Any

from repeatab.base.notes import Note, NoteKind
from repeatab.jobs.charts.question import StatedLimits
from repeatab.ledger.history import stated_limits
from repeatab.ledger.records import Entry, Kind, Record, Stamp, of_limits, of_outcome
from repeatab.ledger.store import Ledger
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.tables import ColumnKind

_FILE = "study file"
_LEAST = 3
"""Points that stated limits have to rest on at least; fewer are not counted."""


def record_outcome(ledger: Ledger, outcome: Outcome, stamp: Stamp) -> Record:
    """Record an outcome, and with that of a control study the limits it found.

    An earlier outcome of the same study (job, subject, day it stands for, name of the study file) is superseded, so
    that a month counts once however often its study is run.

    Raises
    ------
    LedgerError
    """
    earlier = earlier_outcome(ledger, outcome)
    entry = of_outcome(outcome, supersedes=None if earlier is None else earlier.number)
    return ledger.append_all([entry, *_new_limits(ledger, outcome)], stamp)[0]


def _new_limits(ledger: Ledger, outcome: Outcome) -> list[Entry]:
    """The limits that a control study found, where they are not those in force already.

    Of each rig and section the latest regime, in the unit of the result; limits of ratios stay in the outcome only.
    """
    day = outcome.provenance.as_of
    if outcome.job != "control_chart" or day is None:
        return []
    known = set(stated_limits(ledger, as_of=day))
    found: dict[tuple[str, str], StatedLimits] = {}
    for table in outcome.tables:
        spread = [column for column in table.columns if column.key == "sd"]
        if table.key != "limits" or not spread or spread[0].kind is not ColumnKind.RESULT:
            continue
        for values in table.rows:
            row: dict[str, Any] = dict(zip((column.key for column in table.columns), values, strict=True))
            if row["centre"] is not None and row["sd"]:
                base = row["base"] if row["base"] is not None and row["base"] >= _LEAST else None
                found[row["rig"], row["section"]] = StatedLimits(
                    rig=row["rig"], section=row["section"], centre=row["centre"], sd=row["sd"], base=base,
                    within_sd=row["within"],
                )  # fmt: skip
    inputs = outcome.provenance.inputs
    return [of_limits(one, as_of=day, inputs=inputs) for one in found.values() if one not in known]


def earlier_outcome(ledger: Ledger, outcome: Outcome) -> Record | None:
    """The record of the same study, if it was run before."""
    made = outcome.provenance
    name = dict(made.settings).get(_FILE)
    for record in reversed(
        ledger.records(kinds=[Kind.OUTCOME], topic=outcome.job, current=True, bodies=False)
    ):
        if (record.subject, record.as_of) != (outcome.headline.subject, made.as_of):
            continue
        if dict(ledger.body(ledger.record(record.number))["settings"]).get(_FILE) == name:
            return record
    return None


def looked_before(ledger: Ledger, outcome: Outcome, *, looks_declared: bool) -> Note | None:
    """A caution where the same study was judged before on other data, and no looks were declared for it."""
    earlier = earlier_outcome(ledger, outcome)
    if earlier is None or looks_declared:
        return None
    before = {file["name"]: file["sha256"] for file in ledger.body(ledger.record(earlier.number))["inputs"]}
    now = {file.name: file.sha256 for file in outcome.provenance.inputs}
    if before == now:
        return None
    return Note(
        kind=NoteKind.CAUTION,
        text=f"This study was judged before, on other data (record {earlier.number}, {earlier.at[:10]}). Adding "
        "results and judging again raises the rate of wrong verdicts: the stated confidence no longer holds.",
        remedy="Declare the looks in the study file before the first one.",
    )
