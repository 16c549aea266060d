"""Planning a study of scatter: a gauge study or a round robin.

In: the question, beliefs, costs and limits.  Out: an Outcome with the plans, the recommended one and its run sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from repeatab.base.errors import StudyError
from repeatab.jobs.gauge.fit import sources_of
from repeatab.jobs.gauge.sections import verdict_of
from repeatab.jobs.plans.comparison import gathered_named
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions, SectionBelief
from repeatab.jobs.plans.sheet import sheet_table
from repeatab.jobs.questions import GaugeStudy, GaugeStudySection
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.jobs.wording import plural, probability
from repeatab.judgement.capability import Capability
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import Model, model_of
from repeatab.outcome.figures import Figure
from repeatab.outcome.outcome import MethodNote, Outcome, Provenance
from repeatab.outcome.plan_figures import HoursAgainstGain, PlanPoint
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.cost import front, hours_of, why_not
from repeatab.planning.gauge_designs import DRAWS, GaugeDesign, design_chances
from repeatab.planning.layouts import LayoutKind, PlannedRuns, laid_out
from repeatab.planning.precision_plans import uncertainty_of_repeatability, uncertainty_of_reproducibility
from repeatab.planning.widths import ExpectedInterval, expected_intervals
from repeatab.simulate import planned_block

_RIGS, _SETS, _REPEATS = (2, 3, 4, 5, 6, 8), (3, 4, 5, 6, 8, 10, 12), (2, 3)
_MOST_RUNS, _MOST_SIMULATED = 200, 7
_CROSSED = model_of(random=["rig", "pad_set", ("rig", "pad_set")])


@dataclass(frozen=True, kw_only=True)
class _GaugePlan:
    runs: PlannedRuns
    design: GaugeDesign
    hours: float
    widths: tuple[ExpectedInterval, ...]
    chance: float | None = None
    expected: float | None = None

    @property
    def doubt(self) -> float:
        """The widest interval of the measurement's own sources, upper limit over value."""
        return max(one.factor or np.inf for one in self.widths if one.source != "pad_set" and one.sd > 0)


def plan_scatter_study(
    question: GaugeStudy | RoundRobin, beliefs: PlanBeliefs, options: PlanOptions, title: str
) -> Outcome:
    """Plan a gauge study or a round robin.

    Raises
    ------
    StudyError
        No layout can be run under the limits, or rig-to-rig scatter is not stated.
    """
    if "rig" not in beliefs.common.scatter or "repeatability" not in beliefs.common.scatter:
        raise StudyError(
            "plan.scatter: a study of scatter between rigs needs what is believed of 'rig' and of 'repeatability'. A "
            "range may be wide, such as rig = { sd = 0.004, low = 0.001, high = 0.02 }."
        )
    if isinstance(question, RoundRobin):
        return _round_robin(question, beliefs, options, title)
    return _gauge_study(question, beliefs, options, title)


def _gauge_study(question: GaugeStudy, beliefs: PlanBeliefs, options: PlanOptions, title: str) -> Outcome:
    found, refused = _gauge_plans(question, beliefs, options)
    if not found:
        raise StudyError(
            f"plan: no layout can be run under the limits ({refused}). Allow more, or ask for less."
        )
    section = next(s for s in question.sections if s.decides)
    belief = beliefs.of(section.name)
    best = front(found, lambda p: p.hours, lambda p: -p.doubt)[-_MOST_SIMULATED:]
    weighed = [_with_chance(plan, question, section, belief) for plan in best]
    enough = [p for p in weighed if (p.expected or 0.0) >= options.target]
    chosen = enough[0] if enough else max(weighed, key=lambda p: p.expected or 0.0)
    short = f"No plan within the limits reaches {probability(options.target)}; the best"
    rigs, sets = (count for _, count in chosen.design.levels)
    reason = (
        f"{'Recommended' if enough else short}: {plural(rigs, 'rig')}, {plural(sets, 'pad set')}, each set "
        f"{plural(chosen.design.runs, 'time')} on every rig: {chosen.design.total} runs, {chosen.hours:g} rig hours. "
        f"It ends with a verdict with a probability of {probability(chosen.expected or 0.0)} ± 0.03, averaged over "
        "what is not known of the scatter."
    )
    sheet = sheet_table(
        chosen.runs, "rig", tuple(s.name for s in question.sections), operators=options.operators,
        runs_per_day=options.runs_per_day, seed=question.seed, captions=options.columns,
    )  # fmt: skip
    return _outcome(
        title, reason, question.seed, (_gauge_table(weighed, chosen), _width_table(found, chosen), sheet),
        (_gauge_figure(weighed, chosen, options.target),), _rig_truth(found, beliefs), chosen.hours,
    )  # fmt: skip


