"""Running a study: its file's question put to its results.

In: a Study.  Out: the job's Outcome with what was read, checked and left out, and what repeating it needs.
Not here: writing the report (report/), drawing progress (cli.py).
"""

from __future__ import annotations

import os
import platform
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar, assert_never

import narwhals.stable.v2 as nw

from repeatab import __version__
from repeatab.base.errors import StudyError
from repeatab.base.files import fingerprint
from repeatab.base.notes import Note, NoteKind
from repeatab.base.progress import Progress, silent
from repeatab.intake.condense import SECTION, condense, holds_stops
from repeatab.intake.reading import read_results
from repeatab.intake.results import Results
from repeatab.intake.roles import STOPS
from repeatab.intake.statistics import Mean, Statistic
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.correlation.past_offsets import PastOffsets
from repeatab.jobs.lots.question import LotComparison
from repeatab.jobs.questions import CorrelationCheck, GaugeStudy
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.outcome.outcome import REACHED, DataFinding, InputFile, NextRuns, Outcome, Provenance
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict
from repeatab.study.loading import Study

if TYPE_CHECKING:
    from repeatab.intake.events import Event
    from repeatab.intake.machines import Machines
    from repeatab.jobs.charts.past_visits import PastVisits
    from repeatab.jobs.plans.question import SectionBelief
    from repeatab.ledger.records import Stamp
    from repeatab.ledger.store import Ledger

_T = TypeVar("_T")

LIBRARIES = ("numpy", "scipy", "pandas", "statsmodels", "pingouin", "narwhals")
"""The libraries whose version can change a digit."""


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


def plan_study(study: Study, *, ledger: str | Path | None = None, progress: Progress = silent) -> Outcome:
    """What the runs of a study should be, before there are any: its file's [plan].

    Raises
    ------
    StudyError
        The file has no [plan], or no layout can be run under its limits.
    InputError
        The earlier result that it names cannot be read.
    """
    from repeatab.jobs.plan_runs import plan_runs

    if study.plan is None:
        raise StudyError(
            f"{study.file}: 'plan' is missing. Say under [plan] what is believed of the scatter, what a run costs and "
            "what there is; `repeatab start` writes a study file that shows how."
        )
    outcome = plan_runs(
        study.question,
        beliefs=study.plan.beliefs(study.source.folder, _past_beliefs(study, ledger)),
        options=replace(study.plan.options(), form=study.plan.form(study.source, study.sections)),
        title=f"Plan: {study.title}",
        progress=progress,
    )
    settings = (
        *study.settings, ("study file", study.file), ("study file sha256", study.sha256), *_reached(study, ledger),
    )  # fmt: skip
    made = replace(
        outcome.provenance,
        inputs=_earlier_result(study),
        settings=settings,
        versions=versions(),
        as_of=study.as_of,
    )
    return replace(outcome, provenance=made)


def _earlier_result(study: Study) -> tuple[InputFile, ...]:
    """The result.json that a plan takes its beliefs from, as it stood when it was read."""
    assert study.plan is not None
    if study.plan.from_result is None:
        return ()
    path = study.source.folder / study.plan.from_result
    name = Path(os.path.relpath(path, study.source.folder)).as_posix()
    return (InputFile(name=name, sha256=fingerprint(path), rows=1),)


def _reached(study: Study, ledger: str | Path | None) -> tuple[tuple[str, str], ...]:
    """How far the ledger reached from which a plan takes its beliefs; a plan is not recorded in it."""
    assert study.plan is not None
    where = ledger if ledger is not None else study.history.ledger
    if not study.plan.from_ledger or where is None:
        return ()
    from repeatab.ledger.entrance import enter

    return ((REACHED, str(enter(where).head()[0])),)


