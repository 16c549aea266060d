"""Judging a moved rig: the shift, the ratio of repeatabilities, the agreement with its sister, and what they say.

In: run results and a Requalification question.  Out: MoveFindings, without the page and without planning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from repeatab.base.errors import StudyError
from repeatab.intake.results import Results
from repeatab.jobs.levels.comparison import LevelComparison, Rates, compare_levels
from repeatab.jobs.levels.layout import ComparisonLayout, Surroundings, comparison_layout
from repeatab.jobs.levels.looks import LookState, held_back
from repeatab.jobs.levels.outcome import blocked
from repeatab.jobs.levels.residuals import Residuals
from repeatab.jobs.levels.stacks import Fitting, Views, blocks_by_section
from repeatab.jobs.questions import Analysis, Section
from repeatab.jobs.requalifying.answers import Answer, Question, decision, offset_answer, ratio_answer
from repeatab.jobs.requalifying.design import PAD_SET, RIG, VISIT, MoveDesign, of_phase
from repeatab.jobs.requalifying.laying_out import move_design
from repeatab.jobs.requalifying.looks import look_state
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.requalifying.residuals import move_residuals
from repeatab.jobs.requalifying.scatter import RatioClaim, ratio_claims
from repeatab.jobs.requalifying.views import MoveFit, drift_shows, least_drift
from repeatab.jobs.requalifying.wear import MoveWear, move_wear
from repeatab.layout.blocks import Block
from repeatab.outcome.verdict import Qualifier, Verdict


@dataclass(frozen=True, kw_only=True)
class MoveFindings:
    """Everything the page is made of.

    question : as it was answered: without the stated drift of `overruled` sections, where the data show more.
    drifting : sections whose verdict depends on there being no ordinary drift.
    residuals : patterns in what a set leaves. wear : None where no set ran more than once on a rig in a phase.
    """

    question: Requalification
    overruled: tuple[str, ...]
    design: MoveDesign
    look: LookState
    shift: LevelComparison
    ratios: tuple[RatioClaim, ...]
    sister: LevelComparison | None
    drifting: tuple[str, ...]
    residuals: tuple[Residuals, ...]
    wear: MoveWear | None
    answers: tuple[Answer, ...]
    verdict: Verdict


def judge_move(question: Requalification, results: Results) -> MoveFindings:
    """The three answers and the verdict, without planning and without the page."""
    design = move_design(question, results)
    design = replace(design, how=blocked(design.how, results))
    look = look_state(question, design)
    question, overruled = _believed(question, design)
    shift = _shift(question, design, look.rates)
    # On the cells of the moved rig the ratio needs no model of the rigs beside it.
    ratios = ratio_claims(
        blocks_by_section(design.how, question.analysis), question.sections, design,
        limit=question.repeatability_limit, rates=look.rates, target=question.cost.target,
    )  # fmt: skip
    sister = _sister(question, results, look.rates)
    if look.between:
        shift, ratios = held_back(shift), tuple(_unjudged_ratio(claim) for claim in ratios)
        sister = None if sister is None else held_back(sister)
    answers = _answers(question, shift, ratios, sister)
    return MoveFindings(
        question=question, overruled=overruled, design=design, look=look, shift=shift, ratios=ratios, sister=sister,
        drifting=_drifting(question, shift), residuals=move_residuals(shift, design),
        wear=move_wear(question, design), answers=answers,
        verdict=decision(answers, question.checklist),
    )  # fmt: skip


def _believed(question: Requalification, design: MoveDesign) -> tuple[Requalification, tuple[str, ...]]:
    """A stated drift is taken out of the question where the drift that the data show is larger for sure."""
    stated = {s.name: s.drift for s in question.sections if s.drift is not None}
    if not stated or not design.controls:
        return question, ()
    blocks = blocks_by_section(design.how, question.analysis)
    overruled = []
    for name, drift in stated.items():
        shown = least_drift(MoveFit(block=blocks[name], design=design)) if name in blocks else 0.0
        level = float(blocks[name].mean[0, :, 0].mean() + blocks[name].shift[0]) if name in blocks else 1.0
        sd = drift.sd / np.exp(level) if question.analysis is Analysis.RATIO else drift.sd
        if shown > sd:
            overruled.append(name)
    sections = tuple(replace(s, drift=None) if s.name in overruled else s for s in question.sections)
    return replace(question, sections=sections), tuple(overruled)


def _shift(question: Requalification, design: MoveDesign, rates: Rates) -> LevelComparison:
    sections = tuple(Section(name=s.name, margin=s.margin, decides=s.decides) for s in question.sections)
    return compare_levels(
        design.how, sections, confidence=question.confidence, analysis=question.analysis, rates=rates,
        fitting=fitting_of(question, design),
    )  # fmt: skip


def fitting_of(question: Requalification, design: MoveDesign) -> Fitting:
    """The views of a section's shift, with the drift that the study states for it: sections for which it states
    different drifts are fitted apart."""
    stated = {section.name: section.drift for section in question.sections}

    def views(section: Section, block: Block, _: ComparisonLayout) -> Views:
        return MoveFit(
            block=block, design=design, stated=stated[section.name],
            logarithmic=question.analysis is Analysis.RATIO,
        )  # fmt: skip

    return Fitting(views=views, apart=lambda section: stated[section.name])


def _drifting(question: Requalification, shift: LevelComparison) -> tuple[str, ...]:
    """Deciding sections in which ordinary drift is neither shown by the design nor stated."""
    stated = {section.name: section.drift for section in question.sections}
    return tuple(
        claim.section.name
        for claim in shift.compared
        if claim.section.decides
        and stated[claim.section.name] is None
        and not drift_shows(claim.pooled.fit.layout)
    )


def _sister(question: Requalification, results: Results, rates: Rates) -> LevelComparison | None:
    """The moved rig against its sister after the move, as a correlation check has it."""
    if question.sister_rig is None:
        return None
    rigs = (question.moved_rig, question.sister_rig)
    own = of_phase(results, question.after, rigs)
    if question.sister_rig not in own.levels(RIG):
        raise StudyError(
            f"sister_rig: '{question.sister_rig}' has no results of phase '{question.after}', so agreement after the "
            "move cannot be judged. Run it in that phase, or leave sister_rig out."
        )
    how = comparison_layout(
        own,
        factor=RIG,
        pairs=(rigs,),
        sections=tuple(section.name for section in question.sections),
        beside=Surroundings(fixed=_visit_blocks(own, rigs), covariates=question.covariates),
    )
    sections = tuple(
        Section(name=s.name, margin=s.sister_margin, decides=s.decides) for s in question.sections
    )
    return compare_levels(
        blocked(how, results), sections, confidence=question.confidence, analysis=question.analysis,
        rates=rates,
    )  # fmt: skip


def _visit_blocks(results: Results, rigs: Sequence[Any]) -> tuple[str, ...]:
    """Visits as blocks, where both rigs ran at the same ones, each with several sets."""
    if not results.has(VISIT):
        return ()
    table = results.to_frame()
    visits = [set(table.loc[table[RIG] == rig, VISIT]) for rig in rigs]
    sets = table.groupby([RIG, VISIT])[PAD_SET].nunique() if PAD_SET in table.columns else None
    same = visits[0] == visits[1] and len(visits[0]) > 1
    return (VISIT,) if same and sets is not None and sets.min() > 1 else ()


def _unjudged_ratio(claim: RatioClaim) -> RatioClaim:
    return replace(
        claim, lower=float("nan"), upper=float("nan"), verdict=Verdict.UNDECIDED,
        qualifier=Qualifier.BETWEEN_LOOKS,
    )  # fmt: skip


def _answers(
    question: Requalification,
    shift: LevelComparison,
    ratios: tuple[RatioClaim, ...],
    sister: LevelComparison | None,
) -> tuple[Answer, ...]:
    burdens = question.burdens
    found = [
        offset_answer(Question.LEVEL, burdens.level, shift),
        ratio_answer(burdens.repeatability, ratios),
    ]
    if sister is not None and burdens.sister is not None:
        found.append(offset_answer(Question.SISTER, burdens.sister, sister))
    return tuple(found)