def _gauge_plans(
    question: GaugeStudy, beliefs: PlanBeliefs, options: PlanOptions
) -> tuple[list[_GaugePlan], str]:
    most = options.limits.rigs or len(options.rigs) or max(_RIGS)
    found: list[_GaugePlan] = []
    refused = "no layout was tried"
    for rigs, sets, runs in product([n for n in _RIGS if n <= most], _SETS, _REPEATS):
        design = GaugeDesign(levels=(("rig", rigs), ("pad_set", sets)), runs=runs)
        if design.total > _MOST_RUNS:
            continue
        labels = [options.rigs[i] if i < len(options.rigs) else f"R{i + 1}" for i in range(rigs)]
        planned = laid_out(LayoutKind.CROSSED, labels, sets, runs)
        reason = why_not(planned, options.costs, options.limits)
        if reason is not None:
            refused = reason
            continue
        block = planned_block(
            {"rig": [r.level for r in planned.runs], "pad_set": [r.pad_set for r in planned.runs]}
        )
        widths = expected_intervals(
            block, layout_of(block, _CROSSED), gathered_named(beliefs.common), level=question.confidence,
            seed=question.seed,
        )  # fmt: skip
        hours = hours_of(planned, options.costs)
        found.append(_GaugePlan(runs=planned, design=design, hours=hours, widths=widths))
    return found, refused


def _with_chance(
    plan: _GaugePlan, question: GaugeStudy, section: GaugeStudySection, belief: SectionBelief
) -> _GaugePlan:
    from dataclasses import replace

    width = section.tolerance.width if section.tolerance else None
    rng = np.random.default_rng(question.seed)
    names = {key: key.replace("_by_", " × ") for key in belief.scatter}
    point = {names[key]: one.sd**2 for key, one in belief.scatter.items()}
    drawn = {names[key]: one.variances(DRAWS, rng) for key, one in belief.scatter.items()}

    def judge(found: Capability) -> Verdict:
        return verdict_of(found, width, question)

    def chance(model: Model, variances: object) -> float:
        return design_chances(
            [plan.design], model, variances, mean=belief.level, sources=sources_of, judge=judge,  # type: ignore[arg-type]
            level=question.confidence, seed=question.seed,
        )[0].probability  # fmt: skip

    return replace(plan, chance=chance(_CROSSED, point), expected=chance(_CROSSED, drawn))


def _gauge_table(plans: list[_GaugePlan], chosen: _GaugePlan) -> Table:
    return Table(
        key="plans",
        caption="The plans that no cheaper one equals, by rig hours",
        columns=(
            *_size_columns(),
            Column(key="chance", caption="probability of a verdict", kind=ColumnKind.PROBABILITY),
            Column(key="expected", caption="averaged over unknown scatter", kind=ColumnKind.PROBABILITY),
            Column(key="note", caption="", kind=ColumnKind.TEXT),
        ),
        rows=tuple((*_size(p), p.chance, p.expected, "recommended" if p is chosen else "") for p in plans),
        remarks=(
            f"Simulated through the estimators and the rule of the study, {DRAWS} studies each: good to 0.03.",
        ),
    )


def _size_columns() -> tuple[Column, ...]:
    return (
        Column(key="rigs", caption="rigs", kind=ColumnKind.COUNT),
        Column(key="sets", caption="pad sets", kind=ColumnKind.COUNT),
        Column(key="runs", caption="runs of each set on each rig", kind=ColumnKind.COUNT),
        Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
    )


def _size(plan: _GaugePlan) -> tuple[Value, ...]:
    return (plan.design.levels[0][1], plan.design.levels[1][1], plan.design.runs, plan.hours)


def _width_table(plans: list[_GaugePlan], chosen: _GaugePlan) -> Table:
    """Upper limit over value of each source, for the smallest and largest of each number of rigs "
    "and the chosen plan."""
    shown = []
    for rigs in dict.fromkeys(p.design.levels[0][1] for p in plans):
        own = sorted((p for p in plans if p.design.levels[0][1] == rigs), key=lambda p: p.hours)
        shown += [own[0], own[-1]]
    names = [one.source for one in chosen.widths]
    return Table(
        key="scatter_widths",
        caption="By how much each scatter may be larger than it looks: upper limit over standard deviation",
        columns=(
            *_size_columns(),
            *(
                Column(key=name.replace(" ", ""), caption=name.replace("_", " "), kind=ColumnKind.RATIO)
                for name in names
            ),
        ),
        rows=tuple((*_size(p), *(one.factor for one in p.widths)) for p in dict.fromkeys([*shown, chosen])),
        remarks=(
            "Limits at the expected mean squares. More runs on the same rigs do not narrow what rigs scatter.",
        ),
    )


def _rig_truth(plans: list[_GaugePlan], beliefs: PlanBeliefs) -> tuple[str, ...]:
    """The plain truth on few rigs, in numbers."""
    sentences = []
    for rigs in sorted({p.design.levels[0][1] for p in plans})[:3]:
        own = max((p for p in plans if p.design.levels[0][1] == rigs), key=lambda p: p.hours)
        rig = next((one for one in own.widths if one.source == "rig"), None)
        if rig is not None and rig.upper is not None:
            sentences.append(
                f"{rigs} rigs: a rig-to-rig standard deviation of {rig.sd:g} would come with an upper limit of about "
                f"{rig.upper:.2g}, however many runs ({own.design.total} here)."
            )
    return (*sentences, f"Scatter as {beliefs.told}.")


