"""Requalification: is a rig, after it was moved, rebuilt or recalibrated, the rig it was before?

In: run results (and, for diagnosis, the stops) and a Requalification question.  Out: an Outcome.
Three questions, each with its own verdict and the burden that the lab states: has the level shifted (the difference
of differences against rigs that stayed), has the repeatability worsened, does the rig agree with its sister.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from repeatab.base.notes import Note
from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import Quantity
from repeatab.cells import Cells
from repeatab.intake.results import Results
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.influence import influence_notes, influence_of, influence_table
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
from repeatab.jobs.requalifying.judge import MoveFindings, fitting_of, judge_move
from repeatab.jobs.requalifying.methods import methods
from repeatab.jobs.requalifying.next import next_runs
from repeatab.jobs.requalifying.planning import more_sets
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
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.tables import Table
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.next_runs import MoreRuns


def requalify_rig(
    question: Requalification,
    results: Results,
    *,
    stops: Results | Cells | None = None,
    title: str = "Requalification",
    progress: Progress = silent,
) -> Outcome:
    """Judge a moved rig on its run results before and after.

    Parameters
    ----------
    results : run results, one row per run and section, with columns for rig, phase and pad set, and for the visit
        and the pad lot where they are recorded.
    stops : the stops behind them or their cells, if there are any; used to show what a test on stops would claim.

    Raises
    ------
    StudyError
        A rig, phase or section of the question is not in the results, a rig did not run in both phases or on the
        same lot, the phases overlap in time, or a deciding section has no margin.
    """
    found = judge_move(question, results)
    question = found.question
    progress("comparing", 1, 3)
    planned = _plans(question, found, progress)
    return _outcome(question, results, found, planned, stops, title)


def _plans(question: Requalification, found: MoveFindings, progress: Progress) -> dict[Key, MoreRuns]:
    """What to run next for every deciding shift that is open, unless more of the same cannot help."""
    if found.verdict is not Verdict.UNDECIDED or found.design.confounded or found.look.between:
        return {}
    level = next(answer for answer in found.answers if answer.question is Question.LEVEL)
    sections = {section.name: section for section in question.sections}
    wanted = [
        claim
        for claim in found.shift.deciding
        if claim.trouble is None and claim.bounds is not None and not level.met
        and claim.verdict in (Verdict.UNDECIDED, Verdict.DIFFERENT)
    ]  # fmt: skip
    planned = {}
    for i, claim in enumerate(wanted):
        progress("what to run next", i, len(wanted))
        planned[key_of(claim)] = more_sets(
            claim, found.design, sections[claim.section.name], confidence=question.confidence,
            analysis=question.analysis, cost=question.cost, seed=question.seed,
        )  # fmt: skip
    return planned


def _named(comparison: LevelComparison, design: MoveDesign, look: LookState) -> LevelComparison:
    """The comparison with the names of the page: the moved rig now and before."""
    changed = ", less the controls' change," if design.controls else ""
    a, b = f"{design.moved} {design.after}{changed}", f"{design.moved} {design.before}"
    pairs = tuple(replace(pair, a=a, b=b) for pair in comparison.how.pairs)
    how = replace(comparison.how, factor="rig_and_phase", pairs=pairs)
    claims = tuple(replace(claim, pair=pairs[0]) for claim in comparison.claims)
    return replace(comparison, how=how, claims=claims, confidence=1 - look.rates.equivalence)


def _outcome(
    question: Requalification,
    results: Results,
    found: MoveFindings,
    planned: Mapping[Key, MoreRuns],
    stops: Results | Cells | None,
    title: str,
) -> Outcome:
    quantity, hours, design = results.quantity, question.cost.hours_per_set, found.design
    shown = _named(found.shift, design, found.look)
    sister = found.sister and replace(found.sister, confidence=1 - found.look.rates.equivalence)
    condition = drift_condition(found.drifting, design)
    by_section = {key[0]: plan for key, plan in planned.items()}
    renamed = {key_of(c): by_section[c.section.name] for c in shown.compared if c.section.name in by_section}
    more = (
        next_sets_table(by_section, rigs=1 + len(design.controls), hours_per_set=hours)
        if by_section
        else None
    )
    trap = _trap(stops, found)
    rested = () if found.look.between else influence_of(found.shift, fitting=fitting_of(question, design))
    tables = [
        *_tables(question, found, shown, sister, quantity),
        *([influence_table(shown, rested, quantity)] if rested else []),
        *([trap] if trap else []),
    ]
    return Outcome(
        job="requalification",
        title=title,
        headline=headline(
            question,
            found.verdict,
            found.answers,
            design,
            condition,
            found.look,
            _sizes(question, found, quantity),
        ),
        judgements=_judgements(question, found, shown, sister, quantity),
        evidence=(
            *evidence(question, design, shown, found.ratios, found.look, overclaimed(trap) if trap else []),
            *wear_sentences(found.wear, question),
            *residual_sentence(found.residuals),
        ),
        cannot_tell=(
            *cannot_tell(question, design, shown, sister, condition, found.look),
            *wear_limits(found.wear, question),
        ),
        next_runs=next_runs(
            found.verdict, found.answers, design, by_section, found.ratios, more, found.look
        ),
        tables=tuple(tables),
        figures=move_figures(shown, sister, found.ratios, renamed, design, quantity, hours),
        notes=(
            *_notes(condition, overruled_drift(found.overruled)), *notes_of(shown),
            *wear_notes(found.wear, question), *residual_notes(found.residuals), *influence_notes(shown, rested),
        ),
        findings=results.findings,
        methods=methods(
            design, planned=bool(planned), looks=found.look.table is not None,
            ratio=question.analysis is Analysis.RATIO,
        ),
        numbers=_numbers(found, shown),
        provenance=Provenance(inputs=results.inputs, seed=question.seed),
    )  # fmt: skip


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


def _notes(*notes: Note | None) -> list[Note]:
    return [note for note in notes if note is not None]


def _trap(stops: Results | Cells | None, found: MoveFindings) -> Table | None:
    """What a test on the single stops of the moved rig would have claimed."""
    if stops is None:
        return None
    moved, table = found.design.moved, found.design.table
    how = replace(found.shift.how, table=table[table[RIG] == moved])
    return stop_by_stop(stops, replace(found.shift, how=how), rig=moved)


def _judgements(
    question: Requalification,
    found: MoveFindings,
    shown: LevelComparison,
    sister: LevelComparison | None,
    quantity: Quantity,
) -> tuple[Judgement, ...]:
    def about(judgement: Judgement, what: str) -> Judgement:
        return replace(judgement, subject=f"{judgement.subject}, {what}")

    made = [
        *(answer_judgement(answer, question) for answer in found.answers),
        *(about(judgement_of(claim, shown, quantity), "level") for claim in shown.claims),
        *(ratio_judgement(claim) for claim in found.ratios),
    ]
    if sister is not None:
        against = f"against {question.sister_rig}"
        made += [about(judgement_of(claim, sister, quantity), against) for claim in sister.claims]
    return tuple(made)


def _tables(
    question: Requalification,
    found: MoveFindings,
    shown: LevelComparison,
    sister: LevelComparison | None,
    quantity: Quantity,
) -> list[Table]:
    design = found.design
    sections = {section.name: section for section in question.sections}
    made = [
        answers_table(found.answers),
        checklist_table(question.checklist),
        replace(offsets_table(shown, quantity), caption="Shift by section"),
        ratio_table(found.ratios, level=1 - found.look.rates.equivalence, target=question.cost.target),
    ]
    if sister is not None:
        caption = f"Offset of {design.moved} against {question.sister_rig} after the move"
        made.append(replace(offsets_table(sister, quantity), key="sister", caption=caption))
    made += [changes_table(design, quantity), sets_table(design)]
    if found.look.table is not None:
        made.append(found.look.table)
    if shown.compared:
        made += [drift_table(shown, sections, quantity), views_table(shown)]
    if found.wear is not None and found.wear.trends:
        made.append(move_wear_table(found.wear, question, quantity))
    if found.residuals:
        made.append(residuals_table(found.residuals))
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