def _past_beliefs(study: Study, ledger: str | Path | None) -> dict[str, SectionBelief] | None:
    """What gauge studies in the ledger found, where the plan asks for it."""
    assert study.plan is not None
    if not study.plan.from_ledger:
        return None
    where = ledger if ledger is not None else study.history.ledger
    if where is None:
        raise _no_ledger(study, "plan.from_ledger")
    from repeatab.jobs.plans.question import beliefs_by_section
    from repeatab.ledger.entrance import enter
    from repeatab.ledger.history import past_components

    found = past_components(enter(where), as_of=study.as_of, sections=study.sections)
    rows = [(one.section, one.source, one.sd, one.lower, one.upper) for one in found]
    return beliefs_by_section(rows, study.plan.level or 0.0)


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


def answer_study(study: Study, *, ledger: Ledger | None = None, progress: Progress = silent) -> Outcome:
    """The outcome of a study, with what an open ledger holds of the past; nothing is recorded.

    Raises
    ------
    RepeatabError
        See `run_study`.
    """
    if isinstance(study.question, RoundRobin):
        return _round_robin(study, study.question, progress)
    if isinstance(study.question, ControlChart):
        return _control_chart(study, study.question, ledger, progress)
    results = study_results(study, progress=progress)
    runs = _with_base(study, run_results(study, results), ledger)
    past = _past(study, ledger)
    outcome = replace(_answer(study, results, runs, past, progress), title=study.title)
    outcome = _hold_back(_with_evidence_of_input(outcome, study, runs))
    return outcome if ledger is None else _with_evidence_of_past(outcome, study, ledger, past)


def read_study(study: Study, *, progress: Progress = silent) -> str:
    """What the files of a study hold and what the checks found, in words; the question is not asked.

    Raises
    ------
    RepeatabError
        See `run_study`.
    """
    if isinstance(study.question, RoundRobin):
        from repeatab.study.round_sources import round_sources

        sources = round_sources(study, lambda raw: run_results(raw, study_results(raw, progress=progress)))
        read = [] if sources.results is None else [str(sources.results)]
        return "\n".join([*read, *(f"{table.name}: {table.cells}" for table in sources.shared)])
    if isinstance(study.question, ControlChart):
        return _read_control_study(study, study.question, progress)
    results = study_results(study, progress=progress)
    runs = run_results(study, results)
    return str(replace(results, findings=runs.findings, detected=runs.detected))


def _read_control_study(study: Study, question: ControlChart, progress: Progress) -> str:
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
    events, read = _events(study, ledger)
    where = [file.name for file in read] + ([str(ledger)] if ledger is not None else [])
    if where:
        lines.append(f"{len(events)} events from {' and '.join(where)}")
        lines += [f"  {event}" for event in events]
    return "\n".join(lines)


def _round_robin(study: Study, question: RoundRobin, progress: Progress) -> Outcome:
    from repeatab.jobs.round_robin import run_round_robin
    from repeatab.study.round_sources import round_sources

    sources = round_sources(study, lambda raw: run_results(raw, study_results(raw, progress=progress)))
    outcome = run_round_robin(
        question, sources.results, sources.shared, homogeneity_runs=sources.homogeneity,
        stability_runs=sources.stability, title=study.title, progress=progress,
    )  # fmt: skip
    return _hold_back(_with_evidence_of_input(outcome, study, sources.told))


def _control_chart(
    study: Study, question: ControlChart, ledger: Ledger | None, progress: Progress
) -> Outcome:
    """The charts with results from files or the ledger, the limits of earlier months and the events of both."""
    from repeatab.jobs.control_chart import run_control_chart

    files = None
    if study.source.files:
        files = run_results(study, study_results(study, progress=progress))
    results, noted = chart_results(study, question, ledger, files)
    question, said = _with_recorded_limits(study, question, ledger)
    events, read = _events(study, ledger)
    outcome = run_control_chart(question, results, events=events, title=study.title, progress=progress)
    outcome = replace(outcome, notes=(*outcome.notes, *said))
    found = _hold_back(_with_evidence_of_input(outcome, study, replace(noted, inputs=(*noted.inputs, *read))))
    return found if ledger is None else _with_evidence_of_past(found, study, ledger, None)


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
        raise _no_ledger(study, "results.from_ledger")
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
        raise _no_ledger(study, "base.from_ledger")
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


