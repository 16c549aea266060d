"""The outcome of a requalification: verdicts, sentences, tables, figures, notes and numbers.

In: what was found, what to run next.  Out: an Outcome.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from repeatab.base.notes import Note
from repeatab.base.quantity import Quantity
from repeatab.cells import Cells
from repeatab.intake.results import Results
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.influence import Influence, influence_notes, influence_of, influence_table
from repeatab.jobs.levels.looks import LookState
from repeatab.jobs.levels.outcome import notes_of, numbers_of
from repeatab.jobs.levels.residuals import residual_notes, residual_sentence, residuals_table
from repeatab.jobs.levels.stop_by_stop import overclaimed, stop_by_stop
from repeatab.jobs.levels.tables import Key, key_of, offsets_table, views_table
from repeatab.jobs.levels.words import judgement_of
from repeatab.jobs.questions import Analysis
from repeatab.jobs.requalifying.answers import Question
from repeatab.jobs.requalifying.design import RIG, MoveDesign
from repeatab.jobs.requalifying.figures import move_figures
from repeatab.jobs.requalifying.judge import MoveFindings, fitting_of
from repeatab.jobs.requalifying.methods import methods
from repeatab.jobs.requalifying.next import next_runs
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.requalifying.tables import (
    answers_table,
    changes_table,
    checklist_table,
    drift_table,
    next_sets_table,
    ratio_table,
    sets_table,
)
from repeatab.jobs.requalifying.wear import move_wear_table, wear_limits, wear_notes, wear_sentences
from repeatab.jobs.requalifying.words import (
    answer_judgement,
    cannot_tell,
    drift_condition,
    evidence,
    headline,
    offset_in_words,
    overruled_drift,
    ratio_in_words,
    ratio_judgement,
)
from repeatab.outcome.figures import Figure
from repeatab.outcome.outcome import NextRuns, Outcome, Provenance
from repeatab.outcome.tables import Table
from repeatab.outcome.verdict import Judgement
from repeatab.planning.next_runs import MoreRuns


def _named(comparison: LevelComparison, design: MoveDesign, look: LookState) -> LevelComparison:
    """The comparison with the names of the page: the moved rig now and before."""
    changed = ", less the controls' change," if design.controls else ""
    a, b = f"{design.moved} {design.after}{changed}", f"{design.moved} {design.before}"
    pairs = tuple(replace(pair, a=a, b=b) for pair in comparison.how.pairs)
    how = replace(comparison.how, factor="rig_and_phase", pairs=pairs)
    claims = tuple(replace(claim, pair=pairs[0]) for claim in comparison.claims)
    return replace(comparison, how=how, claims=claims, confidence=1 - look.rates.equivalence)


@dataclass(frozen=True, kw_only=True)
class _Shown:
    """What was found as the page shows it.

    shift : the comparison with the names of the page. condition : the note on drift, where it decides.
    planned : section -> what to run next. rested : what each single set carries. trap : what a test on stops claims.
    """

    question: Requalification
    found: MoveFindings
    quantity: Quantity
    shift: LevelComparison
    sister: LevelComparison | None
    condition: Note | None
    planned: dict[str, MoreRuns]
    rested: tuple[Influence, ...]
    trap: Table | None


def move_outcome(
    question: Requalification,
    results: Results,
    found: MoveFindings,
    planned: Mapping[Key, MoreRuns],
    stops: Results | Cells | None,
    title: str,
) -> Outcome:
    """What was found, from the answer to the numbers.

    planned : what to run next for each open claim. stops : see `requalify_rig`.
    """
    design, look = found.design, found.look
    rested = () if look.between else influence_of(found.shift, fitting=fitting_of(question, design))
    shown = _Shown(
        question=question, found=found, quantity=results.quantity, shift=_named(found.shift, design, look),
        sister=found.sister and replace(found.sister, confidence=1 - look.rates.equivalence),
        condition=drift_condition(found.drifting, design),
        planned={key[0]: plan for key, plan in planned.items()}, rested=rested, trap=_trap(stops, found),
    )  # fmt: skip
    sizes = _sizes(question, found, results.quantity)
    return Outcome(
        job="requalification",
        title=title,
        headline=headline(question, found.verdict, found.answers, design, shown.condition, look, sizes),
        judgements=_judgements(shown),
        evidence=_evidence(shown),
        cannot_tell=(
            *cannot_tell(question, design, shown.shift, shown.sister, shown.condition, look),
            *wear_limits(found.wear, question),
        ),
        next_runs=_next(shown),
        tables=tuple(_tables(shown)),
        figures=_figures(shown),
        notes=_notes(shown),
        findings=results.findings,
        methods=methods(
            design, planned=bool(planned), looks=look.table is not None,
            ratio=question.analysis is Analysis.RATIO,
        ),
        numbers=_numbers(found, shown.shift),
        provenance=Provenance(inputs=results.inputs, seed=question.seed),
    )  # fmt: skip


def _evidence(shown: _Shown) -> tuple[str, ...]:
    question, found = shown.question, shown.found
    claimed = overclaimed(shown.trap) if shown.trap else []
    return (
        *evidence(question, found.design, shown.shift, found.ratios, found.look, claimed),
        *wear_sentences(found.wear, question),
        *residual_sentence(found.residuals),
    )


def _next(shown: _Shown) -> NextRuns | None:
    found, planned = shown.found, shown.planned
    rigs, hours = 1 + len(found.design.controls), shown.question.cost.hours_per_set
    more = next_sets_table(planned, rigs=rigs, hours_per_set=hours) if planned else None
    return next_runs(found.verdict, found.answers, found.design, planned, found.ratios, more, found.look)


def _figures(shown: _Shown) -> tuple[Figure, ...]:
    planned = {
        key_of(claim): shown.planned[claim.section.name]
        for claim in shown.shift.compared
        if claim.section.name in shown.planned
    }
    found, hours = shown.found, shown.question.cost.hours_per_set
    return move_figures(shown.shift, shown.sister, found.ratios, planned, found.design, shown.quantity, hours)


def _sizes(
    question: Requalification, found: MoveFindings, quantity: Quantity
) -> dict[Question, dict[str, str]]:
    """The numbers behind each question, section by section, in words."""

    def offsets(comparison: LevelComparison | None) -> dict[str, str]:
        claims = () if comparison is None else comparison.compared
        return {c.section.name: offset_in_words(c, question.analysis, quantity) for c in claims}

    return {
        Question.LEVEL: offsets(found.shift),
        Question.REPEATABILITY: {c.section.name: ratio_in_words(c) for c in found.ratios},
        Question.SISTER: offsets(found.sister),
    }


def _notes(shown: _Shown) -> tuple[Note, ...]:
    found = shown.found
    on_drift = (shown.condition, overruled_drift(found.overruled))
    return (
        *(note for note in on_drift if note is not None),
        *notes_of(shown.shift),
        *wear_notes(found.wear, shown.question),
        *residual_notes(found.residuals),
        *influence_notes(shown.shift, shown.rested),
    )


def _trap(stops: Results | Cells | None, found: MoveFindings) -> Table | None:
    """What a test on the single stops of the moved rig would have claimed."""
    if stops is None:
        return None
    moved, table = found.design.moved, found.design.table
    how = replace(found.shift.how, table=table[table[RIG] == moved])
    return stop_by_stop(stops, replace(found.shift, how=how), rig=moved)


def _judgements(shown: _Shown) -> tuple[Judgement, ...]:
    question, found, quantity = shown.question, shown.found, shown.quantity
    shift, sister = shown.shift, shown.sister

    def about(judgement: Judgement, what: str) -> Judgement:
        return replace(judgement, subject=f"{judgement.subject}, {what}")

    made = [
        *(answer_judgement(answer, question) for answer in found.answers),
        *(about(judgement_of(claim, shift, quantity), "level") for claim in shift.claims),
        *(ratio_judgement(claim) for claim in found.ratios),
    ]
    if sister is not None:
        against = f"against {question.sister_rig}"
        made += [about(judgement_of(claim, sister, quantity), against) for claim in sister.claims]
    return tuple(made)


def _tables(shown: _Shown) -> list[Table]:
    question, found, quantity = shown.question, shown.found, shown.quantity
    shift, sister = shown.shift, shown.sister
    design = found.design
    sections = {section.name: section for section in question.sections}
    made = [
        answers_table(found.answers),
        checklist_table(question.checklist),
        replace(offsets_table(shift, quantity), caption="Shift by section"),
        ratio_table(found.ratios, level=1 - found.look.rates.equivalence, target=question.cost.target),
    ]
    if sister is not None:
        caption = f"Offset of {design.moved} against {question.sister_rig} after the move"
        made.append(replace(offsets_table(sister, quantity), key="sister", caption=caption))
    made += [changes_table(design, quantity), sets_table(design)]
    if found.look.table is not None:
        made.append(found.look.table)
    if shift.compared:
        made += [drift_table(shift, sections, quantity), views_table(shift)]
    if found.wear is not None and found.wear.trends:
        made.append(move_wear_table(found.wear, question, quantity))
    if found.residuals:
        made.append(residuals_table(found.residuals))
    if shown.rested:
        made.append(influence_table(shift, shown.rested, quantity))
    if shown.trap:
        made.append(shown.trap)
    return made


def _numbers(found: MoveFindings, shown: LevelComparison) -> tuple[tuple[str, float | None], ...]:
    ratios = tuple(
        (f"{claim.section.name}: ratio of SDs {key}", None if claim.ratio is None else value)
        for claim in found.ratios
        for key, value in (
            ("estimate", claim.ratio.ratio if claim.ratio is not None else None),
            ("lower", claim.lower if claim.lower == claim.lower else None),
            ("upper", claim.upper if claim.upper == claim.upper else None),
        )
    )
    return (*numbers_of(shown), *ratios)
