"""Planning a gauge study: which layout, how many rigs, sets and runs, and what it would say.

In: the question, beliefs, costs and limits.  Out: an Outcome with the plans, the recommended one and its run sheet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError, StudyError
from repeatab.base.progress import Progress
from repeatab.jobs.gauge.sections import tolerance_width, verdict_of
from repeatab.jobs.plans.comparison import source_name
from repeatab.jobs.plans.gauge_layouts import (
    GaugePlan,
    between,
    gauge_candidates,
    varied_operators,
    worth_simulating,
)
from repeatab.jobs.plans.gauge_tables import (
    gauge_figure,
    gauge_limits_table,
    gauge_plans_table,
    gauge_sections_table,
    width_table,
)
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.jobs.plans.sheet import sheet_table
from repeatab.jobs.questions import Analysis, GaugeStudy, GaugeStudySection
from repeatab.jobs.wording import plural, probability
from repeatab.judgement.grr_of_many import JudgedScatter
from repeatab.outcome.outcome import MethodNote, Outcome, Provenance
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.gauge_verdicts import GaugeChance, PlannedGaugeSection, gauge_chance
from repeatab.planning.layouts import LayoutKind
from repeatab.planning.widths import component_values, sd_limit_factors, sd_ratio_limit_factors

# Simulated plans, those simulated between them, and the studies that a section allows in about a second.
_CHOICES, _CLOSER, _A_SECOND, _FEWEST, _MOST = 8, 3, 1_000, 60, 400
_DRAWN = 400


def plan_gauge_study(
    question: GaugeStudy, beliefs: PlanBeliefs, options: PlanOptions, title: str, progress: Progress
) -> Outcome:
    """Plan a gauge study.

    Raises
    ------
    StudyError
        No layout can be run under the limits.
    """
    widths = [tolerance_width(s, question.analysis) for s in question.sections if s.decides]
    found, left_out = gauge_candidates(
        beliefs, options, level=question.confidence, against_total=any(width is None for width in widths)
    )
    if not found:
        reasons = "; ".join(f"{kind.value}: {reason}" for kind, reason in left_out)
        raise StudyError(
            f"plan: no layout can be run under the limits ({reasons}). Allow more, or ask for less."
        )
    weighed = _weighed(found, question, beliefs, options, progress)
    enough = [p for p in weighed if _gain(p) >= options.target]
    chosen = min(enough, key=lambda p: p.hours) if enough else _nearest(weighed)
    final = _with_chances(chosen, question, beliefs, options.seconds, point=True)
    weighed = [final if plan is chosen else plan for plan in weighed]
    sheet = sheet_table(
        final.planned, "rig", tuple(s.name for s in question.sections), operators=options.operators,
        runs_per_day=options.runs_per_day, seed=question.seed, form=options.form,
    )  # fmt: skip
    return Outcome(
        job="plan", title=title,
        headline=Judgement(
            subject="gauge study", verdict=Verdict.DESCRIBED, reason=_reason(final, bool(enough), options)
        ),
        judgements=(),
        evidence=_evidence(final, left_out, beliefs, options),
        cannot_tell=_cannot_tell(final),
        tables=(
            gauge_plans_table(weighed, final), gauge_sections_table(final, question),
            gauge_limits_table(final, question), width_table(final, beliefs, options), sheet,
        ),
        figures=(gauge_figure(weighed, final, options.target),),
        methods=_METHODS,
        numbers=_numbers(final),
        provenance=Provenance(seed=question.seed),
    )  # fmt: skip


def _gain(plan: GaugePlan) -> float:
    return 0.0 if plan.expected is None else plan.expected.decided


def _nearest(weighed: Sequence[GaugePlan]) -> GaugePlan:
    """Where none is enough: the cheapest of those that cannot be told from the best; rather one that tells how well a
    rig repeats."""
    best = max(weighed, key=_gain)
    assert best.expected is not None
    alike = [p for p in weighed if _gain(p) >= best.expected.decided - 2 * best.expected.monte_carlo_error]
    return min([p for p in alike if p.repeats] or alike, key=lambda p: p.hours)


def _weighed(
    found: Sequence[GaugePlan],
    question: GaugeStudy,
    beliefs: PlanBeliefs,
    options: PlanOptions,
    progress: Progress,
) -> list[GaugePlan]:
    """Simulate plans over all hours, then some between those that are too small and the first that is enough."""
    first = worth_simulating(found, _CHOICES)
    each = options.seconds / len(first)
    tried = []
    for number, plan in enumerate(first):
        progress("simulating plans", number, len(first))
        tried.append(_with_chances(plan, question, beliefs, each, point=False))
    enough = min((p.hours for p in tried if _gain(p) >= options.target), default=math.inf)
    short = max((p.hours for p in tried if _gain(p) < options.target and p.hours < enough), default=0.0)
    if math.isfinite(enough):
        for plan in between(found, short, enough, _CLOSER):
            tried.append(_with_chances(plan, question, beliefs, each, point=False))
    known = [plan for plan in tried if plan.expected is not None]
    if not known:
        raise StudyError(
            "plan: none of the layouts within the limits can be fitted. Allow more sets or rigs."
        )
    return sorted(known, key=lambda p: p.hours)


def _with_chances(
    plan: GaugePlan, question: GaugeStudy, beliefs: PlanBeliefs, seconds: float, *, point: bool
) -> GaugePlan:
    sections = [_section(one, plan, question, beliefs) for one in question.sections]
    draws = int(np.clip(seconds * _A_SECOND / len(sections), _FEWEST, _MOST))
    try:
        expected = _chance(plan, question, beliefs, sections, draws, uncertain=True)
        chance = _chance(plan, question, beliefs, sections, draws, uncertain=False) if point else None
    except (LayoutError, EstimationError):
        return plan
    return replace(plan, chance=chance, expected=expected)


def _chance(
    plan: GaugePlan,
    question: GaugeStudy,
    beliefs: PlanBeliefs,
    sections: Sequence[PlannedGaugeSection],
    draws: int,
    *,
    uncertain: bool,
) -> GaugeChance:
    count = len(sections)
    correlation = np.full((count, count), beliefs.correlation) + (1 - beliefs.correlation) * np.eye(count)
    return gauge_chance(
        plan.block, plan.layout, sections, correlation, plan.sources, level=question.confidence, draws=draws,
        seed=question.seed, uncertain=uncertain,
    )  # fmt: skip


def _section(
    asked: GaugeStudySection, plan: GaugePlan, question: GaugeStudy, beliefs: PlanBeliefs
) -> PlannedGaugeSection:
    belief = beliefs.of(asked.name)
    ratio = question.analysis is Analysis.RATIO
    # On the logarithmic scale a standard deviation is its share of the level.
    unit = 1 / belief.level if ratio else 1.0
    width = tolerance_width(asked, question.analysis)
    rng = np.random.default_rng([question.seed, *asked.name.encode()])
    point = {source_name(key): (one.sd * unit) ** 2 for key, one in belief.scatter.items()}
    drawn = {source_name(key): one.variances(_DRAWN, rng) * unit**2 for key, one in belief.scatter.items()}

    def judge(found: JudgedScatter) -> Verdict:
        return verdict_of(found, width, question)

    return PlannedGaugeSection(
        name=asked.name, mean=math.log(belief.level) if ratio else belief.level, judge=judge, decides=asked.decides,
        variances=component_values(plan.layout, point), drawn=np.atleast_2d(component_values(plan.layout, drawn)),
    )  # fmt: skip


def _reason(plan: GaugePlan, enough: bool, options: PlanOptions) -> str:
    assert plan.expected is not None
    size = f"{plural(plan.rigs, 'rig')}, {plural(plan.planned.sets, 'pad set')} ({plan.kind.value})"
    chance = (
        f"with a probability of {probability(plan.expected.decided)} ± {plan.expected.monte_carlo_error:.2f}, averaged "
        "over what is not known of the scatter"
    )
    what = f"{size}: {plural(len(plan.planned.runs), 'run')}, {plan.hours:g} rig hours"
    if enough:
        return f"Recommended: {what}. Every deciding section ends with a verdict {chance}."
    advice = (
        "The scatter of the sets is inside R&R here, so that only a small enough bound brings a verdict: run sets on "
        "several rigs if they bear it, or state a tolerance."
        if plan.bounded
        else "Raise the limits, or accept that the study may end undecided."
    )
    return (
        f"No plan within the limits reaches {probability(options.target)}. The best is {what}: every deciding section "
        f"ends with a verdict {chance}. {advice}"
    )


def _evidence(
    plan: GaugePlan,
    left_out: Sequence[tuple[LayoutKind, str]],
    beliefs: PlanBeliefs,
    options: PlanOptions,
) -> tuple[str, ...]:
    return (
        f"Scatter as {beliefs.told}; sections correlated {beliefs.correlation:g}.",
        *few_rigs_say_little(beliefs, level=plan.level),
        _few_sets_say_little(),
        *(f"Not possible here: {kind.value} ({reason})." for kind, reason in left_out),
        *_on_operators(beliefs, options),
    )


def few_rigs_say_little(beliefs: PlanBeliefs, *, level: float) -> tuple[str, ...]:
    """The plain truth on few rigs, in numbers: what no number of runs improves."""
    sd = beliefs.common.scatter["rig"].sd
    return tuple(
        f"{rigs} rigs, however many runs: a rig-to-rig standard deviation of {sd:g} would come with an upper limit of "
        f"at least {sd_limit_factors(rigs - 1, level=level)[1] * sd:.2g} ({level:.0%})."
        for rigs in (2, 3, 5)
    )


def _few_sets_say_little() -> str:
    _, factor = sd_ratio_limit_factors(2, 2, level=0.95)
    return (
        f"Three sets, each once, on each of two rigs tell a ratio of the rigs' standard deviations only to a factor of "
        f"{factor:.2g} either way; three sets twice each, by their repeats, to a factor of "
        f"{sd_ratio_limit_factors(3, 3, level=0.95)[1]:.2g} (95 %)."
    )


def _on_operators(beliefs: PlanBeliefs, options: PlanOptions) -> tuple[str, ...]:
    if not varied_operators(options):
        return ()
    stated = (
        ""
        if "operator" in beliefs.common.scatter
        else " Their scatter is not stated, so that the plan takes it as none; state it under plan.scatter as operator."
    )
    return (f"Operators are part of the layout: they go round over the runs of every set.{stated}",)


def _cannot_tell(plan: GaugePlan) -> tuple[str, ...]:
    bound = (
        ("R&R would hold the scatter of the sets: an upper bound, which can pass and never fail.",)
        if plan.bounded
        else ()
    )
    return (*plan.mixed, *bound, "A plan is as good as what is believed of the scatter.")


def _numbers(plan: GaugePlan) -> tuple[tuple[str, float], ...]:
    assert plan.expected is not None
    assert plan.chance is not None
    return (
        ("hours", plan.hours), ("runs", float(len(plan.planned.runs))), ("decided", plan.chance.decided),
        ("expected_decided", plan.expected.decided), ("monte_carlo_error", plan.expected.monte_carlo_error),
    )  # fmt: skip


_METHODS = (
    MethodNote(
        quantity="probability of a verdict",
        method="simulated in all sections together through the estimators and the rule of the study",
        source="Searle, Casella & McCulloch (1992), Variance Components, ch. 3 and 4, for the sums of squares",
    ),
    MethodNote(
        quantity="upper limit over standard deviation",
        method="chi-square with the degrees of freedom of the expected information on the component",
        source="Satterthwaite (1946), Biometrics Bulletin 2, 110-114",
    ),
    MethodNote(
        quantity="typical limits of R&R in percent of the total",
        method="generalised pivotal limits at the expected mean squares",
        source="Hamada & Weerahandi (2000), J. Qual. Technol. 32, 241-253",
    ),
)
