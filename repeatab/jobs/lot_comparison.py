"""The lot comparison: is a difference between pad lots real, and does it matter?

In: run results (and, for diagnosis, the stops) and a LotComparison question.  Out: an Outcome.
The lots are fixed: the question is about exactly these. Pad sets are random and nested in lots; the sets are the
units. Rigs are blocks, or a sample of rigs, as the question says.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin
from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import FRICTION, Quantity
from repeatab.cells import Cells
from repeatab.intake.results import Results
from repeatab.intake.roles import STOPS, Role
from repeatab.jobs.from_python import margin_of, read_columns
from repeatab.jobs.levels.figures import figures_of
from repeatab.jobs.levels.influence import influence_notes, influence_table
from repeatab.jobs.levels.methods import methods_of
from repeatab.jobs.levels.outcome import notes_of, numbers_of
from repeatab.jobs.levels.residuals import residual_notes, residuals_table
from repeatab.jobs.levels.tables import level_text, offsets_table, runs_table, scatter_table, views_table
from repeatab.jobs.levels.wear import wear_table
from repeatab.jobs.levels.words import judgement_of
from repeatab.jobs.lots.methods import extra_methods
from repeatab.jobs.lots.percentage import percentage_table
from repeatab.jobs.lots.question import LotComparison, LotSection, RigsAs, StatedUncertainty
from repeatab.jobs.lots.specification import judgements_of, specification_table
from repeatab.jobs.lots.study import LotStudy, lot_study
from repeatab.jobs.lots.words import cannot_tell, evidence, headline, next_runs, pair_judgements
from repeatab.jobs.questions import Analysis, RunCost, Tolerance
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.tables import Table


def compare_pad_lots(
    question: LotComparison,
    results: Results,
    *,
    stops: Results | Cells | None = None,
    title: str = "Lot comparison",
    progress: Progress = silent,
) -> Outcome:
    """Compare pad lots on their run results.

    Parameters
    ----------
    results : run results, one row per run and section, with columns for pad lot and pad set; a rig column where
        several rigs ran.
    stops : the stops behind them or their cells, if there are any; used to show what a test on stops would claim.

    Raises
    ------
    StudyError
        A lot, section or column of the question is not in the results, or a deciding section has no margin.
    """
    study = lot_study(question, results, stops, progress)
    comparison, quantity, hours = study.comparison, results.quantity, question.cost.hours_per_set
    claims = [judgement_of(claim, comparison, quantity) for claim in comparison.claims]
    return Outcome(
        job="lot_comparison",
        title=title,
        headline=headline(study),
        judgements=(*pair_judgements(study), *claims, *judgements_of(study.conformities)),
        evidence=evidence(study),
        cannot_tell=cannot_tell(study),
        next_runs=next_runs(study),
        tables=_tables(study, quantity),
        figures=figures_of(comparison, study.scatter, study.planned, quantity, hours),
        notes=(
            *notes_of(comparison),
            *influence_notes(comparison, study.influences),
            *residual_notes(study.residuals),
        ),
        findings=results.findings,
        methods=(*methods_of(comparison, planned=bool(study.planned)), *extra_methods(study)),
        numbers=numbers_of(comparison),
        provenance=Provenance(inputs=results.inputs, seed=question.seed),
    )


def _tables(study: LotStudy, quantity: Quantity) -> tuple[Table, ...]:
    question, comparison = study.question, study.comparison
    found = [offsets_table(comparison, quantity), runs_table(comparison.how)]
    if study.conformities:
        found.append(_at_look(specification_table(study.conformities, quantity, study.one_sided), study))
    if question.percent_of_reference is not None and not study.look.between:
        spent = replace(comparison, confidence=study.one_sided)
        found.append(_at_look(percentage_table(spent, question.percent_of_reference), study))
    if study.trap is not None:
        found.append(study.trap)
    if study.influences:
        found.append(influence_table(comparison, study.influences, quantity))
    if study.trends:
        found.append(
            wear_table(
                study.trends,
                question.analysis,
                quantity,
                level=question.confidence,
                removed=study.wear_removed,
            )
        )
    if comparison.compared and not study.look.between:
        found.append(views_table(comparison))
    if comparison.compared:
        found.append(scatter_table(comparison, study.scatter))
    if study.residuals:
        found.append(residuals_table(study.residuals))
    if study.look.table is not None:
        found.append(study.look.table)
    return tuple(found)


def _at_look(table: Table, study: LotStudy) -> Table:
    """At a declared look the captions round too much: the confidence in full."""
    if study.look.position is None:
        return table
    level = level_text(study.one_sided)
    remark = f"At this look each claim is made at {level} (one-sided), so that looking again is paid for."
    return replace(table, remarks=(*table.remarks, remark))


def compare_lots(
    data: Any,
    *,
    lots: Sequence[Any],
    margin: Margin | float | Mapping[str, Margin | float],
    reference: Any | None = None,
    result: str = "result",
    pad_lot: str = "pad_lot",
    pad_set: str = "pad_set",
    rig: str | None = None,
    section: str | None = None,
    run: str | None = None,
    run_order: str | None = None,
    time: str | None = None,
    inform: tuple[str, ...] = (),
    rigs: RigsAs = RigsAs.BLOCKS,
    blocks: tuple[str, ...] = (),
    confidence: float = 0.95,
    analysis: Analysis = Analysis.DIFFERENCE,
    covariates: tuple[str, ...] = (),
    remove_wear: bool | None = None,
    specification: Tolerance | Mapping[str, Tolerance] | None = None,
    guard: StatedUncertainty | None = None,
    percent_of_reference: float | None = None,
    looks: Sequence[int] = (),
    quantity: Quantity = FRICTION,
    cost: RunCost | None = None,
) -> Outcome:
    """Compare pad lots from a dataframe or Results: the lot comparison from Python.

    Parameters
    ----------
    data : Results of runs, or a dataframe with one row per run (and section).
    lots, reference : labels of the lots and of the one they are compared with; without it every pair of `lots`.
    margin : the largest difference that does not matter: a Margin, a number in the unit of the result, or one of
        these per section. Percent: `Margin(size=5, unit=MarginUnit.PERCENT)`.
    result, pad_lot, pad_set, rig, section, run, run_order, time : column names of a dataframe.
    inform : sections that only inform.
    rigs : as blocks (the verdict is about these rigs) or random (about rigs of which these are a sample).
    blocks : further label columns that the lots share, such as the disc batch.
    remove_wear : whether a trend with the runs of a set is taken out; None where the lots' runs lie unequally.
    specification, guard : limits (one for all sections, or per section) and what the guard band is made of.
    percent_of_reference : asks for the percentage comparison with the reference lot, such as 15.
    looks : declared numbers of pad sets per lot at which there may be a verdict; none for data judged once.

    Returns
    -------
    Outcome

    Raises
    ------
    StudyError, InputError
    """
    columns = {
        "result": result, "pad_lot": pad_lot, "pad_set": pad_set, "rig": rig, "section": section, "run": run,
        "run_order": run_order, "time": time,
    }  # fmt: skip
    if not isinstance(data, Results):
        data = read_columns(data, columns, quantity=quantity, covariates=covariates, factors=blocks)
    results: Results = data
    _refuse_stops(results)
    names = results.levels("section") if results.has("section") else ("result",)
    question = LotComparison(
        lots=tuple(lots),
        reference_lot=reference,
        sections=tuple(
            LotSection(
                name=str(name),
                margin=margin_of(margin, str(name)),
                decides=name not in inform,
                specification=_specification_of(specification, str(name)),
            )
            for name in names
        ),
        confidence=confidence, analysis=analysis, rigs=rigs, blocks=blocks, covariates=covariates,
        remove_wear=remove_wear, guard=guard, percent_of_reference=percent_of_reference, looks=tuple(looks),
        cost=cost or RunCost(),
    )  # fmt: skip
    return compare_pad_lots(question, results)


def _specification_of(stated: Tolerance | Mapping[str, Tolerance] | None, section: str) -> Tolerance | None:
    return stated.get(section) if isinstance(stated, Mapping) else stated


def _refuse_stops(results: Results) -> None:
    """Single stops are not results of a run; taken as such they would claim far too much."""
    if results.has(Role.STOP.value) and not results.has(STOPS):
        raise StudyError(
            "the results hold single stops. A lot is judged by run results: say for each section how the stops of a "
            "run become one number, with condense(results, ...), and compare those."
        )
