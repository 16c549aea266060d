"""Figures of a control chart, as data.

In: states, series with their watched regimes, joint charts, events.  Out: figures, the state of all rigs first.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date

import numpy as np

from repeatab.control.arrays import IntArray
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Visits
from repeatab.jobs.charts.joint import JointRegime
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import SeriesLimits, base_kept
from repeatab.jobs.charts.states import RigState
from repeatab.jobs.charts.watch import ChartSignal, GivenBy, Stretch, Watched
from repeatab.jobs.charts.wear import ToldBy
from repeatab.jobs.charts.words import TOGETHER, Scale, section_name
from repeatab.jobs.wording import enumerated, plural
from repeatab.outcome.figures import Figure, JointHistory, ReferenceHistory, RigStates, SmoothedHistory
from repeatab.outcome.history_figures import (
    HistoryEvent,
    HistoryLine,
    HistoryPoint,
    HistoryStrip,
    PointUse,
    RigSectionState,
)
from repeatab.outcome.verdict import Verdict

MOST_RIGS = 12
"""Rigs drawn one by one, those that signal first; the state of the others stands in the first figure."""
_MOST_POINTS = 400
_FIRST_DAY = date(1970, 1, 1).toordinal()

Key = tuple[str, str]


def chart_figures(
    question: ControlChart,
    states: Sequence[RigState],
    series: Mapping[Key, Series],
    watched: Mapping[Key, tuple[Watched, ...]],
    joint: Mapping[str, tuple[JointRegime, ...]],
    signals: Sequence[ChartSignal],
    events: Sequence[Event],
    visits: Mapping[str, Visits],
    scale: Scale,
) -> tuple[Figure, ...]:
    """All figures, rigs that signal first."""
    found: list[Figure] = [_states_figure(states, visits)]
    drawn = drawn_rigs(states)
    for number, rig in enumerate(drawn, start=1):
        mine = [one for one in signals if one.rig == rig]
        marks = _events(question, rig, visits[rig], events)
        names = [section.name for section in question.sections if (rig, section.name) in series]
        strips = tuple(_history_strip(series[rig, name], watched[rig, name], mine, scale) for name in names)
        state = next(one for one in states if one.rig == rig)
        found.append(
            ReferenceHistory(
                key=f"reference-history-{number}", title=f"{rig}: is it still what it was?",
                reading=_history_reading(state, visits[rig], marks), unit=scale.quantity.unit, strips=strips,
                events=marks, dated=visits[rig].dated,
            )
        )  # fmt: skip
        found += _smoothed(question, rig, number, names, series, watched, marks, visits[rig])
    found += _joint_figures(question, drawn, joint, signals, visits)
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


def _places(visits: Visits, chosen: IntArray) -> list[float]:
    """Where visits stand on the axis: by their days, else by their order."""
    if visits.dated:
        found: list[float] = (visits.stamps[chosen].astype(np.float64) + _FIRST_DAY).tolist()
        return found
    return [float(index + 1) for index in chosen]


def _events(
    question: ControlChart, rig: str, visits: Visits, events: Sequence[Event]
) -> tuple[HistoryEvent, ...]:
    if not visits.dated:
        return ()
    low, high = date.fromisoformat(visits.days[0]), date.fromisoformat(visits.days[-1])
    return tuple(
        HistoryEvent(
            place=float(date.fromisoformat(event.day).toordinal()),
            label=f"{event.day} {event.kind}" + (f": {event.text}" if event.text else ""),
            restarts=event.kind in question.restart_at,
        )
        for event in events
        if event.concerns(rig) and low <= date.fromisoformat(event.day) <= high
    )


def _history_reading(state: RigState, visits: Visits, marks: Sequence[HistoryEvent]) -> str:
    tail = f" {plural(len(marks), 'event')} marked by number." if marks else ""
    if state.verdict is not Verdict.SIGNAL:
        return f"{state.rig} is {'in control' if state.verdict is Verdict.IN_CONTROL else 'not judged yet'}.{tail}"
    names = enumerated([section_name(part.section) for part in state.signalling])
    first = state.first
    assert first is not None
    return f"{state.rig} signals in {names} since {visits.when(first.at)}; diamonds mark the points.{tail}"


def _history_strip(
    series: Series, watched: tuple[Watched, ...], signals: Sequence[ChartSignal], scale: Scale
) -> HistoryStrip:
    loud = {
        point
        for one in signals
        if one.section == series.section and one.given_by in (GivenBy.LIMIT, GivenBy.RULE, GivenBy.SCATTER)
        for point in (*one.points, *range(one.at, one.until + 1))
    }
    points: list[HistoryPoint] = []
    stretches: list[int] = []
    for one in watched:
        regime = one.regime
        judged = set(regime.new.tolist())
        kept = set(base_kept(regime, one.limits).tolist()) if one.limits else set(regime.base.tolist())
        places = np.arange(regime.start, regime.stop)[-_MOST_POINTS:]
        visits = series.visit[places]
        columns = (
            places.tolist(), visits.tolist(), _places(series.visits, visits),
            scale.levels(series.cells.mean[places]).tolist(), _bounds(series, one.limits, places, scale),
        )  # fmt: skip
        for place, visit, at, value, (centre, low, high) in zip(*columns, strict=True):
            use = PointUse.NEW if place in judged else PointUse.BASE if place in kept else PointUse.LEFT_OUT
            points.append(
                HistoryPoint(
                    place=at, label=series.visits.labels[visit], value=value, centre=centre, lower=low, upper=high,
                    use=use, signal=visit in loud,
                )
            )  # fmt: skip
        # A new reference starts a new line too: its level is another.
        stretches += (1000 * regime.number + series.cells.source[places]).tolist()
    line = HistoryLine(name="mean of the visit", points=tuple(points), stretches=tuple(stretches))
    return HistoryStrip(label=_strip_name(series), lines=(line,))


def _strip_name(series: Series) -> str:
    """The section, with the joint name where wear and drift are one number."""
    if series.wear is None or series.wear.told_by is not ToldBy.NOTHING:
        return series.section
    return f"{series.section} (drift of the rig and wear of the set, mixed together)"


def _bounds(
    series: Series, limits: SeriesLimits | None, places: IntArray, scale: Scale
) -> list[tuple[float | None, float | None, float | None]]:
    """Centre and limits of each point in the unit of its own reference; none for residuals and without limits."""
    if limits is None:
        return [(None, None, None)] * places.size
    offset = series.offset[places]
    if limits.model is not None:
        # What the point before made one expect is the centre of a residual chart.
        before = np.concatenate([[limits.model.centre], series.level[places][:-1]])
        centre = limits.model.centre + limits.model.carry * (before - limits.model.centre)
        half = limits.limits.factor * np.full(places.size, limits.model.step_sd)
    else:
        centre = np.full(places.size, limits.limits.centre)
        sd = np.sqrt(limits.sd(series.cells.count[places]) ** 2 + series.extra[places])
        half = limits.limits.factor * sd
    rows = np.column_stack([centre, centre - half, centre + half]) + offset[:, None]
    return [(centre, low, high) for centre, low, high in scale.levels(rows).tolist()]


def _smoothed(
    question: ControlChart,
    rig: str,
    number: int,
    names: Sequence[str],
    series: Mapping[Key, Series],
    watched: Mapping[Key, tuple[Watched, ...]],
    marks: tuple[HistoryEvent, ...],
    visits: Visits,
) -> Iterator[SmoothedHistory]:
    charts = []
    if question.ewma is not None:
        charts.append(("ewma", "moving average", "moving averages"))
    if question.cusum is not None:
        charts.append(("cusum", "cumulative sums", "cumulative sums"))
    for key, words, plural_words in charts:
        strips = tuple(
            HistoryStrip(
                label=_strip_name(series[rig, name]),
                lines=_smoothed_lines(question, key, series[rig, name], watched[rig, name]),
            )
            for name in names
        )
        strips = tuple(strip for strip in strips if any(line.points for line in strip.lines))
        if not strips:
            continue
        loud = [s.label for s in strips if any(p.signal for line in s.lines for p in line.points)]
        yield SmoothedHistory(
            key=f"{key}-{number}",
            title=f"{rig}: small lasting changes, by {words}",
            reading=f"The {plural_words} pass their limit in {enumerated(loud)}."
            if loud
            else f"The {plural_words} stay inside their limits.",
            unit="standard deviations of a point",
            strips=strips,
            events=marks,
            dated=visits.dated,
        )


def _smoothed_lines(
    question: ControlChart, key: str, series: Series, watched: tuple[Watched, ...]
) -> tuple[HistoryLine, ...]:
    lines: dict[str, tuple[list[HistoryPoint], list[int]]] = {}
    number = 0
    for one in watched:
        for stretch in one.stretches:
            number += 1
            for name, values, low, high in _smoothed_values(question, key, stretch):
                points, stretches = lines.setdefault(name, ([], []))
                visits = series.visit[stretch.places[-_MOST_POINTS:]]
                shown = values[-_MOST_POINTS:].tolist()
                lower, upper = (
                    [None] * len(shown) if one is None else one[-_MOST_POINTS:].tolist()
                    for one in (low, high)
                )
                columns = (visits.tolist(), _places(series.visits, visits), shown, lower, upper)
                for visit, place, value, under, over in zip(*columns, strict=True):
                    beyond = (over is not None and value > over) or (under is not None and value < under)
                    points.append(
                        HistoryPoint(
                            place=place, label=series.visits.labels[visit], value=value, centre=0.0, lower=under,
                            upper=over, use=PointUse.NEW, signal=beyond,
                        )
                    )  # fmt: skip
                stretches += [number] * len(shown)
    return tuple(
        HistoryLine(name=name, points=tuple(points), stretches=tuple(stretches))
        for name, (points, stretches) in lines.items()
    )


def _smoothed_values(
    question: ControlChart, key: str, stretch: Stretch
) -> Iterator[tuple[str, np.ndarray, np.ndarray | None, np.ndarray | None]]:
    if key == "ewma" and stretch.ewma is not None:
        yield "moving average", stretch.ewma.average, stretch.ewma.lower, stretch.ewma.upper
    if key == "cusum" and stretch.cusum is not None and question.cusum is not None:
        decision = np.full(stretch.places.size, question.cusum.decision)
        yield "sum upward", stretch.cusum.upper, None, decision
        # Drawn downward, so that the two sums do not cross.
        yield "sum downward", -stretch.cusum.lower, -decision, None


def _joint_figures(
    question: ControlChart,
    rigs: Sequence[str],
    joint: Mapping[str, tuple[JointRegime, ...]],
    signals: Sequence[ChartSignal],
    visits: Mapping[str, Visits],
) -> Iterator[JointHistory]:
    if question.joint is None:
        return
    kinds = []
    if question.joint.false_alarm is not None:
        kinds.append((GivenBy.JOINT, "t2", "Do the sections of a visit fit together?", "T²"))
    if question.joint.weight is not None:
        kinds.append(
            (
                GivenBy.JOINT_EWMA,
                "mewma",
                "Small lasting changes of the sections together",
                "T² of moving averages",
            )
        )
    dated = all(visits[rig].dated for rig in rigs)
    for kind, key, title, unit in kinds:
        strips = tuple(_joint_strip(kind, rig, joint[rig], visits[rig]) for rig in rigs)
        strips = tuple(strip for strip in strips if strip.lines[0].points)
        if not strips:
            continue
        loud = sorted({one.rig for one in signals if one.given_by is kind})
        driven = dict.fromkeys(
            name for one in signals if one.given_by is kind and one.open for name in one.drivers
        )
        tail = f", driven by {enumerated(list(driven))}" if driven else ""
        yield JointHistory(
            key=f"joint-{key}",
            title=title,
            reading=f"{unit} passes its limit on {enumerated(loud)}{tail}."
            if loud
            else f"{unit} stays within its limit.",
            unit="",
            strips=strips,
            events=(),
            dated=dated,
        )


def _joint_strip(kind: GivenBy, rig: str, regimes: tuple[JointRegime, ...], visits: Visits) -> HistoryStrip:
    points: list[HistoryPoint] = []
    stretches: list[int] = []
    number = 0
    for regime in regimes:
        if regime.base is None:
            continue
        number += 1
        if kind is GivenBy.JOINT:
            used = dict(zip(regime.base_visits.tolist(), regime.base.values.tolist(), strict=True))
            out = {int(regime.complete[one.index]): one.value for one in regime.screened.removed}
            for visit in regime.complete[-_MOST_POINTS:].tolist():
                use, value = (PointUse.LEFT_OUT, out[visit]) if visit in out else (PointUse.BASE, used[visit])
                points.append(_joint_point(visits, visit, value, regime.base.base_limit, use))
                stretches.append(number)
        for stretch in regime.stretches:
            number += 1
            if kind is GivenBy.JOINT:
                values, limit = stretch.t2, regime.base.new_limit
            elif stretch.mewma is not None:
                values, limit = stretch.mewma.t2, stretch.mewma.limit
            else:
                continue
            for visit, value in list(zip(stretch.visit, values, strict=True))[-_MOST_POINTS:]:
                points.append(_joint_point(visits, int(visit), float(value), limit, PointUse.NEW))
                stretches.append(number)
    line = HistoryLine(name=TOGETHER, points=tuple(points), stretches=tuple(stretches))
    return HistoryStrip(label=rig, lines=(line,))


def _joint_point(visits: Visits, visit: int, value: float, limit: float, use: PointUse) -> HistoryPoint:
    return HistoryPoint(
        place=_places(visits, np.array([visit]))[0], label=visits.labels[visit], value=value, centre=None, lower=None,
        upper=limit, use=use, signal=value > limit,
    )  # fmt: skip
