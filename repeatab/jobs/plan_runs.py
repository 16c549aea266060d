"""Planning a study: which runs, on which rigs, in what order, and what they would show.

In: the study's question, beliefs, costs and limits.  Out: an Outcome with the plans, the recommended one, its chances
at every true offset, what it leaves mixed together, and the run sheet.
"""

from __future__ import annotations

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.base.progress import Progress, silent
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.lots.question import LotComparison
from repeatab.jobs.plans.chart import plan_chart
from repeatab.jobs.plans.comparison import AskedComparison, AskedSection
from repeatab.jobs.plans.gauge import plan_gauge_study
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.jobs.plans.requal import plan_requalification
from repeatab.jobs.plans.rounds import plan_round_robin
from repeatab.jobs.plans.sheet import sheet_table
from repeatab.jobs.plans.tables import (
    chances_table,
    figures_of_plan,
    pair_chances_table,
    plans_table,
    section_chances_table,
    widths_table,
)
from repeatab.jobs.plans.trial import Trial, try_out
from repeatab.jobs.plans.weighing import Weighed
from repeatab.jobs.questions import CorrelationCheck, GaugeStudy, Section
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.jobs.wording import enumerated, plural, probability
from repeatab.outcome.outcome import MethodNote, Outcome, Provenance
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.layouts import LayoutKind, layout_words
from repeatab.planning.widths import sd_ratio_limit_factors

PlannedQuestion = CorrelationCheck | LotComparison | Requalification | GaugeStudy | RoundRobin | ControlChart


def plan_runs(
    question: PlannedQuestion,
    *,
    beliefs: PlanBeliefs,
    options: PlanOptions,
    title: str = "Plan of runs",
    progress: Progress = silent,
) -> Outcome:
    """Plan the runs of a study.

    Parameters
    ----------
    question : as the study will ask it: rigs or lots, sections with margins, confidence, declared looks.
    beliefs : level and scatter of the sections, with ranges. options : hours, limits, wanted probability, operators.

    Raises
    ------
    StudyError
        A deciding section has no margin, a source that matters has no stated scatter, or no layout can be run under
        the limits.
    """
    match question:
        case CorrelationCheck() | LotComparison():
            asked = _asked(question, options)
            trial = try_out(asked, beliefs, options, progress=progress)
            return _outcome(question, asked, trial, beliefs, options, title)
        case GaugeStudy():
            _check_rig_scatter(beliefs)
            return plan_gauge_study(question, beliefs, options, title, progress)
        case RoundRobin():
            _check_rig_scatter(beliefs)
            return plan_round_robin(question, beliefs, options, title)
        case Requalification():
            return plan_requalification(question, beliefs, options, title, progress)
        case ControlChart():
            return plan_chart(question, beliefs, options, title)


def _check_rig_scatter(beliefs: PlanBeliefs) -> None:
    if "rig" not in beliefs.common.scatter or "repeatability" not in beliefs.common.scatter:
        raise StudyError(
            "plan.scatter: a study of scatter between rigs needs what is believed of 'rig' and of 'repeatability'. A "
            "range may be wide, such as rig = { sd = 0.004, low = 0.001, high = 0.02 }."
        )


def _asked(question: CorrelationCheck | LotComparison, options: PlanOptions) -> AskedComparison:
    sections = tuple(_section(s if isinstance(s, Section) else s.section) for s in question.sections)
    if isinstance(question, CorrelationCheck):
        return AskedComparison(
            factor="rig", pairs=tuple((str(a), str(b)) for a, b in question.pairs), sections=sections,
            confidence=question.confidence, analysis=question.analysis, looks=question.looks, seed=question.seed,
        )  # fmt: skip
    named = [str(lot) for lot in question.named]
    reference = named[-1]
    return AskedComparison(
        factor="pad_lot", pairs=tuple((lot, reference) for lot in named[:-1]), sections=sections,
        confidence=question.confidence, analysis=question.analysis, looks=question.looks, seed=question.seed,
        rigs=options.rigs or ("R1",),
    )  # fmt: skip


def _section(section: Section) -> AskedSection:
    if section.margin is None:
        if section.decides:
            raise StudyError(
                f"section '{section.name}' decides but has no margin, and a plan rests on it: it is the largest "
                "difference that does not matter for the use of the results."
            )
        # An informing section without a margin takes no part in any verdict.
        return AskedSection(name=section.name, margin=Margin(size=50, unit=MarginUnit.PERCENT), decides=False)
    return AskedSection(name=section.name, margin=section.margin, decides=section.decides)


def _outcome(
    question: CorrelationCheck | LotComparison,
    asked: AskedComparison,
    trial: Trial,
    beliefs: PlanBeliefs,
    options: PlanOptions,
    title: str,
) -> Outcome:
    best = trial.recommended
    assert best.expected is not None
    assert best.simulated is not None
    sheet = sheet_table(
        best.laid.runs, asked.factor, tuple(s.name for s in asked.sections), operators=options.operators,
        runs_per_day=options.runs_per_day, seed=question.seed, form=options.form,
    )  # fmt: skip
    pairs = pair_chances_table(trial, 1 - asked.confidence)
    pairwise = () if pairs is None else (pairs,)
    numbers = {
        "hours": best.hours,
        "sets": float(best.laid.runs.sets),
        "runs": float(len(best.laid.runs.runs)),
        "equivalent_at_no_offset": best.simulated.equivalent,
        "expected_equivalent_at_no_offset": best.expected.equivalent,
        "monte_carlo_error": best.simulated.monte_carlo_error,
    }
    return Outcome(
        job="plan",
        title=title,
        headline=Judgement(
            subject=f"{enumerated(asked.levels[:-1])} against {asked.reference}", verdict=Verdict.DESCRIBED,
            reason=_reason(trial, options),
        ),
        judgements=(),
        evidence=_evidence(trial, beliefs),
        cannot_tell=_cannot_tell(trial),
        tables=(
            plans_table(trial), chances_table(trial), *pairwise, section_chances_table(trial),
            widths_table(best.laid.block, best.laid.layout, beliefs.common, asked.confidence, question.seed), sheet,
        ),
        figures=figures_of_plan(trial, options.target),
        methods=_methods(trial),
        numbers=tuple(numbers.items()),
        provenance=Provenance(seed=question.seed),
    )  # fmt: skip


