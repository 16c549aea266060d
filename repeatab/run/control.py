"""A control study: results from files or the ledger, the limits of earlier months, the events of both.

In: a Study and an open ledger.  Out: the Outcome, or what was read, in words.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from repeatab.base.notes import Note, NoteKind
from repeatab.base.progress import Progress
from repeatab.intake.results import Results
from repeatab.jobs.charts.question import ControlChart
from repeatab.outcome.outcome import InputFile, Outcome
from repeatab.run.evidence import hold_back, with_evidence_of_input
from repeatab.run.past import no_ledger, with_evidence_of_past
from repeatab.run.results import run_results, study_results
from repeatab.study.loading import Study

if TYPE_CHECKING:
    from repeatab.intake.events import Event
    from repeatab.jobs.charts.past_visits import PastVisits
    from repeatab.ledger.store import Ledger


def answer_control_study(
    study: Study, question: ControlChart, ledger: Ledger | None, progress: Progress
) -> Outcome:
    """The charts with results from files or the ledger, the limits of earlier months and the events of both."""
    from repeatab.jobs.control_chart import run_control_chart

    files = None
    if study.source.files:
        files = run_results(study, study_results(study, progress=progress))
    results, noted = chart_results(study, question, ledger, files)
    question, said = _with_recorded_limits(study, question, ledger)
    events, read = events_of_study(study, ledger)
    outcome = run_control_chart(question, results, events=events, title=study.title, progress=progress)
    outcome = replace(outcome, notes=(*outcome.notes, *said))
    found = hold_back(with_evidence_of_input(outcome, study, replace(noted, inputs=(*noted.inputs, *read))))
    return found if ledger is None else with_evidence_of_past(found, study, ledger, None)


def read_control_study(study: Study, question: ControlChart, progress: Progress) -> str:
    """The results of a control study from files and the ledger that it names, and its events."""
    lines = []
    files = None
    if study.source.files:
        results = study_results(study, progress=progress)
        files = run_results(study, results)
        lines.append(str(replace(results, findings=files.findings, detected=files.detected)))
    ledger = None
    if study.history.ledger is not None:
        from repeatab.ledger.entrance import enter

        ledger = enter(study.history.ledger)
    if study.history.takes.results and ledger is None:
        lines.append(
            "- reference results come from the ledger that is named when the study is run (--ledger)"
        )
    elif study.history.takes.results:
        _, told = chart_results(study, question, ledger, files)
        lines += [
            f"- {sentence}" for sentence in told.detected if files is None or sentence not in files.detected
        ]
    events, read = events_of_study(study, ledger)
    where = [file.name for file in read] + ([str(ledger)] if ledger is not None else [])
    if where:
        lines.append(f"{len(events)} events from {' and '.join(where)}")
        lines += [f"  {event}" for event in events]
    return "\n".join(lines)


def chart_results(
    study: Study, question: ControlChart, ledger: Ledger | None, files: Results | None
) -> tuple[Results | PastVisits, Results]:
    """What a control study charts, and the Results that tell how it was read.

    Raises
    ------
    StudyError
        The study takes results from the ledger, and none is named.
    LedgerError, InputError
        See `results_of_the_ledger`.
    """
    if not study.history.takes.results:
        assert files is not None
        return files, files
    from repeatab.jobs.charts.past_visits import PastVisits
    from repeatab.ledger.chart_results import results_of_the_ledger

    if ledger is None:
        raise no_ledger(study, "results.from_ledger")
    found = results_of_the_ledger(
        ledger, question, quantity=study.source.quantity, until=study.as_of, files=files
    )
    if not isinstance(found, PastVisits):
        return found, found
    said = f"{sum(found.count)} reference results are from the ledger, as it keeps them by visit"
    told = Results(frame=None, quantity=found.quantity, factors=(), inputs=found.inputs, detected=(said,))
    return found, told


def _with_recorded_limits(
    study: Study, question: ControlChart, ledger: Ledger | None
) -> tuple[ControlChart, list[Note]]:
    """The question with the limits that earlier months froze, where the study takes them."""
    if not study.history.takes.limits:
        return question, []
    if ledger is None:
        raise no_ledger(study, "base.from_ledger")
    from repeatab.ledger.history import limits_for

    assert study.as_of is not None
    limits = limits_for(ledger, question, quantity=study.source.quantity.key, before=study.as_of)
    said = []
    if not limits:
        text = (
            f"The ledger holds no limits from before {study.as_of}: they are formed from the base period, recorded "
            "with this outcome, and stay frozen from the next month on."
        )
        said.append(Note(kind=NoteKind.ASSUMPTION, text=text))
    return replace(question, limits=(*question.limits, *limits)), said


def events_of_study(study: Study, ledger: Ledger | None) -> tuple[tuple[Event, ...], tuple[InputFile, ...]]:
    events: list[Event] = []
    files: tuple[InputFile, ...] = ()
    if study.events is not None:
        from repeatab.intake.events import read_events

        source = study.events
        read, file = read_events(source.file, columns=source.columns, relative_to=study.source.folder)
        events, files = list(read), (file,)
    if ledger is not None:
        from repeatab.ledger.history import events_of

        events += events_of(ledger, until=study.as_of)
    return tuple(sorted(dict.fromkeys(events), key=lambda event: event.day)), files
