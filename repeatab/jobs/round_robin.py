"""The round robin: how precise is the method across laboratories, and how does each of them stand?

In: run results and cells of several laboratories and a RoundRobin question.  Out: an Outcome, or, from Python
with a frame, the analysis itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import FRICTION, Quantity
from repeatab.cell_files import CellTable
from repeatab.cells import Cells
from repeatab.intake.results import Results
from repeatab.interlab.precision import LIMIT_FACTOR
from repeatab.jobs.rounds import side_tables as side
from repeatab.jobs.rounds import tables
from repeatab.jobs.rounds import words as round_words
from repeatab.jobs.rounds.analysis import RoundAnalysis, analyse
from repeatab.jobs.rounds.figures import organiser_figures
from repeatab.jobs.rounds.gathering import round_data
from repeatab.jobs.rounds.methods import methods
from repeatab.jobs.rounds.notes import notes
from repeatab.jobs.rounds.numbers import numbers
from repeatab.jobs.rounds.participants import participants
from repeatab.jobs.rounds.question import RoundRobin, SingleResults, single_results_from
from repeatab.jobs.rounds.study import RoundStudy, work_through
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.tables import Table

_STEPS = 2


def run_round_robin(
    question: RoundRobin,
    results: Results | None,
    shared: Sequence[CellTable] = (),
    *,
    homogeneity_runs: Results | None = None,
    stability_runs: Results | None = None,
    title: str = "Round robin",
    progress: Progress = silent,
) -> Outcome:
    """Analyse a round robin.

    Parameters
    ----------
    results : run results with laboratory (and level or section); None where every laboratory gave cells.
    shared : cells of laboratories that gave no results, in any mixture.
    homogeneity_runs, stability_runs : the organiser's own checks of a distributed lot.

    Raises
    ------
    StudyError, InputError, EstimationError
        See `work_through`.
    """
    progress("analysing", 0, _STEPS)
    study = work_through(
        question, results, shared, homogeneity_runs=homogeneity_runs, stability_runs=stability_runs
    )
    progress("putting together", 1, _STEPS)
    names = {laboratory: str(laboratory) for laboratory in study.data.laboratories}
    return Outcome(
        job="round_robin",
        title=title,
        headline=round_words.headline(study),
        judgements=round_words.judgements(study),
        evidence=round_words.evidence(study),
        cannot_tell=round_words.cannot_tell(study),
        tables=_tables(study),
        figures=organiser_figures(study, names),
        notes=notes(study),
        findings=study.findings,
        methods=methods(study),
        numbers=numbers(study),
        participants=participants(study),
        provenance=Provenance(inputs=study.inputs, seed=question.seed),
    )


def _tables(study: RoundStudy) -> tuple[Table, ...]:
    names = {laboratory: str(laboratory) for laboratory in study.data.laboratories}
    scores = () if study.scores is None else study.scores.scores
    return tables.made(
        [
            tables.precision_table(study),
            tables.intervals_table(study),
            side.assigned_table(study),
            side.scores_table(study, scores, str),
            tables.consistency_table(study, names),
            tables.steps_table(study),
            tables.dependence_table(study),
            tables.relative_table(study),
            side.drift_table(study),
            side.lot_table(study),
            side.components_table(study),
            side.intermediate_table(study),
            side.codes_table(study),
        ]
    )


def round_robin(
    frame: Any = None,
    *,
    result: str = "result",
    laboratory: str = "laboratory",
    level: str | None = None,
    cells: Sequence[CellTable | Cells] = (),
    confidence: float = 0.95,
    limit_factor: float = LIMIT_FACTOR,
    single_results: SingleResults | str = SingleResults.LEFT_OUT,
    quantity: Quantity = FRICTION,
) -> RoundAnalysis:
    """Analyse a round robin from Python.

    Parameters
    ----------
    frame : a dataframe with one row per result, or Results; None where all is in `cells`.
    result, laboratory, level : columns of a dataframe; without `level` all results are of one level.
    cells : cells of laboratories that gave no results (`repeatab.read_cell_file`), with the factors "laboratory" and
        "level" and the value "result".
    confidence : of the intervals. limit_factor : multiplies s_r and s_R to the limits r and R.
    single_results : "left out" (a single result beside repeated ones of others, as in the worked example of
        ISO 5725-2, B.2) or "counted".

    Returns
    -------
    RoundAnalysis, with the frames `precision`, `robust` (index level; laboratories, results, mean, s_r, s_L, s_R,
    r_limit, R_limit), `consistency` (laboratory, level, h, k), `outlier_tests` (test, level, laboratory, statistic,
    critical_5, critical_1, decision), and `steps`, `intervals`, `precision_with_exclusion`, `q_hampel`.

    Raises
    ------
    InputError, StudyError, EstimationError
        The table cannot be used, or no level holds results of two laboratories.

    References
    ----------
    ISO 5725-2:1994; ISO 5725-5:1998; ISO 13528:2022.
    """
    question = RoundRobin(
        confidence=confidence,
        limit_factor=limit_factor,
        single_results=single_results_from(single_results),
    )
    results = None
    if frame is not None:
        results = frame if isinstance(frame, Results) else _read(frame, result, laboratory, level, quantity)
    shared = [
        one if isinstance(one, CellTable) else CellTable(name=f"cells {number}", cells=one)
        for number, one in enumerate(cells, start=1)
    ]
    return analyse(question, round_data(question, results, shared))


def _read(frame: Any, result: str, laboratory: str, level: str | None, quantity: Quantity) -> Results:
    from repeatab.intake.reading import read_results

    named = {"result": result, "laboratory": laboratory, "level": level}
    columns = {role: column for role, column in named.items() if column is not None}
    return read_results(frame, columns=columns, quantity=quantity)
