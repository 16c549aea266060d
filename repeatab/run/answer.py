"""Answering a study: its file's question put to its results, with what the ledger holds of the past.

In: a Study, and a ledger if there is one.  Out: the job's Outcome; `run_study` records it as well.
Not here: writing the report (report/), drawing progress (cli.py).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, assert_never

from repeatab.base.progress import Progress, silent
from repeatab.intake.results import Results
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.correlation.past_offsets import PastOffsets
from repeatab.jobs.lots.question import LotComparison
from repeatab.jobs.questions import CorrelationCheck, GaugeStudy
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.ready import FigureReady, not_yet_drawn
from repeatab.run.control import answer_control_study
from repeatab.run.evidence import hold_back, with_evidence_of_input
from repeatab.run.past import past_of, with_base_period, with_evidence_of_past
from repeatab.run.results import results_and_stops, run_results, study_results
from repeatab.study.loading import Study

if TYPE_CHECKING:
    from repeatab.cells import Cells
    from repeatab.ledger.records import Stamp
    from repeatab.ledger.store import Ledger


def run_study(
    study: Study,
    *,
    ledger: str | Path | None = None,
    stamp: Stamp | None = None,
    progress: Progress = silent,
) -> Outcome:
    """Read the results, condense stops to run results, ask the question; with a ledger, see the past and record.

    Parameters
    ----------
    ledger : file or URL of the ledger; the one that the study names under [history] if not given. Made if it is not
        there.
    stamp : who records the outcome, and when; this machine's user and clock if not given.

    Raises
    ------
    RepeatabError
        The results cannot be read (InputError), the study does not fit them (StudyError), the design cannot answer at
        all (LayoutError, EstimationError), or the ledger cannot be used (LedgerError).
    """
    opened = study_ledger(study, ledger)
    outcome = answer_study(study, ledger=opened, progress=progress)
    if opened is not None:
        from repeatab.ledger.outcomes import record_outcome
        from repeatab.ledger.records import Stamp

        record_outcome(opened, outcome, stamp or Stamp.now())
    return outcome


def study_ledger(study: Study, ledger: str | Path | None) -> Ledger | None:
    """The ledger that is named, or that the study names, open for writing; None if none is.

    Raises
    ------
    LedgerError
    """
    where = ledger if ledger is not None else study.history.ledger
    if where is None:
        return None
    from repeatab.ledger.entrance import enter

    # A study that takes its results from there does not make an empty one: the path is then misspelt.
    return enter(where, write=True, create=not study.history.takes.results)


def answer_study(
    study: Study,
    *,
    ledger: Ledger | None = None,
    progress: Progress = silent,
    ready: FigureReady = not_yet_drawn,
) -> Outcome:
    """The outcome of a study, with what an open ledger holds of the past; nothing is recorded.

    ready : is told of figures as soon as what they show is known, by jobs that know it before they are done.

    Raises
    ------
    RepeatabError
        See `run_study`.
    """
    if isinstance(study.question, RoundRobin):
        return _round_robin(study, study.question, progress)
    if isinstance(study.question, ControlChart):
        return answer_control_study(study, study.question, ledger, progress)
    read = results_and_stops(study, progress=progress)
    runs = with_base_period(study, run_results(study, read.results), ledger)
    past = past_of(study, ledger)
    outcome = replace(_answer(study, read.stops, runs, past, progress, ready), title=study.title)
    outcome = hold_back(with_evidence_of_input(outcome, study, runs))
    return outcome if ledger is None else with_evidence_of_past(outcome, study, ledger, past)


def _round_robin(study: Study, question: RoundRobin, progress: Progress) -> Outcome:
    from repeatab.jobs.round_robin import run_round_robin
    from repeatab.study.round_sources import round_sources

    sources = round_sources(study, lambda raw: run_results(raw, study_results(raw, progress=progress)))
    outcome = run_round_robin(
        question, sources.results, sources.shared, homogeneity_runs=sources.homogeneity,
        stability_runs=sources.stability, title=study.title, progress=progress,
    )  # fmt: skip
    return hold_back(with_evidence_of_input(outcome, study, sources.told))


def _answer(
    study: Study,
    stops: Results | Cells | None,
    runs: Results,
    past: PastOffsets | None,
    progress: Progress,
    ready: FigureReady,
) -> Outcome:
    match study.question:
        case CorrelationCheck() as question:
            from repeatab.jobs.correlation_check import check_correlation

            if past is None:
                return check_correlation(question, runs, stops=stops, progress=progress, ready=ready)
            return check_correlation(question, runs, stops=stops, past=past, progress=progress, ready=ready)
        case GaugeStudy() as question:
            from repeatab.jobs.gauge_study import run_gauge_study

            return run_gauge_study(question, runs, progress=progress)
        case LotComparison() as question:
            from repeatab.jobs.lot_comparison import compare_pad_lots

            return compare_pad_lots(question, runs, stops=stops, progress=progress)
        case Requalification() as question:
            from repeatab.jobs.requalification import requalify_rig

            return requalify_rig(question, runs, stops=stops, progress=progress)
        case RoundRobin() | ControlChart():
            raise AssertionError("these jobs read more than results and have a way of their own")
    assert_never(study.question)
