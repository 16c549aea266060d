"""The correlation check: do rigs agree?

In: run results (and, for diagnosis, the stops) and a CorrelationCheck question.  Out: an Outcome.
The rigs are fixed: the question is about exactly these. Pad sets are random; the sets are the units.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from repeatab.base.margin import Margin
from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import FRICTION, Quantity
from repeatab.cells import Cells
from repeatab.intake.results import Results
from repeatab.jobs.correlation.checks import analysis_method, scatter_notes
from repeatab.jobs.correlation.methods import extra_methods
from repeatab.jobs.correlation.offset_history import offset_past, with_past
from repeatab.jobs.correlation.past_offsets import PastOffsets
from repeatab.jobs.correlation.study import CorrelationFindings, correlation_findings
from repeatab.jobs.correlation.tables import tables_of
from repeatab.jobs.correlation.words import (
    cannot_tell,
    evidence,
    headline,
    judgements,
    next_runs,
)
from repeatab.jobs.from_python import margin_of, read_columns
from repeatab.jobs.levels.influence import influence_notes
from repeatab.jobs.levels.methods import methods_of
from repeatab.jobs.levels.outcome import notes_of, numbers_of
from repeatab.jobs.levels.residuals import residual_notes
from repeatab.jobs.questions import Analysis, CorrelationCheck, RunCost, Section
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.ready import FigureReady, not_yet_drawn


def check_correlation(
    question: CorrelationCheck,
    results: Results,
    *,
    stops: Results | Cells | None = None,
    past: PastOffsets | None = None,
    title: str = "Correlation check",
    progress: Progress = silent,
    ready: FigureReady = not_yet_drawn,
) -> Outcome:
    """Compare rigs on their run results.

    Parameters
    ----------
    results : run results, one row per run and section, with columns for rig and pad set.
    stops : the stops behind them or their cells, if there are any; used to show what a test on stops would claim.
    past : what earlier months left behind, if a history is kept; shown beside this month, never judged with it.
    ready : is told of each figure as soon as what it shows is known.

    Raises
    ------
    StudyError
        A rig or section of the question is not in the results, or a deciding section has no margin.
    """
    found = correlation_findings(question, results, stops, progress, ready)
    outcome = _outcome(question, results, found, title)
    if past is None:
        return outcome
    return with_past(outcome, offset_past(found.comparison, past, results.quantity))


def compare_rigs(
    data: Any,
    *,
    rig: Any,
    reference_rig: Any = None,
    margin: Margin | float | Mapping[str, Margin | float],
    result: str = "result",
    rig_column: str = "rig",
    pad_set: str = "pad_set",
    section: str | None = None,
    run_order: str | None = None,
    pad_lot: str | None = None,
    inform: tuple[str, ...] = (),
    confidence: float = 0.95,
    analysis: Analysis = Analysis.DIFFERENCE,
    covariates: tuple[str, ...] = (),
    looks: Sequence[int] = (),
    overall_margin: Margin | float | None = None,
    correction_valid_days: int | None = None,
    as_of: str | None = None,
    quantity: Quantity = FRICTION,
    cost: RunCost | None = None,
) -> Outcome:
    """Compare rigs from a dataframe or Results: the correlation check from Python.

    Parameters
    ----------
    data : Results, or a dataframe with one row per run (and section).
    rig, reference_rig : label of the rig (or a list of them) that is checked against the reference rig; with a list
        and no reference, every pair is compared. The offset is the first of a pair against the second.
    margin : the largest difference that does not matter: a Margin, a number in the unit of the result, or one of
        these per section. Percent: `Margin(size=5, unit=MarginUnit.PERCENT)`.
    result, rig_column, pad_set, section, run_order, pad_lot : column names of a dataframe.
    inform : sections that only inform.
    looks : declared numbers of sets per rig at which there may be a verdict; none for data judged once.
    overall_margin : of the offset formed set by set over all deciding sections, if it is not the one they share.
    correction_valid_days, as_of : how long a correction holds, and the day (ISO) from which that counts.

    Returns
    -------
    Outcome

    Raises
    ------
    StudyError, InputError
    """
    columns = {
        "result": result, "rig": rig_column, "pad_set": pad_set, "section": section,
        "run_order": run_order, "pad_lot": pad_lot,
    }  # fmt: skip
    if not isinstance(data, Results):
        data = read_columns(data, columns, quantity=quantity, covariates=covariates)
    results: Results = data
    names = results.levels("section") if "section" in results.factors else ("result",)
    sections = tuple(
        Section(name=str(name), margin=margin_of(margin, str(name)), decides=name not in inform)
        for name in names
    )
    question = CorrelationCheck(
        rigs=_labels(rig), reference_rig=reference_rig, sections=sections, confidence=confidence, analysis=analysis,
        covariates=covariates, looks=tuple(looks),
        overall_margin=None if overall_margin is None else margin_of(overall_margin, "overall"),
        correction_valid_days=correction_valid_days, as_of=as_of, cost=cost or RunCost(),
    )  # fmt: skip
    return check_correlation(question, results)


def _labels(rig: Any) -> tuple[Any, ...]:
    return tuple(rig) if isinstance(rig, list | tuple) else (rig,)


def _outcome(question: CorrelationCheck, results: Results, found: CorrelationFindings, title: str) -> Outcome:
    quantity, comparison = results.quantity, found.comparison
    return Outcome(
        job="correlation_check",
        title=title,
        headline=headline(found),
        judgements=judgements(found, quantity),
        evidence=evidence(found, quantity),
        cannot_tell=cannot_tell(found),
        next_runs=next_runs(found),
        tables=tables_of(found, quantity),
        figures=found.figures,
        notes=(
            *notes_of(comparison),
            *influence_notes(comparison, found.influences),
            *residual_notes(found.residuals),
            *scatter_notes(found.equal, found.relation),
        ),
        findings=results.findings,
        methods=(
            *methods_of(comparison, planned=bool(found.planned)),
            *extra_methods(found),
            *analysis_method(found.relation),
        ),
        numbers=numbers_of(found.shown),
        provenance=Provenance(inputs=results.inputs, seed=question.seed, as_of=question.as_of),
    )
