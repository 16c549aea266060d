"""Planning a requalification: visits and fresh sets on the moved rig and its controls, before and after the move.

In: the question, beliefs, costs and limits.  Out: an Outcome. Judged by the design and estimators of the job itself,
level and repeatability together, at the declared looks.
"""

from __future__ import annotations

from collections.abc import Sequence

from repeatab.base.progress import Progress
from repeatab.jobs.plans.moves import SizedMove, moves_tried
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.jobs.plans.requal_tables import (
    level_chances_table,
    move_figures,
    move_plans_table,
    ratio_chances_table,
    section_table,
)
from repeatab.jobs.plans.sheet import move_sheet
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.requalifying.scatter import limit_met_with
from repeatab.jobs.wording import plural, probability
from repeatab.outcome.outcome import MethodNote, Outcome, Provenance
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.cost import front
from repeatab.planning.joint_verdicts import draws_within
from repeatab.planning.move_verdicts import Case, MoveChance, move_chances

_SHARES = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)


def plan_requalification(
    question: Requalification, beliefs: PlanBeliefs, options: PlanOptions, title: str, progress: Progress
) -> Outcome:
    """Plan both phases of a requalification.

    Raises
    ------
    StudyError
        Nothing can be run under the limits, or a deciding section has no margin.
    """
    tried = moves_tried(question, beliefs, options, progress)
    best = front(tried, lambda p: p.hours, lambda p: p.gain)
    enough = [p for p in best if p.gain >= options.target]
    chosen = enough[0] if enough else best[-1]
    draws = draws_within(options.seconds / 4, chosen.plan.level.block, len(question.sections))
    ratios = (1.0, question.repeatability_limit, 2 * question.repeatability_limit)
    shifts = move_chances(chosen.plan, [Case(share=s) for s in _SHARES], draws=draws, seed=question.seed + 1)
    scatter = move_chances(
        chosen.plan,
        [Case(share=0.0, ratio=r) for r in ratios],
        draws=max(200, draws // 3),
        seed=question.seed + 2,
    )
    return Outcome(
        job="plan", title=title,
        headline=Judgement(
            subject=str(question.moved_rig), verdict=Verdict.DESCRIBED,
            reason=_reason(chosen, bool(enough), question, options.target),
        ),
        judgements=(), evidence=_evidence(chosen, shifts, question, beliefs, options),
        cannot_tell=_cannot_tell(question),
        tables=(
            move_plans_table(tried, best, chosen), level_chances_table(shifts, len(question.looks)),
            ratio_chances_table(scatter), section_table(question, shifts, scatter),
            move_sheet(
                question, chosen.visits, chosen.sets, operators=options.operators, runs_per_day=options.runs_per_day,
                form=options.form,
            ),
        ),
        figures=move_figures(tried, best, chosen, shifts, options.target), methods=_METHODS,
        numbers=(
            ("hours", chosen.hours), ("level_shown", chosen.expected.level), ("ratio_shown", chosen.expected.kept),
            ("expected_return_unchanged", chosen.expected.overall.equivalent),
        ),
        provenance=Provenance(seed=question.seed),
    )  # fmt: skip


def _reason(chosen: SizedMove, enough: bool, question: Requalification, target: float) -> str:
    short = f"No plan within the limits reaches {probability(target)}; the best"
    looks = f", judged at {len(question.looks)} looks" if len(question.looks) > 1 else ""
    return (
        f"{'Recommended' if enough else short}: {plural(chosen.visits, 'visit')} before and as many after the move, "
        f"{plural(chosen.sets, 'fresh pad set')} on each of {plural(1 + len(question.control_rigs), 'rig')} at every "
        f"visit, {chosen.hours:g} rig hours{looks}. If nothing has changed, the rig goes back to service with a "
        f"probability of {probability(chosen.expected.overall.equivalent)} ± "
        f"{chosen.expected.overall.monte_carlo_error:.2f}, averaged over what is not known of the scatter; if its "
        f"level has shifted by twice the margin, it is held with {probability(chosen.shifted.overall.different)}."
    )


def _evidence(
    chosen: SizedMove,
    shifts: Sequence[MoveChance],
    question: Requalification,
    beliefs: PlanBeliefs,
    options: PlanOptions,
) -> tuple[str, ...]:
    met = limit_met_with(options.target, *chosen.df, level=question.confidence)
    at_margin = next(chance for chance in shifts if chance.case.share == 1.0)
    burden = {True: "has to be shown", False: "must not be contradicted"}
    return (
        f"Scatter as {beliefs.told}; sections correlated {beliefs.correlation:g}.",
        f"That the level is unchanged {burden[chosen.plan.level_shown]}: it is shown in all deciding sections with a "
        f"probability of {probability(chosen.expected.level)} if it is so, and wrongly, where it has shifted by the "
        f"margin in every section, with {probability(at_margin.level)}.",
        f"That the rig repeats as before {burden[chosen.plan.ratio_shown]}: a ratio of at most "
        f"{question.repeatability_limit:g} is shown in all deciding sections with a probability of "
        f"{probability(chosen.expected.kept)} if nothing has changed. In one section these numbers of sets can show, "
        f"with a probability of {probability(options.target)}, a limit of {met:.2g} and none that is smaller.",
    )


def _cannot_tell(question: Requalification) -> tuple[str, ...]:
    sister = (
        (
            f"Whether the rig agrees with {question.sister_rig}: plan that as a correlation check of the phase after.",
        )
        if question.sister_rig is not None
        else ()
    )
    return (
        *sister,
        "A plan is as good as what is believed of the scatter, of drift between visits above all.",
    )


_METHODS = (
    MethodNote(
        quantity="probability of return to service, and of hold",
        method="simulated in all sections together through the estimators and rules of the study, at its looks",
        source="Owen (1965), Biometrika 52, 437-446, for such probabilities",
    ),
    MethodNote(
        quantity="ratio of standard deviations",
        method="F distribution of the sets' scatter within visits, Holm's steps over the sections",
        source="Holm (1979), Scand. J. Statist. 6, 65-70",
    ),
)
