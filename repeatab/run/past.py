"""What the ledger holds of the past of a study, and the evidence that an outcome drew on it.

In: a Study and an open ledger.  Out: past offsets, results with a base period, an Outcome that says what it drew on.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from repeatab.base.errors import StudyError
from repeatab.base.notes import Note, NoteKind
from repeatab.intake.results import Results
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.correlation.past_offsets import PastOffsets
from repeatab.jobs.questions import CorrelationCheck
from repeatab.jobs.requalifying.question import Requalification
from repeatab.outcome.outcome import Outcome
from repeatab.study.loading import Study

if TYPE_CHECKING:
    from repeatab.ledger.store import Ledger


def past_of(study: Study, ledger: Ledger | None) -> PastOffsets | None:
    if ledger is None or not isinstance(study.question, CorrelationCheck) or study.as_of is None:
        return None
    from repeatab.ledger.history import past_offsets

    pairs = [f"{a} against {b}" for a, b in study.question.pairs]
    return past_offsets(ledger, as_of=study.as_of, pairs=pairs)


def with_base_period(study: Study, runs: Results, ledger: Ledger | None) -> Results:
    """A requalification whose results hold the time after only takes the time before from the ledger."""
    question = study.question
    if ledger is None or not isinstance(question, Requalification):
        return runs
    from repeatab.ledger.base_results import BaseDays, lacks_base, with_base

    if not lacks_base(runs, question):
        return runs
    days = BaseDays(since=study.history.base_since, until=study.history.base_until)
    return with_base(ledger, runs, question, days)


def with_evidence_of_past(
    outcome: Outcome, study: Study, ledger: Ledger, past: PastOffsets | None
) -> Outcome:
    """Add on which records the outcome draws, and what the ledger tells of earlier looks at this study."""
    from repeatab.ledger.history import events_with_records, fingerprint_of
    from repeatab.ledger.outcomes import looked_before

    drawn_on = () if past is None else past.records
    if isinstance(study.question, ControlChart):
        drawn_on = tuple(number for number, _ in events_with_records(ledger))
    settings = fingerprint_of(ledger, drawn_on)
    again = looked_before(ledger, outcome, looks_declared=bool(getattr(study.question, "looks", ())))
    notes = [] if again is None else [again]
    if isinstance(study.question, CorrelationCheck) and study.as_of is None:
        text = "The months before are not shown, because the study does not say which day it stands for."
        notes.append(Note(kind=NoteKind.INPUT, text=text, remedy="State as_of in the study file."))
    made = replace(outcome.provenance, settings=(*outcome.provenance.settings, *settings))
    return replace(outcome, notes=(*outcome.notes, *notes), provenance=made)


def no_ledger(study: Study, key: str) -> StudyError:
    return StudyError(
        f"{study.file}: {key} is set, but no ledger is named. Name it under [history], ledger = "
        '"lab.sqlite", or with --ledger.'
    )
