"""What to run next after a gauge study that left its verdict open.

In: judged sections, data and fits.  Out: NextRuns, or None where every deciding section has its verdict.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from repeatab.jobs.gauge.data import OPERATOR, PAD_LOT, PAD_SET, RIG, GaugeData
from repeatab.jobs.gauge.fit import sources_of
from repeatab.jobs.gauge.sections import GaugedSection, verdict_of
from repeatab.jobs.gauge.words import WORDS
from repeatab.jobs.questions import GaugeStudy
from repeatab.jobs.wording import enumerated, plural, probability
from repeatab.judgement.capability import Capability, SourceRole
from repeatab.judgement.grr_of_many import JudgedScatter
from repeatab.layout.terms import Model, model_of
from repeatab.outcome.outcome import NextRuns
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Verdict
from repeatab.planning.gauge_designs import DesignChance, GaugeDesign, design_chances

_TARGET = 0.80
# Larger studies than this are not a gauge study any more; common practice, no source.
_MOST_RUNS = 600


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    section: str
    chances: tuple[DesignChance, ...]
    largest: str


def gauge_next_runs(
    sections: Sequence[GaugedSection], question: GaugeStudy, data: GaugeData
) -> NextRuns | None:
    """Simulate larger designs for the deciding sections that are open; where sets ran once, say what
    separates."""
    open_ones = [
        section for section in sections
        if section.asked.decides and section.capability is not None and section.verdict is Verdict.UNDECIDED
    ]  # fmt: skip
    if not open_ones:
        return None
    bound = [s for s in open_ones if s.capability is not None and s.capability.upper_bound]
    if bound:
        return NextRuns(
            sentence="First separate the pad sets from the measurement: run at least two pad sets twice on the "
            "same rig under the same conditions, more if they are to say how well the rig repeats (each pair of "
            "runs gives one degree of freedom)."
        )
    if PAD_SET not in data.factors:
        return NextRuns(
            sentence="Run several pad sets, or state a tolerance, so that R&R has something to be set against."
        )
    plans = [_plan(section, question, data) for section in open_ones]
    return NextRuns(sentence=_sentence(plans), table=_table(plans))


def _plan(section: GaugedSection, question: GaugeStudy, data: GaugeData) -> _Plan:
    assert section.capability is not None
    model, variances = _model(section.capability, data)

    def judge(found: JudgedScatter) -> Verdict:
        return verdict_of(found, section.width, question)

    chances = design_chances(
        _designs(data, section.runs), model, variances, mean=section.level, sources=sources_of, judge=judge,
        against_total=section.width is None, level=question.confidence, seed=question.seed,
    )  # fmt: skip
    return _Plan(section=section.name, chances=chances, largest=_largest(section.capability))


def _largest(capability: Capability) -> str:
    """The source that adds most to R&R."""
    pairs = zip(capability.sources, capability.components, strict=True)
    measuring = [(scatter.sd, source.name) for source, scatter in pairs if source.role is not SourceRole.PART]
    return max(measuring)[1]


def _model(capability: Capability, data: GaugeData) -> tuple[Model, dict[str, float]]:
    """The section's components as a crossed model; the scatter of lots goes to the sets, which are drawn
    anew."""
    variances: dict[str, float] = {}
    terms: dict[str, tuple[str, ...]] = {}
    for source, scatter in zip(capability.sources, capability.components, strict=True):
        names = tuple(part.replace(" ", "_") for part in source.names[-1].split(" × "))
        if names == (PAD_LOT,):
            names = (PAD_SET,)
        key = " × ".join(names)
        variances[key] = variances.get(key, 0.0) + scatter.sd**2
        if set(names) <= set(data.factors):
            terms[key] = names
    return model_of(random=list(terms.values())), variances


def _designs(data: GaugeData, runs: int) -> list[GaugeDesign]:
    """The present size, and more sets, more runs, more rigs and operators."""
    base = {name: data.levels(name) for name in (RIG, OPERATOR, PAD_SET) if name in data.factors}
    each = max(1, round(runs / math.prod(base.values())))
    conditions = [name for name in (RIG, OPERATOR) if name in base]
    tries: list[tuple[dict[str, int], int]] = [
        (base, each),
        (base, each + 1),
        (base | {PAD_SET: 2 * base[PAD_SET]}, each),
    ]
    for factor in (2, 4):
        wide = base | {name: factor * base[name] for name in conditions}
        tries += [(wide, each), (wide, 1 if each > 1 else 2)] if conditions else []
    designs = {GaugeDesign(levels=tuple(levels.items()), runs=n) for levels, n in tries}
    return sorted((d for d in designs if d.total <= _MOST_RUNS), key=lambda d: (d.total, d.levels, d.runs))


def _sentence(plans: Sequence[_Plan]) -> str:
    sentences = []
    for plan in plans:
        enough = [chance for chance in plan.chances if chance.probability >= _TARGET]
        if enough:
            sentences.append(
                f"{plan.section}: {_in_words(enough[0].design)} in all would bring a verdict with a probability of "
                f"{probability(enough[0].probability)}."
            )
        else:
            best = max(plan.chances, key=lambda chance: chance.probability)
            sentences.append(
                f"{plan.section}: no study tried (up to {_MOST_RUNS} runs) brings a verdict with a probability of "
                f"{probability(_TARGET)}; the best, {_in_words(best.design)}, has {probability(best.probability)}. "
                f"Making the largest part of R&R smaller ({plan.largest}) helps more than runs."
            )
    return "If the scatter is as estimated: " + " ".join(sentences)


def _in_words(design: GaugeDesign) -> str:
    levels = enumerated([plural(count, WORDS[name]) for name, count in design.levels])
    return f"{levels}, each combination run {_times(design.runs)} ({design.total} runs)"


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _table(plans: Sequence[_Plan]) -> Table:
    names = [name for name, _ in plans[0].chances[0].design.levels]
    rows: tuple[tuple[Value, ...], ...] = tuple(
        (plan.section, *(count for _, count in chance.design.levels), chance.design.runs, chance.design.total,
         chance.probability)
        for plan in plans
        for chance in plan.chances
    )  # fmt: skip
    return Table(
        key="more_runs",
        caption="What a study of this size in all would bring, if the scatter is as estimated",
        columns=(
            Column(key="section", caption="section", kind=ColumnKind.TEXT),
            *(Column(key=name, caption=f"{WORDS[name]}s", kind=ColumnKind.COUNT) for name in names),
            Column(key="runs", caption="runs of each combination", kind=ColumnKind.COUNT),
            Column(key="total", caption="runs in all", kind=ColumnKind.COUNT),
            Column(key="probability", caption="probability of a verdict", kind=ColumnKind.PROBABILITY),
        ),
        rows=rows,
        remarks=("Simulated with the estimators and the rule of this study; good to about 0.03.",),
    )