def _no_ledger(study: Study, key: str) -> StudyError:
    return StudyError(
        f"{study.file}: {key} is set, but no ledger is named. Name it under [history], ledger = "
        '"lab.sqlite", or with --ledger.'
    )


def _events(study: Study, ledger: Ledger | None) -> tuple[tuple[Event, ...], tuple[InputFile, ...]]:
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


def _with_base(study: Study, runs: Results, ledger: Ledger | None) -> Results:
    """A requalification whose results hold the time after only takes the time before from the ledger."""
    question = study.question
    if ledger is None or not isinstance(question, Requalification):
        return runs
    from repeatab.ledger.base_results import BaseDays, lacks_base, with_base

    if not lacks_base(runs, question):
        return runs
    days = BaseDays(since=study.history.base_since, until=study.history.base_until)
    return with_base(ledger, runs, question, days)


def _past(study: Study, ledger: Ledger | None) -> PastOffsets | None:
    if ledger is None or not isinstance(study.question, CorrelationCheck) or study.as_of is None:
        return None
    from repeatab.ledger.history import past_offsets

    pairs = [f"{a} against {b}" for a, b in study.question.pairs]
    return past_offsets(ledger, as_of=study.as_of, pairs=pairs)


def _with_evidence_of_past(
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


def study_results(study: Study, *, progress: Progress = silent) -> Results:
    """The checked results of a study, as its file says to read them.

    Raises
    ------
    InputError
        See `read_results`.
    """
    source = study.source
    if study.machines is not None:
        return _runs_from_machines(study, study.machines, progress)
    results = read_results(
        source.files,
        columns=source.columns,
        options=source.options,
        aliases=source.aliases,
        exclude=source.exclusions,
        quantity=source.quantity,
        relative_to=source.folder,
        progress=progress,
    )
    return results if results.has(SECTION) else _in_one_section(results, study.sections[0])


def _runs_from_machines(study: Study, machines: Machines, progress: Progress) -> Results:
    """The run results of a study whose files are read and condensed on several machines."""
    from repeatab.intake.spread import Order, joined_runs, read_on_machines, runs_in_several

    source = study.source
    order = Order(
        columns=dict(source.columns), options=source.options, aliases=source.aliases, exclude=source.exclusions,
        quantity=source.quantity, base=source.folder,
        make=CondensedPiece(sections=study.sections, statistics=dict(study.statistics)),
    )  # fmt: skip
    spread = read_on_machines(source.files, order, machines, groups=runs_in_several, progress=progress)
    return joined_runs(spread, study.sections)


@dataclass(frozen=True, slots=True, kw_only=True)
class CondensedPiece:
    """What a machine makes of the files it reads: the run results of the study's sections."""

    sections: tuple[str, ...]
    statistics: Mapping[str, Statistic]

    def __call__(self, results: Results) -> Results:
        if not results.has(SECTION):
            results = _in_one_section(results, self.sections[0])
        runs = condense(
            results, {name: self.statistics.get(name, Mean()) for name in self.sections}, part=True
        )
        return replace(runs, frame=runs.to_frame(), connection=None)


def _in_one_section(results: Results, section: str) -> Results:
    """Results without a section column are of the one section that the study names."""
    table = results.lazy().with_columns(nw.lit(section).alias(SECTION))
    frame = table.to_native() if results.is_lazy else table.collect(backend="pandas").to_native()
    return replace(results, frame=frame, factors=(*results.factors, SECTION))


def run_results(study: Study, results: Results) -> Results:
    """One result per run and section, by the statistics of the study.

    Raises
    ------
    StudyError
        A section holds several stops per run, and the study states no statistic for it.
    InputError
        See `condense`.
    """
    stated = study.statistics
    ways = {name: stated.get(name, Mean()) for name in study.sections}
    runs = results if results.has(STOPS) else condense(results, ways)
    several = runs.lazy().filter(nw.col(STOPS) > 1).select(SECTION).unique().collect()
    for name in sorted(str(level) for level in several[SECTION].to_list()):
        if name not in stated:
            raise StudyError(
                f"sections.{name}.statistic: is missing. The results hold several stops per run, and a "
                "verdict rests on one number per run. Take the number that your test standard or customer "
                'reports for this section: "mean", "minimum", "last 3 stops" or '
                '{ mean_over_conditions = ["20 bar", "40 bar"] }.'
            )
    return runs


def _single_stops(results: Results) -> Results | None:
    """The results where they are stops; results condensed on several machines have left theirs there."""
    return results if holds_stops(results) and not results.has(STOPS) else None


def _answer(
    study: Study, results: Results, runs: Results, past: PastOffsets | None, progress: Progress
) -> Outcome:
    match study.question:
        case CorrelationCheck() as question:
            from repeatab.jobs.correlation_check import check_correlation

            stops = _single_stops(results)
            if past is None:
                return check_correlation(question, runs, stops=stops, progress=progress)
            return check_correlation(question, runs, stops=stops, past=past, progress=progress)
        case GaugeStudy() as question:
            from repeatab.jobs.gauge_study import run_gauge_study

            return run_gauge_study(question, runs, progress=progress)
        case LotComparison() as question:
            from repeatab.jobs.lot_comparison import compare_pad_lots

            stops = _single_stops(results)
            return compare_pad_lots(question, runs, stops=stops, progress=progress)
        case Requalification() as question:
            from repeatab.jobs.requalification import requalify_rig

            stops = _single_stops(results)
            return requalify_rig(question, runs, stops=stops, progress=progress)
        case RoundRobin() | ControlChart():
            raise AssertionError("these jobs read more than results and have a way of their own")
    assert_never(study.question)


def _with_evidence_of_input(outcome: Outcome, study: Study, runs: Results) -> Outcome:
    """Add what reading found, detected and left out, and what is needed to get the same numbers again."""
    excluded = [Note(kind=NoteKind.EXCLUDED, text=f"Left out: {entry}.") for entry in runs.excluded]
    detected = [Note(kind=NoteKind.INPUT, text=f"{sentence}.") for sentence in runs.detected]
    return replace(
        outcome,
        findings=_each_once([*runs.findings, *outcome.findings]),
        notes=_each_once([*outcome.notes, *excluded, *detected]),
        provenance=Provenance(
            inputs=runs.inputs,
            settings=(*study.settings, ("study file", study.file), ("study file sha256", study.sha256)),
            seed=study.question.seed,
            versions=versions(),
            as_of=study.as_of,
        ),
    )


def versions() -> tuple[tuple[str, str], ...]:
    """The versions of this package, Python and the libraries that make the numbers."""
    libraries = tuple((name, metadata.version(name)) for name in LIBRARIES)
    return (("repeatab", __version__), ("python", platform.python_version()), *libraries)


def _each_once(items: Iterable[_T]) -> tuple[_T, ...]:
    return tuple(dict.fromkeys(items))


def _hold_back(outcome: Outcome) -> Outcome:
    """Where a finding forbids a verdict, every verdict becomes undecided, whatever the numbers say."""
    blocking = [finding for finding in outcome.findings if finding.blocks]
    if not blocking:
        return outcome
    reason = _reason(blocking)
    return replace(
        outcome,
        headline=_undecided(outcome.headline, reason),
        judgements=tuple(_undecided(judgement, reason) for judgement in outcome.judgements),
        evidence=(reason, *outcome.evidence),
        next_runs=NextRuns(
            sentence="No new runs: put the data right first, then run the study again. More runs do not help "
            "while results that were formed differently stand side by side."
        ),
    )


def _reason(blocking: list[DataFinding]) -> str:
    texts = " ".join(dict.fromkeys(finding.text for finding in blocking))
    return f"The data allow no verdict: {texts}"


def _undecided(judgement: Judgement, reason: str) -> Judgement:
    if judgement.verdict is Verdict.DESCRIBED:
        return judgement
    return replace(judgement, verdict=Verdict.UNDECIDED, qualifier=Qualifier.NONE, reason=reason)
