"""Figures of a control chart, as data: the state of all rigs first, then the rigs that are drawn one by one.

In: states, series with their watched regimes, joint charts, events.  Out: figures.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repeatab.intake.events import Event
from repeatab.jobs.charts.charted import Charted
from repeatab.jobs.charts.data import Visits
from repeatab.jobs.charts.history_figures import event_marks, history_reading, history_strip
from repeatab.jobs.charts.joint_figures import joint_figures
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.smoothed_figures import smoothed_figures
from repeatab.jobs.charts.states import RigState
from repeatab.jobs.charts.words import section_name
from repeatab.jobs.wording import enumerated
from repeatab.outcome.figures import Figure, ReferenceHistory, RigStates
from repeatab.outcome.history_figures import RigSectionState
from repeatab.outcome.verdict import Verdict

MOST_RIGS = 12
"""Rigs drawn one by one, those that signal first; the state of the others stands in the first figure."""


def chart_figures(
    question: ControlChart, charted: Charted, events: Sequence[Event], scale: Scale
) -> tuple[Figure, ...]:
    """All figures, rigs that signal first."""
    states, signals, visits = charted.states, charted.signals, charted.data.visits
    series, watched = charted.series, charted.watched
    found: list[Figure] = [_states_figure(states, visits)]
    drawn = drawn_rigs(states)
    for number, rig in enumerate(drawn, start=1):
        mine = [one for one in signals if one.rig == rig]
        marks = event_marks(question, rig, visits[rig], events)
        names = [section.name for section in question.sections if (rig, section.name) in series]
        strips = tuple(history_strip(series[rig, name], watched[rig, name], mine, scale) for name in names)
        state = next(one for one in states if one.rig == rig)
        found.append(
            ReferenceHistory(
                key=f"reference-history-{number}", title=f"{rig}: is it still what it was?",
                reading=history_reading(state, visits[rig], marks), unit=scale.quantity.unit, strips=strips,
                events=marks, dated=visits[rig].dated,
            )
        )  # fmt: skip
        found += smoothed_figures(question, rig, number, names, series, watched, marks, visits[rig])
    found += joint_figures(question, drawn, charted.joint, signals, visits)
    return tuple(found)


def drawn_rigs(states: Sequence[RigState]) -> list[str]:
    """The rigs that get figures of their own."""
    order = {Verdict.SIGNAL: 0, Verdict.UNDECIDED: 1}
    ranked = sorted(states, key=lambda state: order.get(state.verdict, 2))[:MOST_RIGS]
    chosen = {state.rig for state in ranked}
    return [state.rig for state in states if state.rig in chosen]


def _states_figure(states: Sequence[RigState], visits: Mapping[str, Visits]) -> RigStates:
    sections = tuple(dict.fromkeys(section_name(part.section) for state in states for part in state.sections))
    cells = tuple(
        RigSectionState(
            rig=state.rig, section=section_name(part.section), state=part.verdict.value,
            since=visits[state.rig].when(part.open[0].at) if part.open else "", decides=part.decides,
        )
        for state in states
        for part in state.sections
    )  # fmt: skip
    loud = [state.rig for state in states if state.verdict is Verdict.SIGNAL]
    reading = f"{enumerated(loud)} signal{'s' if len(loud) == 1 else ''}" if loud else "No rig signals"
    return RigStates(
        key="state-of-the-rigs",
        title="Which rigs are in control?",
        reading=f"{reading}; the date under a mark says since when.",
        unit="",
        rigs=tuple(state.rig for state in states),
        verdicts=tuple(state.verdict.value for state in states),
        sections=sections,
        states=cells,
    )
