"""Requalification: is a rig, after it was moved, rebuilt or recalibrated, the rig it was before?

In: run results (and, for diagnosis, the stops) and a Requalification question.  Out: an Outcome.
Three questions, each with its own verdict and the burden that the lab states: has the level shifted (the difference
of differences against rigs that stayed), has the repeatability worsened, does the rig agree with its sister.
"""

from __future__ import annotations

from repeatab.base.progress import Progress, silent
from repeatab.cells import Cells
from repeatab.intake.results import Results
from repeatab.jobs.levels.tables import Key, key_of
from repeatab.jobs.requalifying.answers import Question
from repeatab.jobs.requalifying.judge import MoveFindings, judge_move
from repeatab.jobs.requalifying.outcome import move_outcome
from repeatab.jobs.requalifying.planning import more_sets
from repeatab.jobs.requalifying.question import Requalification
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.verdict import Verdict
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
    return move_outcome(question, results, found, planned, stops, title)


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
