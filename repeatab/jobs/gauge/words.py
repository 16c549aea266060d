"""The sentences of a gauge study: the evidence and what it cannot tell.

In: judged sections, data and checks.  Out: text.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from repeatab.jobs.gauge.checks import GaugeChecks
from repeatab.jobs.gauge.data import OPERATOR, PAD_LOT, PAD_SET, RIG, GaugeData
from repeatab.jobs.gauge.fit import SectionFit, mixture_sentences, shown
from repeatab.jobs.gauge.scale import Scale
from repeatab.jobs.gauge.sections import GaugedSection
from repeatab.jobs.questions import Analysis, GaugeStudy
from repeatab.jobs.wording import enumerated, p_value, plural, result
from repeatab.judgement.capability import Capability, Scatter, SourceRole
from repeatab.judgement.measures import ENOUGH_CATEGORIES, distinct_categories

WORDS = {RIG: "rig", OPERATOR: "operator", PAD_LOT: "pad lot", PAD_SET: "pad set"}


def amount(value: float, scale: Scale) -> str:
    """A standard deviation or slope on the scale shown, with its unit."""
    if scale.analysis is Analysis.RATIO:
        return f"{100 * value:.2f} %"
    unit = f" {scale.quantity.unit}" if scale.quantity.unit else ""
    return result(value).replace("-", "\u2212") + unit


def between(low: float, high: float, scale: Scale) -> str:
    """An interval of standard deviations or slopes."""
    top = amount(high, scale) if math.isfinite(high) else "no upper limit"
    return f"{amount(low, scale)} to {top}"


def evidence(
    sections: Sequence[GaugedSection],
    question: GaugeStudy,
    data: GaugeData,
    checks: GaugeChecks,
    scale: Scale,
) -> tuple[str, ...]:
    """What the verdict rests on, the design first."""
    sentences = [_design(data)]
    for section in sections:
        if section.capability is not None:
            sentences += _section_sentences(section, section.capability, question, scale)
    sentences += _check_sentences(checks, question, scale)
    return tuple(sentences)


def _design(data: GaugeData) -> str:
    levels = [
        plural(data.levels(name), WORDS[name])
        for name in (RIG, OPERATOR, PAD_LOT, PAD_SET)
        if name in data.factors
    ]
    fewest, most = data.runs_per_set
    runs = f"{most}" if fewest == most else f"{fewest} to {most}"
    count = len(data.table) / len(data.sections)
    per = f"{count:.0f}" if count == int(count) else f"About {count:.0f}"
    which = enumerated(levels) if levels else "one pad set on one rig"
    return f"{per} runs per section: {which}; each pad set ran {_times(runs)}."


def _times(runs: str) -> str:
    return {"1": "once", "2": "twice"}.get(runs, f"{runs} times")


def _section_sentences(
    section: GaugedSection, found: Capability, question: GaugeStudy, scale: Scale
) -> list[str]:
    bound = "at most " if found.upper_bound else ""
    first = next(source for source in found.sources if source.role is SourceRole.REPEATABILITY)
    what = f"{enumerated(first.names)} together" if first.bounds else "repeatability"
    parts = [f"{what} {amount(found.repeatability.sd, scale)}"]
    if found.reproducibility is not None:
        parts.append(f"{_conditions(found)} {amount(found.reproducibility.sd, scale)}")
    if found.interaction is not None:
        parts.append(f"interaction with the pad sets {amount(found.interaction.sd, scale)}")
    measuring = [
        (scatter.sd**2, source)
        for source, scatter in zip(found.sources, found.components, strict=True)
        if source.role is not SourceRole.PART
    ]
    most, largest = max(measuring, key=lambda pair: pair[0])
    if len(measuring) > 1 and found.grr.sd > 0:
        parts[-1] += (
            f"; {100 * most / found.grr.sd**2:.0f} % of its variance comes from {enumerated(largest.names)}"
        )
    beside = f"; pad sets {_with_limits(found.parts, scale)}" if found.parts is not None else ""
    sentences = [
        f"{section.name}: R&R {bound}{_with_limits(found.grr, scale)} as a standard deviation ("
        f"{', '.join(parts)}){beside}."
    ]
    if found.parts is not None and not found.upper_bound and found.grr.sd > 0:
        sentences.append(f"{section.name}: {_categories(distinct_categories(found.parts.sd, found.grr.sd))}")
    other = found.total_percent
    if section.tolerance_percent is not None and other is not None and other.interval is not None:
        sentences.append(
            f"{section.name}: of the total variation R&R is {other.value:.1f} % ({other.interval.lower:.1f} to "
            f"{other.interval.upper:.1f} %)."
        )
    if section.process is not None:
        sentences.append(_process_sentence(section, question))
    return sentences


def _categories(count: int) -> str:
    if count < 2:
        return "one distinct category: R&R is so large that the pad sets cannot be told apart."
    enough = "enough" if count >= ENOUGH_CATEGORIES else f"fewer than the {ENOUGH_CATEGORIES} wanted"
    return f"{count} distinct categories of pad sets can be told apart ({enough})."


def _process_sentence(section: GaugedSection, question: GaugeStudy) -> str:
    found = section.process
    assert found is not None
    inside = found.q_mp <= question.bands.process
    text = (
        f"{section.name}: measurement process Q_MP = {found.q_mp:.1f} % of the tolerance, "
        f"{'within' if inside else 'beyond'} the limit of {question.bands.process:g} % (C_MP = {found.c_mp:.2f})."
    )
    if not found.resolution_is_fine_enough:
        text += f" One step of the indication is {found.resolution_percent:.1f} % of the tolerance; 5 % is wanted."
    return text


def _conditions(found: Capability) -> str:
    names = {
        name for source in found.sources for name in source.names if source.role.value == "reproducibility"
    }
    rig, operator = any(RIG in name for name in names), any(OPERATOR in name for name in names)
    return "rigs and operators" if rig and operator else "rigs" if rig else "operators"


def _with_limits(scatter: Scatter, scale: Scale) -> str:
    if scatter.interval is None:
        return amount(scatter.sd, scale)
    return f"{amount(scatter.sd, scale)} ({between(scatter.interval.lower, scatter.interval.upper, scale)})"


def _check_sentences(checks: GaugeChecks, question: GaugeStudy, scale: Scale) -> list[str]:
    sentences = []
    found = {name: trend for name, trend in checks.trends.items() if trend.found}
    for name, trend in found.items():
        change = ("+" if trend.slope > 0 else "") + amount(trend.slope, scale)
        taken = (
            "it is taken out before the components are estimated"
            if question.remove_wear
            else f"it is inside repeatability; with it taken out R&R would be {amount(trend.grr_without, scale)}"
        )
        sentences.append(
            f"{name}: the sets change by {change} per run ({between(trend.lower, trend.upper, scale)}; "
            f"{p_value(trend.adjusted_p)} over all sections); {taken}."
        )
    if checks.trends and not found:
        sentences.append(
            f"No trend with the order of runs within the sets is found (smallest "
            f"{p_value(min(t.adjusted_p for t in checks.trends.values()))} over all sections)."
        )
    for name, rigs in checks.rigs.items():
        if rigs.unequal:
            worst, least = (
                rigs.equality.worst,
                min(range(len(rigs.rigs)), key=lambda i: rigs.equality.scatters[i].sd),
            )
            sentences.append(
                f"{name}: the rigs do not repeat alike ({p_value(rigs.adjusted_p)}): {rigs.rigs[worst]} scatters by "
                f"{amount(rigs.equality.scatters[worst].sd, scale)}, {rigs.rigs[least]} by "
                f"{amount(rigs.equality.scatters[least].sd, scale)}."
            )
    if checks.rigs and not any(rigs.unequal for rigs in checks.rigs.values()):
        joint = any(rigs.joint for rigs in checks.rigs.values())
        what = "how much single runs scatter (sets included)" if joint else "how well they repeat"
        sentences.append(f"The rigs show no difference in {what}.")
    return sentences


def cannot_tell(
    sections: Sequence[GaugedSection],
    data: GaugeData,
    fits: dict[str, SectionFit],
    checks: GaugeChecks,
) -> tuple[str, ...]:
    """What this design leaves open."""
    sentences = [f"{s.name}: {s.trouble}" for s in sections if s.trouble]
    for fit in fits.values():
        if fit.part is None:
            continue
        sentences += [f"{text} {remedy}" for _, text, remedy in mixture_sentences(fit.part.layout)]
        for note in fit.part.layout.notes():
            if len(note.sources) == 1:
                words = f"{fit.section}: {shown(str(note))}"
                sentences.append(words)
    for name, label in data.single.items():
        if name in (RIG, OPERATOR):
            sentences.append(
                f"Only one {WORDS[name]} ({label}) took part: how far {WORDS[name]}s differ is not in R&R."
            )
    for name in data.absent:
        sentences.append(f"The {WORDS[name]} is not recorded: its share of the scatter is inside the others.")
    if any(s.capability is not None and s.capability.upper_bound for s in sections):
        sentences.append(
            "R&R is an upper bound here: scatter of the pad sets is inside it, so no number of distinct categories "
            "is given. Pads are used up by a run; where that rules out second runs, only a bound can be had."
        )
    if checks.order_with_rig:
        sentences.append(
            "The sets went through the rigs in one order, so wear of the sets and the rigs are one. Run some sets "
            "in another order of rigs."
        )
    elif not data.has_order and data.runs_per_set[1] > 1:
        sentences.append(
            "The order of runs is not recorded, so a trend from run to run of a set cannot be tested. Record it "
            "(a column run_order or time)."
        )
    for section in sections:
        if section.asked.tolerance is not None and section.width is None:
            sentences.append(
                f"{section.name}: the tolerance has one side only (or no logarithm), so it has no width to set R&R "
                "against; the verdict rests on the total variation."
            )
    sentences.append(
        "Whether the rigs read true: a gauge study shows scatter, not an error common to all rigs."
    )
    return tuple(dict.fromkeys([*sentences, *data.set_aside]))
