"""The correlation check: do rigs agree?

In: run results (and, for diagnosis, the stops) and a CorrelationCheck question.  Out: an Outcome.
The rigs are fixed: the question is about exactly these. Pad sets are random; the sets are the units.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from repeatab.base.margin import Margin
from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import FRICTION, Quantity
from repeatab.intake.results import Results
from repeatab.jobs.comparison_layout import SetUse, Surroundings, comparison_layout
from repeatab.jobs.from_python import margin_of, read_columns
from repeatab.jobs.level_comparison import LevelComparison, compare_levels
from repeatab.jobs.level_figures import figures_of
from repeatab.jobs.level_influence import (
    influence_notes,
    influence_of,
    influence_sentence,
    influence_table,
)
from repeatab.jobs.level_outcome import (
    ONE_LOOK,
    blocked,
    common_limits,
    next_runs_of,
    notes_of,
    numbers_of,
    plans_of,
    scatters_of,
)
from repeatab.jobs.level_residuals import (
    residual_notes,
    residual_sentence,
    residuals_of,
    residuals_table,
)
from repeatab.jobs.level_scatter import LevelScatter
from repeatab.jobs.level_tables import Key, claim_name, offsets_table, runs_table, scatter_table, views_table
from repeatab.jobs.level_words import evidence_sentence, judgement_of, methods_of, scatter_sentence
from repeatab.jobs.offset_history import offset_past, with_past
from repeatab.jobs.past_offsets import PastOffsets
from repeatab.jobs.questions import Analysis, CorrelationCheck, RunCost, Section
from repeatab.jobs.stop_by_stop import overclaimed, stop_by_stop
from repeatab.jobs.wording import enumerated, plural
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.tables import Table
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.next_runs import MoreRuns

RIG = "rig"


def check_correlation(
    question: CorrelationCheck,
    results: Results,
    *,
    stops: Results | None = None,
    past: PastOffsets | None = None,
    title: str = "Correlation check",
    progress: Progress = silent,
) -> Outcome:
    """Compare rigs on their run results.

    Parameters
    ----------
    results : run results, one row per run and section, with columns for rig and pad set.
    stops : the stops behind them, if there are any; used to show what a test on stops would claim.
    past : what earlier months left behind, if a history is kept; shown beside this month, never judged with it.

    Raises
    ------
    StudyError
        A rig or section of the question is not in the results, or a deciding section has no margin.
    """
    how = comparison_layout(
        results,
        factor=RIG,
        pairs=question.pairs,
        sections=tuple(section.name for section in question.sections),
        beside=Surroundings(covariates=question.covariates),
    )
    comparison = compare_levels(
        blocked(how, results), question.sections, confidence=question.confidence, analysis=question.analysis
    )
    progress("comparing", 1, 3)
    scatter = scatters_of(comparison)
    planned = plans_of(comparison, cost=question.cost, seed=question.seed, progress=progress)
    found = _outcome(question, results, comparison, scatter, planned, stops, title)
    return found if past is None else with_past(found, offset_past(comparison, past, results.quantity))


def compare_rigs(
    data: Any,
    *,
    rig: Any,
    reference_rig: Any,
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
    quantity: Quantity = FRICTION,
    cost: RunCost | None = None,
) -> Outcome:
    """Compare two rigs from a dataframe or Results: the correlation check from Python.

    Parameters
    ----------
    data : Results, or a dataframe with one row per run (and section).
    rig, reference_rig : labels of the two rigs; the offset is the first against the second.
    margin : the largest difference that does not matter: a Margin, a number in the unit of the result, or one of
        these per section. Percent: `Margin(size=5, unit=MarginUnit.PERCENT)`.
    result, rig_column, pad_set, section, run_order, pad_lot : column names of a dataframe.
    inform : sections that only inform.

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
        rigs=(rig,), reference_rig=reference_rig, sections=sections, confidence=confidence, analysis=analysis,
        covariates=covariates, cost=cost or RunCost(),
    )  # fmt: skip
    return check_correlation(question, results)


