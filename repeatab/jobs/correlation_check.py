"""The correlation check: do two rigs agree?

In: run results (and, for diagnosis, the stops) and a CorrelationCheck question.  Out: an Outcome.
The two rigs are fixed: the question is about exactly these. Pad sets are random; the sets are the units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.base.notes import Note, NoteKind
from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import FRICTION, Quantity
from repeatab.intake.results import Results
from repeatab.jobs import level_tables as tables
from repeatab.jobs.comparison_layout import ComparisonLayout, SetUse, comparison_layout
from repeatab.jobs.level_comparison import LevelComparison, compare_levels
from repeatab.jobs.level_planning import more_runs
from repeatab.jobs.level_scatter import LevelScatter, level_scatter
from repeatab.jobs.level_words import judgement_of, methods_of, scatter_sentence
from repeatab.jobs.questions import Analysis, CorrelationCheck, RunCost, Section
from repeatab.jobs.stop_by_stop import stop_by_stop
from repeatab.jobs.wording import enumerated, plural, probability
from repeatab.outcome.outcome import NextRuns, Outcome, Provenance
from repeatab.outcome.tables import Table
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.next_runs import MoreRuns

RIG = "rig"


def check_correlation(
    question: CorrelationCheck,
    results: Results,
    *,
    stops: Results | None = None,
    title: str = "Correlation check",
    progress: Progress = silent,
) -> Outcome:
    """Compare two rigs on their run results.

    Parameters
    ----------
    results : run results, one row per run and section, with columns for rig and pad set.
    stops : the stops behind them, if there are any; used to show what a test on stops would claim.

    Raises
    ------
    StudyError
        A rig or section of the question is not in the results, or a deciding section has no margin.
    """
    how = comparison_layout(
        results, factor=RIG, a=question.rig, b=question.reference_rig,
        sections=tuple(section.name for section in question.sections), covariates=question.covariates,
    )  # fmt: skip
    how = _with_blocks(how, results)
    comparison = compare_levels(
        how, question.sections, confidence=question.confidence, analysis=question.analysis
    )
    progress("comparing", 1, 3)
    scatter = {
        part.section.name: level_scatter(part.block, how, level=question.confidence)
        for part in comparison.sections
        if part.block is not None and part.trouble is None
    }
    planned = _planned(comparison, question, progress)
    return _outcome(question, results, comparison, scatter, planned, stops, title)


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
    results = data if isinstance(data, Results) else _read(
        data, quantity, covariates,
        {"result": result, "rig": rig_column, "pad_set": pad_set, "section": section,
         "run_order": run_order, "pad_lot": pad_lot},
    )  # fmt: skip
    names = results.levels("section") if "section" in results.factors else ("result",)
    sections = tuple(
        Section(name=str(name), margin=_margin_of(margin, str(name)), decides=name not in inform)
        for name in names
    )
    question = CorrelationCheck(
        rig=rig, reference_rig=reference_rig, sections=sections, confidence=confidence, analysis=analysis,
        covariates=covariates, cost=cost or RunCost(),
    )  # fmt: skip
    return check_correlation(question, results)


def _read(
    data: Any, quantity: Quantity, covariates: tuple[str, ...], columns: dict[str, str | None]
) -> Results:
    from repeatab.intake.reading import read_results

    named = {role: column for role, column in columns.items() if column is not None}
    return read_results(data, columns=named | {name: name for name in covariates}, quantity=quantity)


def _margin_of(margin: Margin | float | Mapping[str, Margin | float], section: str) -> Margin:
    chosen = margin.get(section) if isinstance(margin, Mapping) else margin
    if chosen is None:
        raise StudyError(
            f"margin: none is given for section '{section}'. Give one, or leave the section out."
        )
    return chosen if isinstance(chosen, Margin) else Margin(size=float(chosen), unit=MarginUnit.ABSOLUTE)


def _with_blocks(how: ComparisonLayout, results: Results) -> ComparisonLayout:
    """Findings of the intake that forbid a verdict join the reasons why the comparison cannot be told."""
    return replace(how, confounded=(*how.confounded, *(finding.text for finding in results.blocks)))


def _planned(
    comparison: LevelComparison, question: CorrelationCheck, progress: Progress
) -> dict[str, MoreRuns]:
    """What to run next for every deciding section that is undecided, unless more of the same cannot help."""
    if comparison.how.confounded:
        return {}
    open_parts = [
        part for part in comparison.deciding
        if part.trouble is None and part.bounds is not None and part.verdict is Verdict.UNDECIDED
    ]  # fmt: skip
    found = {}
    for i, part in enumerate(open_parts):
        progress("what to run next", i, len(open_parts))
        found[part.section.name] = more_runs(
            part, comparison.how, confidence=question.confidence, cost=question.cost, seed=question.seed
        )
    return found


def _outcome(
    question: CorrelationCheck,
    results: Results,
    comparison: LevelComparison,
    scatter: dict[str, LevelScatter],
    planned: dict[str, MoreRuns],
    stops: Results | None,
    title: str,
) -> Outcome:
    quantity = results.quantity
    judgements = tuple(judgement_of(part, comparison, quantity) for part in comparison.sections)
    made = [tables.offsets_table(comparison, quantity), tables.runs_table(comparison.how)]
    if any(part.pairs for part in comparison.sections):
        made.append(tables.views_table(comparison))
    if scatter:
        made.append(tables.scatter_table(comparison, scatter))
    trap = _trap(comparison, stops)
    return Outcome(
        job="correlation_check",
        title=title,
        headline=_headline(comparison, judgements),
        judgements=judgements,
        evidence=_evidence(comparison, scatter, trap),
        cannot_tell=_cannot_tell(comparison),
        next_runs=_next_runs(comparison, planned, question.cost),
        tables=tuple([*made, *([trap] if trap else [])]),
        figures=tables.figures_of(comparison, scatter, planned, quantity, question.cost.hours_per_set),
        notes=_notes(comparison),
        findings=results.findings,
        methods=methods_of(comparison, planned=bool(planned)),
        numbers=_numbers(comparison),
        provenance=Provenance(inputs=results.inputs, seed=question.seed),
    )


def _trap(comparison: LevelComparison, stops: Results | None) -> Table | None:
    how = comparison.how
    compared = [part for part in comparison.sections if part.trouble is None]
    per_section = how.table.groupby("section")["pad_set"].nunique()
    return stop_by_stop(
        stops, factor=how.factor, a=how.a, b=how.b,
        verdicts={part.section.name: part.verdict.value for part in compared},
        sets={part.section.name: int(per_section[part.section.name]) for part in compared},
    )  # fmt: skip


def _headline(comparison: LevelComparison, judgements: tuple[Judgement, ...]) -> Judgement:
    how = comparison.how
    subject = f"{how.a} against {how.b}"
    deciding = [j for j in judgements if j.decides]
    count = plural(len(deciding), "deciding section")
    if how.confounded:
        reason = f"The difference cannot be told from something else: {how.confounded[0]}"
    elif comparison.verdict is Verdict.DIFFERENT:
        names = [j.subject for j in deciding if j.verdict is Verdict.DIFFERENT]
        reason = f"The rigs differ in {enumerated(names)} ({len(names)} of {count}); one is enough."
    elif comparison.verdict is Verdict.EQUIVALENT:
        reason = f"In all of {count} the offset is shown to lie inside the margin."
    else:
        names = [j.subject for j in deciding if j.verdict is Verdict.UNDECIDED]
        reason = (
            f"No deciding section shows a difference, but in {enumerated(names)} the offset is not shown to lie "
            "inside the margin either."
        )
    return Judgement(
        subject=subject, verdict=comparison.verdict, qualifier=comparison.qualifier, reason=reason
    )


def _evidence(
    comparison: LevelComparison, scatter: dict[str, LevelScatter], trap: Table | None
) -> tuple[str, ...]:
    how = comparison.how
    words = {
        SetUse.SPLIT: f"Independent evidence: {plural(how.sets_a, 'pad set')} on {how.a} and {how.sets_b} on "
        f"{how.b}; no set ran on both.",
        SetUse.SAME: f"Independent evidence: {plural(how.sets_both, 'pad set')}, each run on both rigs, "
        f"{sum(how.a_first.values())} of them on {how.a} first.",
        SetUse.MIXTURE: f"Independent evidence: {plural(how.sets_both, 'pad set')} on both rigs, "
        f"{how.sets_a - how.sets_both} on {how.a} only, {how.sets_b - how.sets_both} on {how.b} only.",
    }
    sentences = [words[how.use]]
    sentences += [
        f"Decided by {enumerated([p.section.name for p in comparison.deciding])} at {comparison.confidence:.0%} "
        "confidence, difference claims adjusted over these sections (Holm)."
    ]
    sentences += [*scatter_sentence(scatter, str(how.a), str(how.b), comparison.confidence)]
    if trap is not None:
        wrong = [str(row[0]) for row in trap.rows if row[3] == "different" and "different" not in str(row[5])]
        if wrong:
            sentences.append(
                f"A test on single stops would have claimed a difference in {enumerated(wrong)} as well; stops of "
                "one run are not independent results, so that claim is not made."
            )
    return tuple(sentences)


def _cannot_tell(comparison: LevelComparison) -> tuple[str, ...]:
    how = comparison.how
    found = [*how.confounded, *how.set_aside]
    found += [f"{p.section.name}: {p.trouble}" for p in comparison.sections if p.trouble is not None]
    mixed = [p for p in comparison.sections if p.pairs and p.pooled.fit.layout.mixed_together]
    if mixed:
        group = mixed[0].pooled.fit.layout.mixed_together[0]
        names = [name.replace("pad_set", "pad set") for name in group]
        found.append(
            f"The scatter of {enumerated(names)} is one number in this design: it carries the intervals, but a "
            "material that varies cannot be told from a rig that repeats badly. Two runs of a set on the same rig "
            "would tell."
        )
    if how.use is SetUse.SPLIT and "operator" not in how.table.columns:
        found.append("Operators are not recorded, so an operator's share in an offset cannot be told.")
    found.append(
        "Which of the two rigs reads true: a comparison shows an offset between them, not an error of either."
    )
    found.append(
        "The error rates hold for data judged once. Adding sets to an undecided check and judging again raises "
        "the chance of a wrong verdict unless the looks were declared beforehand."
    )
    return tuple(dict.fromkeys(found))


def _next_runs(comparison: LevelComparison, planned: dict[str, MoreRuns], cost: RunCost) -> NextRuns | None:
    how = comparison.how
    if how.confounded:
        return NextRuns(sentence=f"First separate what is mixed: {how.confounded[0]}")
    if not planned:
        return None
    sentences = []
    for name, plan in planned.items():
        none, none_wide, seen, seen_wide = plan.needed
        if none.further is None and seen.further is None:
            sentences.append(
                f"{name}: no affordable number of sets (up to {plan.reach} per rig) gives "
                f"{probability(plan.target)} probability of a verdict."
            )
            continue
        sentences.append(
            f"{name}: {_further(none.further, plan.reach)} if the rigs do not differ"
            f" ({_further(none_wide.further, plan.reach)} if the scatter is at its upper limit),"
            f" {_further(seen.further, plan.reach)} if the offset is as observed"
            f" ({_further(seen_wide.further, plan.reach)})."
        )
    target = next(iter(planned.values())).target
    arms = 1 if how.use is SetUse.SAME else 2
    table = tables.more_runs_table(planned, cost.hours_per_set, arms)
    text = f"For {probability(target)} probability of a verdict, further pad sets per rig: " + " ".join(
        sentences
    )
    return NextRuns(sentence=text, table=table)


def _further(number: int | None, reach: int) -> str:
    return f"none up to {reach} suffices" if number is None else str(number)


def _notes(comparison: LevelComparison) -> tuple[Note, ...]:
    notes: dict[str, Note] = {}
    for part in comparison.sections:
        if not part.pairs:
            continue
        if len(set(part.single_views)) > 1:
            words = enumerated([verdict.value for verdict in part.single_views])
            note = Note(
                kind=NoteKind.UNEQUAL_SCATTER,
                sources=(part.section.name,),
                text=f"{part.section.name}: pooled and separate scatter lead to different verdicts ({words}); a "
                "verdict has to hold under both.",
                remedy="More sets on the rig that scatters more would settle it.",
            )
            notes[note.text] = note
    return tuple(notes.values())


def _numbers(comparison: LevelComparison) -> tuple[tuple[str, float | None], ...]:
    found: list[tuple[str, float | None]] = []
    for part in comparison.sections:
        if part.trouble is None:
            for key in ("estimate", "lower", "upper", "inner_lower", "inner_upper", "p"):
                value = float(getattr(part, key))
                found.append((f"{part.section.name}: {key}", value if abs(value) != float("inf") else None))
    return tuple(found)