def _reason(trial: Trial, options: PlanOptions) -> str:
    best = trial.recommended
    assert best.expected is not None
    size = (
        f"{plural(best.laid.runs.sets, 'pad set')}, {plural(len(best.laid.runs.runs), 'run')}, "
        f"{best.hours:g} rig hours ({best.words})"
    )
    chance = f"{probability(best.expected.equivalent)} ± {best.expected.monte_carlo_error:.2f}"
    if trial.reached:
        return (
            f"Recommended: {size}. No cheaper plan that was tried shows that there is no offset that "
            "matters, if there "
            f"is none, with a probability of {probability(options.target)}; this one does with "
            f"{chance}, averaged over "
            "what is not known of the scatter."
        )
    return (
        f"No plan within the limits reaches {probability(options.target)}. The best is {size}: if "
        "there is no offset, it "
        f"shows so with a probability of {chance}. Raise the limits, or accept that the study may end undecided."
    )


def _evidence(trial: Trial, beliefs: PlanBeliefs) -> tuple[str, ...]:
    best = trial.recommended
    assert best.simulated is not None
    assert best.expected is not None
    at_margin = next(c for c in trial.chances if c.share == 1.0)
    twice = next(c for c in trial.chances if c.share == 2.0)
    scatter = ", ".join(
        f"{name.replace('_', ' ')} {one.sd:g}" for name, one in beliefs.common.scatter.items()
    )
    return (
        f"Scatter as {beliefs.told}: standard deviations {scatter}, at a level of {beliefs.common.level:g}; sections "
        f"correlated {beliefs.correlation:g}.",
        f"At no offset the verdict is 'equivalent' in all deciding sections with a probability of "
        f"{probability(best.simulated.equivalent)} if the scatter is exactly as believed, "
        f"{probability(best.expected.equivalent)} averaged over its uncertainty (Monte Carlo error "
        f"{best.simulated.monte_carlo_error:.3f}).",
        f"At an offset as large as the margin in every section it is wrongly 'equivalent' with a probability of "
        f"{probability(at_margin.overall.equivalent)}; at twice the margin it is 'different' with "
        f"{probability(twice.overall.different)}.",
        *_on_the_search(trial),
        _on_ratios(best.laid.runs.per_level),
        *(
            f"Not possible here: {layout_words(kind, best.laid.how.factor)} ({reason})."
            for kind, reason in trial.left_out
        ),
    )


def _on_the_search(trial: Trial) -> tuple[str, ...]:
    """What the free search brought beside the layouts of known shape."""
    found = [one for one in trial.candidates if one.kind is LayoutKind.SEARCHED]
    if trial.searched == 0:
        return ()
    if trial.recommended in found:
        return (
            f"The search combined the sets like this: {enumerated(courses_in_words(trial.recommended))}.",
        )
    if found:
        return (
            "The search found layouts that show more than those of known shape; the recommended plan is not one.",
        )
    return (
        "A search over every combination of sets and rigs under the same limits found none that shows more for the "
        "same hours.",
    )


def courses_in_words(one: Weighed) -> tuple[str, ...]:
    """How many sets run where, in which order."""
    counts: dict[tuple[str, ...], int] = {}
    for runs in one.laid.runs.runs_by_set.values():
        course = tuple(run.level if run.rig is None else f"{run.level} on {run.rig}" for run in runs)
        counts[course] = counts.get(course, 0) + 1
    return tuple(f"{plural(number, 'set')} {', then '.join(course)}" for course, number in counts.items())


def _on_ratios(sets: int) -> str:
    """The plain truth on a ratio of standard deviations."""
    _, factor = sd_ratio_limit_factors(sets - 1, sets - 1, level=0.95)
    return (
        f"{sets} sets on each side say whether one scatters more than the other only to a factor of {factor:.2g} "
        "either way (95 % limits of the ratio of standard deviations)."
    )


def _cannot_tell(trial: Trial) -> tuple[str, ...]:
    return (
        *trial.recommended.laid.mixed,
        "A plan is as good as what is believed of the scatter: if the runs turn out wider, the study "
        "may end undecided.",
    )


def _methods(trial: Trial) -> tuple[MethodNote, ...]:
    return (
        MethodNote(
            quantity="probability of each verdict",
            method=(
                f"simulated in all sections together through the estimators and rules of the study, {trial.draws} "
                "studies for the recommended plan"
            ),
            source="Owen (1965), Biometrika 52, 437-446, for the probabilities by integration",
        ),
        MethodNote(
            quantity="order of the runs",
            method="drawn by chance within blocks, balanced over levels, operators, days and places in the lot",
            source="Cox & Reid (2000), The Theory of the Design of Experiments, ch. 3",
        ),
        MethodNote(
            quantity="typical interval of a standard deviation",
            method="modified large-sample limits at the expected mean squares where balanced, else simulated medians",
            source="Burdick & Graybill (1992), Confidence Intervals on Variance Components",
        ),
    )
