"""What a control chart says in sentences: state of a rig, evidence, limits of the design, what to run next.

In: states, signals, limits, run lengths.  Out: text.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.base.quantity import Quantity
from repeatab.control.arrays import FloatArray
from repeatab.control.beginning import Course
from repeatab.control.limits import TRIAL_BELOW, nominal_rate
from repeatab.control.signals import Side
from repeatab.jobs.charts.data import ReferenceData, Visits
from repeatab.jobs.charts.lengths import ChartLengths, LimitEffect
from repeatab.jobs.charts.links import Step
from repeatab.jobs.charts.question import ControlChart, Plotted, Reference
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import SeriesLimits
from repeatab.jobs.charts.states import CommonChange, RigState, SectionState
from repeatab.jobs.charts.watch import Began
from repeatab.jobs.charts.wear import ToldBy, Wear, changed
from repeatab.jobs.questions import Analysis
from repeatab.jobs.wording import enumerated, p_value, percent, plural, result
from repeatab.outcome.outcome import NextRuns
from repeatab.outcome.verdict import Judgement, Verdict

TOGETHER = "sections together"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """How levels and changes on the scale of the analysis are shown."""

    analysis: Analysis
    quantity: Quantity

    @property
    def ratio(self) -> bool:
        """Whether changes are ratios, shown in percent."""
        return self.analysis is Analysis.RATIO

    @property
    def change_unit(self) -> str:
        return "%" if self.ratio else self.quantity.unit

    def level(self, value: float) -> float:
        """A level in the unit of the result."""
        return math.exp(value) if self.ratio else value

    def levels(self, values: FloatArray) -> FloatArray:
        """Levels in the unit of the result."""
        return np.exp(values) if self.ratio else values

    def change(self, value: float) -> float:
        """A change: in the unit of the result, or in percent."""
        return 100 * math.expm1(value) if self.ratio else value

    def change_text(self, value: float) -> str:
        shown = self.change(value)
        if self.ratio:
            return percent(shown, sign=True)
        unit = f" {self.quantity.unit}" if self.quantity.unit else ""
        return f"{result(shown, sign=True)}{unit}"


def section_name(section: str) -> str:
    """A section as tables and figures name it."""
    return section or TOGETHER


def in_a_sentence(section: str) -> str:
    """A section as a sentence names it."""
    return section or f"the {TOGETHER}"


def rig_judgement(
    state: RigState,
    visits: Visits,
    scale: Scale,
    what: str,
) -> Judgement:
    """The state of one rig with since when and in which sections."""
    return Judgement(subject=state.rig, verdict=state.verdict, reason=_reason(state, visits, scale, what))


def _reason(state: RigState, visits: Visits, scale: Scale, what: str) -> str:
    if state.verdict is Verdict.UNDECIDED:
        troubles = dict.fromkeys(
            part.trouble for part in state.sections if part.verdict is Verdict.UNDECIDED and part.section
        )
        return " ".join(trouble[:1].upper() + trouble[1:] for trouble in troubles)
    last = f"Last visit {visits.named(len(visits) - 1)}."
    if state.verdict is Verdict.IN_CONTROL:
        informing = [part.section for part in state.sections if part.open and not part.decides]
        tail = f" {enumerated(informing)}, which only informs, signals." if informing else ""
        return f"No open signal in any section. {last}{tail}"
    first = state.first
    assert first is not None
    names = enumerated([in_a_sentence(part.section) for part in state.signalling])
    texts = [
        f"Signals in {names}, the first at visit {visits.named(first.at)} in {in_a_sentence(first.section)} "
        f"({first.rule})."
    ]
    strongest = state.strongest
    if strongest is not None and strongest.began is not None:
        where = in_a_sentence(strongest.section)
        texts.append(f"It is {what}: in {where} {began_words(strongest.began, visits, scale)}.")
        texts.append(_events_words(strongest))
    elif strongest is None:
        texts.append(f"It is {what}.")
        texts.append(_events_words(next(part for part in state.signalling if first in part.open)))
    still = any(signal.until == len(visits) - 1 for part in state.signalling for signal in part.open)
    if not still:
        texts.append("None of the signals is given any more at the last visit; none was closed by an event.")
    return " ".join([*texts, last])


def began_words(began: Began, visits: Visits, scale: Scale) -> str:
    """'probably a drift of −0.0018 per visit that began at visit …'."""
    size = scale.change_text(began.size)
    when = f"that began at visit {visits.named(began.visit)}"
    if began.first == began.last:
        between = f"({began.level:.0%})"
    else:
        between = f"(between {visits.labels[began.first]} and {visits.labels[began.last]}, {began.level:.0%})"
    if began.changes:
        course = {
            Course.STEP: "probably a step",
            Course.DRIFT: "probably a drift",
            Course.OPEN: "a step or a drift",
        }
        own = enumerated([f"{scale.change_text(change)} in {name}" for name, change in began.changes])
        return f"{course[began.course]} {when} {between}, by now {own}"
    how = {
        Course.STEP: f"probably a step of {size}",
        Course.DRIFT: f"probably a drift of {size} a visit, {scale.change_text(began.now)} by now,",
        Course.OPEN: f"{scale.change_text(began.now)} by now, by a step or a drift",
    }[began.course]
    return f"{how} {when} {between}"


def _events_words(part: SectionState) -> str:
    events = list(dict.fromkeys(event for signal in part.open for event in signal.nearby))
    if not events:
        return "No event is recorded on the rig at that time."
    shown = "; ".join(str(event) for event in events)
    return f"What else changed then: {shown}. That they fall together does not prove the cause."


def headline(
    states: Sequence[RigState], common: Sequence[CommonChange], visits: Mapping[str, Visits]
) -> Judgement:
    """All rigs in one answer."""
    signalling = [state for state in states if state.verdict is Verdict.SIGNAL]
    open_ = [state for state in states if state.verdict is Verdict.UNDECIDED]
    sound = [state.rig for state in states if state.verdict is Verdict.IN_CONTROL]
    texts = []
    for state in signalling:
        assert state.first is not None
        since = visits[state.rig].when(state.first.at)
        sections = enumerated([in_a_sentence(part.section) for part in state.signalling])
        texts.append(f"{state.rig} signals since {since} in {sections}.")
    texts += [f"{state.rig} cannot be judged yet." for state in open_]
    if sound:
        verb = "is" if len(sound) == 1 else "are"
        texts.append(f"{enumerated(sound)} {verb} in control.")
    if common:
        texts.append(
            f"{enumerated(common[0].rigs)} changed to the same side in {common[0].section}: look at the reference "
            "first."
        )
    verdict = Verdict.SIGNAL if signalling else Verdict.UNDECIDED if open_ else Verdict.IN_CONTROL
    subject = f"{plural(len(states), 'rig')} on the reference" if len(states) > 1 else states[0].rig
    return Judgement(subject=subject, verdict=verdict, reason=" ".join(texts))


def evidence(
    question: ControlChart,
    data: ReferenceData,
    lengths: ChartLengths,
    effects: Sequence[LimitEffect],
    steps: Sequence[Step],
    common: Sequence[CommonChange],
    scale: Scale,
) -> tuple[str, ...]:
    """The sentences the headline rests on."""
    texts = [_what_ran(question, data)]
    texts += [
        f"In {one.section} {enumerated(one.rigs)} changed {'upward' if one.side is Side.UP else 'downward'} together. "
        "Rigs seldom change together: store, age or lot of the reference, or something else that they share, is the "
        "first suspect."
        for one in common
    ]
    texts.append(_lengths_words(lengths, data, question))
    texts += [_effect_words(effect, question) for effect in effects[:2]]
    if steps:
        level = question.confidence
        shown = [
            f"{step.section} {scale.change_text(step.value)} "
            f"({scale.change_text(step.interval(level).lower)} to {scale.change_text(step.interval(level).upper)})"
            for step in steps
        ]
        texts.append(
            f"{steps[0].later} reads against {steps[0].earlier}, by {plural(steps[0].visits, 'overlap')} of visits on "
            f"{plural(steps[0].rigs, 'rig')}: {enumerated(shown)}. The limits move by this step at the "
            "change-over and "
            "are wider by its uncertainty."
        )
    return tuple(texts)


def _what_ran(question: ControlChart, data: ReferenceData) -> str:
    visits = sum(len(one) for one in data.visits.values())
    rate = "" if data.visits_per_month is None else f", about {data.visits_per_month:.2g} a month on each rig"
    unit = "fresh sets" if question.reference is Reference.LOT else "runs"
    return (
        f"{visits} visits of {plural(len(data.rigs), 'rig')}{rate}, {data.rows} results ({unit}) of "
        f"{enumerated(data.sources) if len(data.sources) < 6 else f'{len(data.sources)} references'} in "
        f"{plural(len(data.sections), 'section')}."
    )


def points_words(points: float, lengths: ChartLengths) -> str:
    """So many points, in months where visits have dates."""
    months = lengths.months(points)
    return f"{_rounded(points)} visits" if months is None else f"{_rounded(months)} months"


def _rounded(value: float) -> str:
    """Two digits: an average over decades deserves no more."""
    return f"{float(f'{value:.2g}'):.{1 if value < 9.95 else 0}f}"


def _lengths_words(lengths: ChartLengths, data: ReferenceData, question: ControlChart) -> str:
    main = next(one for one in lengths.charts if not one.alone)
    at = lengths.shifts.index(question.shift)
    shifted = main.shifted[at]
    assert shifted is not None
    texts = [
        f"In one section of one rig, {main.words}: one false alarm in about {points_words(main.in_control, lengths)}; "
        f"a shift of {question.shift:g} standard deviations is found after about {points_words(shifted, lengths)}."
    ]
    for one in lengths.charts:
        if one is main or one.alone or one.joint or one.shifted[at] is None:
            continue
        found = one.shifted[at]
        assert found is not None
        texts.append(
            f"{one.words[:1].upper()}{one.words[1:]}: one in about {points_words(one.in_control, lengths)}, "
            "found after "
            f"about {points_words(found, lengths)}."
        )
    rigs, sections = len(data.rigs), len(data.sections)
    if rigs * sections > 1:
        whole = lengths.of_the_lab(rigs, sections)
        texts.append(
            f"All charts of the {rigs * sections} series together: one false alarm in about "
            f"{points_words(whole, lengths)} or longer, so a lone signal calls for a repeated visit before more."
        )
    return " ".join(texts)


def _effect_words(effect: LimitEffect, question: ControlChart) -> str:
    nominal = nominal_rate(question.shewhart.limit)
    who = "1 series rests" if effect.series == 1 else f"{effect.series} series rest"
    who += f" on {effect.base} base visits"
    if effect.linked:
        who += f", and the linked change-over leaves their centre as well known as from {effect.as_good_as}"
    if effect.trial:
        return (
            f"{who}. {question.shewhart.limit:g}-sigma limits from so few would give "
            f"{100 * effect.plain_rate:.2g} % false "
            f"alarms a point instead of {100 * nominal:.2g} %; below {TRIAL_BELOW} the limits are trial "
            "prediction limits "
            f"instead, at {effect.factor:.3g} estimated standard deviations."
        )
    found = next((one for _, one in effect.effects if one is not None), None)
    tail = (
        ""
        if found is None
        else f"; one chart in ten gives false alarms more often than once in {found.one_in_ten:.3g} points, "
        "where known "
        f"limits give one in {found.nominal:.3g}"
    )
    return (
        f"{who}: {100 * effect.plain_rate:.2g} % of sound points lie beyond the "
        f"limits instead of {100 * nominal:.2g} %{tail}."
    )


def cannot_tell(
    question: ControlChart,
    data: ReferenceData,
    wear: Mapping[tuple[str, str], Wear],
    states: Sequence[RigState],
    causes: Iterable[str],
) -> tuple[str, ...]:
    """What this design leaves open."""
    found = [*data.set_aside]
    if question.reference is Reference.LOT:
        if len(data.rigs) == 1:
            found.append(
                f"With {data.rigs[0]} alone a change of the rig cannot be told from a change of the reference lot."
            )
        if not data.lots_told:
            found.append(
                "The reference lot is not recorded, so a change of lot would look like a change of the rigs."
            )
        if data.repeats:
            found.append(
                "Some sets came back at later visits. A worn set reads differently: their wear goes into the chart as "
                f'if the rig had changed. Run fresh sets, or state reference = "{Reference.SET.value}".'
            )
    told = {one.told_by for one in wear.values()}
    if ToldBy.NOTHING in told:
        found.append(
            "The same set ran again and again on one rig: its wear and the rig's drift are one number, and every "
            "signal is of both together. Sets of overlapping ages at the same visits, or the same programme "
            "on further "
            "rigs, would tell them apart."
        )
    if ToldBy.RIGS in told:
        found.append(
            "Wear is taken from the other rigs: a drift that all rigs share would pass for wear"
            + (", and with two rigs it cannot be told which of them drifts." if len(data.rigs) == 2 else ".")
        )
    found += [
        f"{cause}: the step between them and a change of the rig at that time are one number; the limits start anew "
        "there."
        for cause in dict.fromkeys(causes)
        if cause.endswith("without overlap")
    ]
    found += dict.fromkeys(
        f"The joint chart of {part.rig} is not formed: {part.trouble}"
        for state in states
        for part in state.sections
        if not part.section and part.trouble
    )
    found.append("Whether a rig reads true: the charts show change since the base period, not error.")
    return tuple(found)


def next_runs(states: Sequence[RigState], question: ControlChart) -> NextRuns | None:
    """What to run next in words."""
    texts = []
    signalling = [state.rig for state in states if state.verdict is Verdict.SIGNAL]
    if signalling:
        fresh = (
            "fresh sets of the reference lot" if question.reference is Reference.LOT else "the reference set"
        )
        texts.append(
            f"{enumerated(signalling)}: repeat the reference with {fresh} before further customers' runs are "
            "relied on; "
            "a signal that stays is the rig's. When the cause is found, put it into the events (a restart, or "
            f'"{question.closing[0] if question.closing else "signal closed"}").'
        )
    for state in states:
        for part in state.sections:
            if part.verdict is Verdict.UNDECIDED and "being formed" in part.trouble:
                texts.append(f"{state.rig}: {part.trouble} Run the rest.")
                break
    return NextRuns(sentence=" ".join(texts)) if texts else None


def neighbours_words(limits: SeriesLimits) -> str:
    """What the test on neighbours led to."""
    test = limits.neighbours
    if limits.recorded is not None and limits.model is None:
        return "points are charted, as then"
    if test is None and limits.model is None:
        return "too few base visits to test"
    if limits.model is not None:
        return f"residuals are charted (carry-over {limits.model.carry:.2f})"
    assert test is not None
    return f"points are charted ({p_value(test.p)})"


def of_what(series: Series | None, data: ReferenceData) -> str:
    """What a change on this chart is a change of."""
    if series is None:
        return "a change of the rig"
    sets = () if series.wear is None else tuple(data.sources[i] for i in np.unique(series.cells.source))
    return changed(series.wear, series.rig, sets, len(data.rigs))


def side_word(side: Side) -> str:
    return {Side.UP: "up", Side.DOWN: "down", Side.EITHER: "either"}[side]


PLOTTED_WORDS = {
    Plotted.SINGLE: "means of visits as single results",
    Plotted.MEAN_AND_RANGE: "mean and range of each visit, limits from the scatter within visits",
    Plotted.MEAN_AND_SD: "mean and standard deviation of each visit, limits from the scatter within visits",
    Plotted.VISITS: "means of visits, visit-to-visit and within-visit scatter kept apart",
}