def _outcome(
    question: CorrelationCheck,
    results: Results,
    comparison: LevelComparison,
    scatter: dict[Key, LevelScatter],
    planned: dict[Key, MoreRuns],
    stops: Results | None,
    title: str,
) -> Outcome:
    quantity, hours = results.quantity, question.cost.hours_per_set
    judgements = tuple(judgement_of(claim, comparison, quantity) for claim in comparison.claims)
    made = [offsets_table(comparison, quantity), runs_table(comparison.how)]
    if comparison.compared:
        made += [views_table(comparison), scatter_table(comparison, scatter)]
    trap = stop_by_stop(stops, comparison)
    rested, left = influence_of(comparison), residuals_of(comparison)
    made += [trap] if trap else []
    made += [influence_table(comparison, rested, quantity)] if rested else []
    made += [residuals_table(left)] if left else []
    sentences = (*influence_sentence(comparison, rested), *residual_sentence(left))
    return Outcome(
        job="correlation_check",
        title=title,
        headline=_headline(comparison),
        judgements=judgements,
        evidence=(*_evidence(comparison, scatter, trap), *sentences),
        cannot_tell=_cannot_tell(comparison),
        next_runs=next_runs_of(comparison, planned, hours_per_set=hours),
        tables=tuple(made),
        figures=figures_of(comparison, scatter, planned, quantity, hours),
        notes=(*notes_of(comparison), *influence_notes(comparison, rested), *residual_notes(left)),
        findings=results.findings,
        methods=methods_of(comparison, planned=bool(planned)),
        numbers=numbers_of(comparison),
        provenance=Provenance(inputs=results.inputs, seed=question.seed),
    )


def _headline(comparison: LevelComparison) -> Judgement:
    names = {
        verdict: list(
            dict.fromkeys(claim_name(c, comparison) for c in comparison.deciding if c.verdict is verdict)
        )
        for verdict in (Verdict.DIFFERENT, Verdict.UNDECIDED)
    }
    count = plural(len({claim.section.name for claim in comparison.deciding}), "deciding section")
    match comparison.verdict:
        case Verdict.UNDECIDED if comparison.confounded:
            reason = f"The difference cannot be told from something else: {comparison.confounded[0]}"
        case Verdict.DIFFERENT:
            reason = f"The rigs differ in {enumerated(names[Verdict.DIFFERENT])} (of {count}); one is enough."
        case Verdict.EQUIVALENT:
            reason = f"In all of {count} the offset is shown to lie inside the margin."
        case _:
            reason = (
                f"No deciding section shows a difference, but in {enumerated(names[Verdict.UNDECIDED])} the offset "
                "is not shown to lie inside the margin either."
            )
    return Judgement(
        subject=", ".join(pair.name for pair in comparison.how.pairs),
        verdict=comparison.verdict,
        qualifier=comparison.qualifier,
        reason=reason,
    )


def _evidence(
    comparison: LevelComparison, scatter: dict[Key, LevelScatter], trap: Table | None
) -> tuple[str, ...]:
    sections = list(dict.fromkeys(claim.section.name for claim in comparison.deciding))
    sentences = [
        *(evidence_sentence(pair) for pair in comparison.how.pairs),
        f"Decided by {enumerated(sections)} at {comparison.confidence:.0%} confidence, difference claims adjusted "
        "over all of these.",
        *scatter_sentence(comparison, scatter),
    ]
    wrong = [] if trap is None else overclaimed(trap)
    if wrong:
        sentences.append(
            f"A test on single stops would have claimed a difference in {enumerated(wrong)} as well; stops of one "
            "run are not independent results, so that claim is not made."
        )
    return tuple(sentences)


def _cannot_tell(comparison: LevelComparison) -> tuple[str, ...]:
    how = comparison.how
    found = [*common_limits(comparison)]
    if all(pair.use is SetUse.SPLIT for pair in how.pairs) and "operator" not in how.table.columns:
        found.append("Operators are not recorded, so an operator's share in an offset cannot be told.")
    found.append(
        "Which of the rigs reads true: a comparison shows an offset between them, not an error of either."
    )
    return (*found, ONE_LOOK)
