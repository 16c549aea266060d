"""The state of the rigs in sentences: the answer, one judgement a rig, what to run next.

In: states with their signals, visits.  Out: judgements and text.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repeatab.control.beginning import Course
from repeatab.jobs.charts.data import Visits
from repeatab.jobs.charts.question import ControlChart, Reference
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.signals import Began, ScatterBegan
from repeatab.jobs.charts.states import CommonChange, RigState, SectionState
from repeatab.jobs.charts.words import in_a_sentence, times
from repeatab.jobs.wording import enumerated, plural
from repeatab.outcome.outcome import NextRuns
from repeatab.outcome.verdict import Judgement, Verdict


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
    strongest, loosest = state.strongest, state.loosest
    if strongest is not None and strongest.began is not None:
        where = in_a_sentence(strongest.section)
        texts.append(f"It is {what}: in {where} {began_words(strongest.began, visits, scale)}.")
    else:
        texts.append(f"It is {what}.")
    if loosest is not None and loosest.scatter_began is not None:
        texts.append(scatter_words(loosest.scatter_began, in_a_sentence(loosest.section), visits))
    texts.append(
        _events_words(strongest or loosest or next(part for part in state.signalling if first in part.open))
    )
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


def scatter_words(began: ScatterBegan, where: str, visits: Visits) -> str:
    """'In fade the runs of a visit scatter 2.4 times as much as before …'."""
    between = ""
    if began.first != began.last:
        between = f"between {visits.labels[began.first]} and {visits.labels[began.last]}, "
    return (
        f"In {where} the runs of a visit scatter {times(began.ratio)} times as much as before "
        f"({times(began.lower)} to {times(began.upper)}), probably since visit {visits.named(began.visit)} "
        f"({between}{began.level:.0%})."
    )


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
