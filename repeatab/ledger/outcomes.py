"""Recording the outcome of a study: a rerun of the same study supersedes what it found before.

In: an Outcome, who and when.  Out: its Record.
"""

from __future__ import annotations

from repeatab.base.notes import Note, NoteKind
from repeatab.ledger.records import Kind, Record, Stamp, of_outcome
from repeatab.ledger.store import Ledger
from repeatab.outcome.outcome import Outcome

_FILE = "study file"


def record_outcome(ledger: Ledger, outcome: Outcome, stamp: Stamp) -> Record:
    """Record an outcome.

    An earlier outcome of the same study (job, subject, day it stands for, name of the study file) is superseded, so
    that a month counts once however often its study is run.

    Raises
    ------
    LedgerError
    """
    earlier = earlier_outcome(ledger, outcome)
    return ledger.append(of_outcome(outcome, supersedes=None if earlier is None else earlier.number), stamp)


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