def _gauge_figure(plans: list[_GaugePlan], chosen: _GaugePlan, target: float) -> Figure:
    return HoursAgainstGain(
        key="plans_by_hours",
        title="What does each plan give for its rig hours?",
        reading=f"The recommended plan takes {chosen.hours:g} rig hours.",
        unit="h",
        rows=tuple(
            PlanPoint(
                label=f"{p.design.total} runs", layout=plural(p.design.levels[0][1], "rig"), hours=p.hours,
                gain=p.expected or 0.0, best=True, recommended=p is chosen,
            )
            for p in plans
        ),
        gain_label="probability of a verdict",
        target=target,
    )  # fmt: skip


def _round_robin(question: RoundRobin, beliefs: PlanBeliefs, options: PlanOptions, title: str) -> Outcome:
    if options.widest is None:
        raise StudyError(
            "plan.widest: is missing. Say how well the reproducibility standard deviation has to be "
            "known, as a share "
            "of itself, such as widest = 0.35: with 95 % probability the estimate then lies within 35 % of the truth."
        )
    scatter = beliefs.common.scatter
    between, within = scatter["rig"].sd, scatter["repeatability"].sd
    ratio = float(np.hypot(between, within) / within)
    levels = max(1, len(question.levels))
    most = options.limits.rigs or 30
    plans = []
    for p, n in product(range(3, most + 1), (2, 3, 4)):
        runs = laid_out(LayoutKind.NESTED, [f"L{i + 1}" for i in range(p)], levels, n)
        if why_not(runs, options.costs, options.limits) is None:
            plans.append(
                (hours_of(runs, options.costs), p, n, uncertainty_of_reproducibility(p, n, ratio), runs)
            )
    if not plans:
        raise StudyError("plan: no round robin can be run under the limits. Allow more sets, rigs or hours.")
    best = front(plans, lambda one: one[0], lambda one: -one[3])
    enough = [one for one in best if one[3] <= options.widest]
    chosen = enough[0] if enough else best[-1]
    reason = (
        f"{'Recommended' if enough else 'No plan within the limits is good enough; the best'}: "
        f"{chosen[1]} laboratories "
        f"with {chosen[2]} results of each of {plural(levels, 'level')}, {chosen[0]:g} rig hours. "
        "With 95 % probability "
        f"s_R then lies within {chosen[3]:.0%} of its true value, s_r within "
        f"{uncertainty_of_repeatability(chosen[1], chosen[2]):.0%}."
    )
    table = Table(
        key="plans",
        caption="The plans that no cheaper one equals, by rig hours",
        columns=(
            Column(key="laboratories", caption="laboratories", kind=ColumnKind.COUNT),
            Column(key="results", caption="results per cell", kind=ColumnKind.COUNT),
            Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
            Column(key="A_r", caption="s_r known to within", kind=ColumnKind.PERCENT),
            Column(key="A_R", caption="s_R known to within", kind=ColumnKind.PERCENT),
            Column(key="note", caption="", kind=ColumnKind.TEXT),
        ),
        rows=tuple(
            (
                p,
                n,
                hours,
                100 * uncertainty_of_repeatability(p, n),
                100 * doubt,
                "recommended" if one is chosen else "",
            )
            for one in best
            for hours, p, n, doubt, _ in [one]
        ),
        remarks=("With a probability of 95 % (ISO 5725-1:1994, 6.3.2).",),
    )
    names = tuple(str(level) for level in question.levels) or ("all",)
    sheet = sheet_table(
        chosen[4], "laboratory", names[:1], operators=options.operators, runs_per_day=options.runs_per_day,
        seed=question.seed, captions=options.columns,
    )  # fmt: skip
    return _outcome(
        title, reason, question.seed, (table, sheet), (), (f"Scatter as {beliefs.told}.",), chosen[0]
    )


def _outcome(
    title: str,
    reason: str,
    seed: int,
    tables: tuple[Table, ...],
    figures: tuple[Figure, ...],
    evidence: tuple[str, ...],
    hours: float,
) -> Outcome:
    return Outcome(
        job="plan", title=title, headline=Judgement(subject="plan", verdict=Verdict.DESCRIBED, reason=reason),
        judgements=(), evidence=evidence, tables=tables, figures=figures, numbers=(("hours", hours),),
        cannot_tell=("A plan is as good as what is believed of the scatter.",),
        methods=(
            MethodNote(
                quantity="typical interval of a standard deviation",
                method="modified large-sample limits at the expected mean squares",
                source="Burdick & Graybill (1992), Confidence Intervals on Variance Components",
            ),
        ),
        provenance=Provenance(seed=seed),
    )  # fmt: skip
