"""What the answer of a control chart rests on, and what its design leaves open, in sentences.

In: reference data, run lengths, effects of estimated limits, steps between references, wear.  Out: text.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from repeatab.control.limits import TRIAL_BELOW, nominal_rate
from repeatab.control.signals import Side
from repeatab.jobs.charts.data import Key, ReferenceData
from repeatab.jobs.charts.lengths import ChartLengths, LimitEffect
from repeatab.jobs.charts.links import Step
from repeatab.jobs.charts.past_corrections import ToldBy
from repeatab.jobs.charts.question import ControlChart, Reference
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.states import CommonChange, RigState
from repeatab.jobs.charts.wear import Wear
from repeatab.jobs.wording import enumerated, plural


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
        if one is main or one.alone or one.joint or one.residuals is not None or one.shifted[at] is None:
            continue
        found = one.shifted[at]
        assert found is not None
        texts.append(
            f"{one.words[:1].upper()}{one.words[1:]}: one in about {points_words(one.in_control, lengths)}, "
            "found after "
            f"about {points_words(found, lengths)}."
        )
    texts += _residual_words(lengths, at)
    rigs, sections = len(data.rigs), len(data.sections)
    if rigs * sections > 1:
        whole = lengths.of_the_lab(rigs, sections)
        texts.append(
            f"All charts of the {rigs * sections} series together: one false alarm in about "
            f"{points_words(whole, lengths)} or longer, so a lone signal calls for a repeated visit before more."
        )
    return " ".join(texts)


def _residual_words(lengths: ChartLengths, at: int) -> list[str]:
    """How soon the same shift is found where residuals are charted, for the two series that carry over most."""
    texts = []
    for series in list(dict.fromkeys(one.residuals for one in lengths.charts if one.residuals))[:2]:
        mine = [one for one in lengths.charts if one.residuals == series]
        found = [(one.words, one.shifted[at]) for one in mine]
        shown = [
            f"{points_words(points, lengths)} by {words}" for words, points in found if points is not None
        ]
        texts.append(
            f"In {series} residuals are charted (carry-over {series.carry:.2f}): a shift shows in full at its first "
            f"visit and then {1 - series.carry:.2f} times; the same shift is found there after about "
            f"{enumerated(shown)}."
        )
    return texts


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
    wear: Mapping[Key, Wear],
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
