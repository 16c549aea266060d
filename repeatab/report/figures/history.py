"""Reference results over time: points with their limits as a band, events as numbered lines, a strip per section.

The same drawing serves moving averages, cumulative sums and the joint chart: they differ in their data only.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

from repeatab.outcome.history_figures import (
    History,
    HistoryEvent,
    HistoryLine,
    HistoryPoint,
    HistoryStrip,
    PointUse,
    SmoothedHistory,
)
from repeatab.report.figures.sheet import (
    EDGE,
    LINE,
    Frame,
    KeyEntry,
    even_places,
    part_of,
    text_width,
    wrapped,
)
from repeatab.report.figures.strokes import Strokes
from repeatab.report.figures.style import TEXT_SIZE
from repeatab.report.marks import BAND, BAND_EDGE, INK, LOOKS, RULE, SOFT, Mark, series_look
from repeatab.report.numbers import fixed, result_decimals
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_GAP = 0.16
_LOUD = LOOKS[Mark.DIFFERS]
_SMALL = TEXT_SIZE - 1
_MOST_EVENTS = 30


def draw_history(figure: History, width: float, titled: bool, part: tuple[int, int]) -> Figure:
    """Draw the figure; see `draw`."""
    strips = figure.strips[part_of(len(figure.strips), part)]
    span_of_time = _range(figure)
    inside = [event for event in figure.events if span_of_time[0] <= event.place <= span_of_time[1]]
    events = inside[:_MOST_EVENTS]
    # Averages and sums are small beside their limits, which still have to be seen.
    everything = isinstance(figure, SmoothedHistory)
    texts = {id(strip): _value_ticks(strip, figure.unit, everything) for strip in strips}
    left = 0.14 + max(
        (text_width(text, TEXT_SIZE - 0.5) for ticks in texts.values() for _, text in ticks), default=0.3
    )
    span = width - 2 * EDGE - left - 0.06
    high = 1.15 if len(strips) <= 4 else 0.85
    names = [wrapped(strip.label, span, bold=True) for strip in strips]
    heads = [len(lines) * LINE + 0.05 for lines in names]
    unit = wrapped(f"in {printable(figure.unit)}", width - 2 * EDGE) if figure.unit else []
    above = len(unit) * LINE + (0.24 if events else 0.04)
    listing = _listing(events, len(inside), width)
    body = above + math.fsum(heads) + len(strips) * (high + _GAP)
    frame = Frame(
        width=width, body=max(body, 0.4), title=figure.title if titled else "", key=_key(figure, events),
        below=0.36 + len(listing) * LINE,
    )  # fmt: skip
    for i, line in enumerate(unit):
        frame.text(EDGE, frame.top + (i + 0.5) * LINE, line, va="center", color=SOFT)
    top = above
    for number, strip in enumerate(strips):
        for j, line in enumerate(names[number]):
            frame.text(EDGE + left, frame.top + top + (j + 0.5) * LINE, line, va="center", weight="bold")
        top += heads[number]
        ax = frame.axes(EDGE + left, top, span, high)
        _draw_strip(ax, strip, events, span_of_time, everything)
        ticks = texts[id(strip)]
        ax.set_yticks([value for value, _ in ticks], [text for _, text in ticks])
        _time_axis(ax, figure.dated, span_of_time, span, last=number == len(strips) - 1)
        if number == 0:
            _number_events(frame, events, span_of_time, EDGE + left, span, above)
        top += high + _GAP
    for i, line in enumerate(listing):
        frame.text(EDGE, frame.top + max(body, 0.4) + 0.34 + (i + 0.5) * LINE, line, va="center", size=_SMALL)
    return frame.figure


def _range(figure: History) -> tuple[float, float]:
    places = [p.place for s in figure.strips for line in s.lines for p in line.points]
    low, high = min(places, default=0.0), max(places, default=1.0)
    room = 0.02 * (high - low) or 1.0
    return low - room, high + room


def _values(strip: HistoryStrip, everything: bool) -> Iterator[float]:
    """What the height of a strip must hold: every value, and the limits unless they are far beyond all of them."""
    points = [point for line in strip.lines for point in line.points]
    yield from (point.value for point in points)
    values = [point.value for point in points]
    spread = (max(values) - min(values)) if values else 0.0
    middle = (max(values) + min(values)) / 2 if values else 0.0
    for point in points:
        for limit in (point.lower, point.upper, point.centre):
            if limit is not None and (everything or spread == 0 or abs(limit - middle) < 2 * spread):
                yield limit


def _height(strip: HistoryStrip, everything: bool) -> tuple[float, float]:
    found = list(_values(strip, everything))
    low, high = min(found, default=0.0), max(found, default=1.0)
    room = 0.07 * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room


def _value_ticks(strip: HistoryStrip, unit: str, everything: bool) -> list[tuple[float, str]]:
    low, high = _height(strip, everything)
    places = even_places(low, high, 4)
    step = places[1] - places[0] if len(places) > 1 else 1.0
    decimals = max(0, min(9, math.ceil(-math.log10(step) - 1e-9))) if step < 1 else 0
    if len(places) > 1 and abs(round(step, decimals) - step) > 1e-9 * step:
        decimals = min(9, result_decimals([step], unit=unit))
    return [(place, fixed(place, decimals)) for place in places]


def _draw_strip(
    ax: Axes, strip: HistoryStrip, events: Sequence[HistoryEvent], time: tuple[float, float], everything: bool
) -> None:
    ax.set_xlim(*time)
    ax.set_ylim(*_height(strip, everything))
    strokes = Strokes(ax)
    low, high = ax.get_ylim()
    for event in events:
        strokes.line(
            (event.place, low), (event.place, high), color=INK if event.restarts else SOFT, linewidth=0.9,
            linestyle="-" if event.restarts else (0, (2, 2)), zorder=1,
        )  # fmt: skip
    for number, line in enumerate(strip.lines):
        colour = SOFT if len(strip.lines) == 1 else series_look(number).colour
        for stretch in _stretches(line):
            _draw_limits(ax, strokes, stretch)
            ax.plot(
                [p.place for p in stretch], [p.value for p in stretch], color=colour, linewidth=0.8, zorder=2
            )
        _draw_points(ax, line, series_look(number).colour)
    strokes.draw()


def _stretches(line: HistoryLine) -> Iterator[list[HistoryPoint]]:
    pairs = zip(line.stretches, line.points, strict=True)
    for _, group in groupby(pairs, key=lambda pair: pair[0]):
        yield [point for _, point in group]


def _draw_limits(ax: Axes, strokes: Strokes, points: list[HistoryPoint]) -> None:
    """Limits stand level about each point: half of the way to its neighbours on either side."""
    if all(point.lower is None and point.upper is None for point in points):
        return
    low, high = ax.get_ylim()
    edges = _edges([point.place for point in points])
    x = [edge for pair in pairwise(edges) for edge in pair]
    floor = [low if p.lower is None else max(low, p.lower) for p in points for _ in (1, 2)]
    ceiling = [high if p.upper is None else min(high, p.upper) for p in points for _ in (1, 2)]
    ax.fill_between(x, floor, ceiling, color=BAND, linewidth=0, zorder=0)
    for limits in ([point.lower for point in points], [point.upper for point in points]):
        for value, start, stop in _levels(limits, edges):
            strokes.line((start, value), (stop, value), color=BAND_EDGE, linewidth=1.0, zorder=1)
    for value, start, stop in _levels([point.centre for point in points], edges):
        style = (0, (4, 2))
        strokes.line((start, value), (stop, value), color=BAND_EDGE, linewidth=0.7, linestyle=style, zorder=1)


def _levels(values: Sequence[float | None], edges: Sequence[float]) -> Iterator[tuple[float, float, float]]:
    """Each value with where it begins and ends; neighbours that are the same are one."""
    begin = 0
    for value, group in groupby(values):
        end = begin + len(list(group))
        if value is not None:
            yield value, edges[begin], edges[end]
        begin = end


def _edges(places: list[float]) -> list[float]:
    """Half way between neighbours; at both ends as far as half of the usual distance."""
    if len(places) == 1:
        return [places[0] - 5.0, places[0] + 5.0]
    middle = [(a + b) / 2 for a, b in pairwise(places)]
    half = sorted(b - a for a, b in pairwise(places))[(len(places) - 1) // 2] / 2
    return [places[0] - half, *middle, places[-1] + half]


def _draw_points(ax: Axes, line: HistoryLine, colour: str) -> None:
    looks = {
        PointUse.BASE: ("o", "white", colour, 3.8),
        PointUse.NEW: ("o", colour, colour, 3.8),
        PointUse.LEFT_OUT: ("x", SOFT, SOFT, 4.6),
    }
    for use, (marker, face, edge, size) in looks.items():
        chosen = [p for p in line.points if p.use is use and not p.signal]
        ax.plot(
            [p.place for p in chosen], [p.value for p in chosen], linestyle="none", zorder=3, marker=marker,
            markerfacecolor=face, color=edge, markersize=size,
        )  # fmt: skip
    loud = [p for p in line.points if p.signal]
    ax.plot(
        [p.place for p in loud], [p.value for p in loud], linestyle="none", marker=_LOUD.marker,
        color=_LOUD.colour, markersize=5.2, zorder=4,
    )  # fmt: skip


def _time_axis(ax: Axes, dated: bool, time: tuple[float, float], span: float, *, last: bool) -> None:
    ax.tick_params(axis="x", bottom=last)
    ax.spines["bottom"].set_color(RULE)
    if not dated:
        places = even_places(*time, max(3, int(span / 0.5)), whole=True)
        ax.set_xticks(places, [str(round(place)) for place in places] if last else [])
        ax.set_xlabel("visit" if last else "", labelpad=2)
        return
    ticks = _months(time, max(2, int(span / 0.75)))
    ax.set_xticks([place for place, _ in ticks], [text if last else "" for _, text in ticks])
    for label, (place, _) in zip(ax.get_xticklabels(), ticks, strict=True):
        near = span * (place - time[0]) / (time[1] - time[0])
        label.set_horizontalalignment("left" if near < 0.25 else "right" if span - near < 0.25 else "center")


def _months(time: tuple[float, float], most: int) -> list[tuple[float, str]]:
    """First days of months, quarters or years, as many as have room."""
    first, last = (date.fromordinal(max(1, round(place))) for place in time)
    count = (last.year - first.year) * 12 + last.month - first.month + 1
    step = next((step for step in (1, 2, 3, 6, 12, 24, 60, 120, 240, 600) if count / step <= most), 1200)
    start = first.year * 12 + first.month - 1
    months = [month for month in range(start, start + count + 1) if month % step == 0]
    found = []
    for month in months:
        place = float(date(month // 12, month % 12 + 1, 1).toordinal())
        if time[0] <= place <= time[1]:
            text = str(month // 12) if step >= 12 else f"{month // 12}-{month % 12 + 1:02d}"
            found.append((place, text))
    return found


def _number_events(
    frame: Frame,
    events: Sequence[HistoryEvent],
    time: tuple[float, float],
    left: float,
    span: float,
    above: float,
) -> None:
    """Numbers of the events above their lines; neighbours too near for that share a place."""
    groups: list[tuple[float, list[int]]] = []
    for number, event in enumerate(events, start=1):
        x = left + span * (event.place - time[0]) / (time[1] - time[0])
        if groups and x - groups[-1][0] < 0.12 + 0.09 * len(groups[-1][1]):
            groups[-1][1].append(number)
        else:
            groups.append((x, [number]))
    for x, numbers in groups:
        text = str(numbers[0]) if len(numbers) == 1 else f"{numbers[0]}–{numbers[-1]}"
        align = "right" if frame.width - x < 0.3 else "center"
        frame.text(x, frame.top + above - 0.11, text, va="center", ha=align, size=_SMALL, weight="bold")


def _listing(events: Sequence[HistoryEvent], count: int, width: float) -> list[str]:
    """The events by number, and that the limits begin anew after some."""
    lines = []
    for number, event in enumerate(events, start=1):
        tail = " (limits anew)" if event.restarts else ""
        lines += wrapped(f"{number}  {event.label}{tail}", width - 2 * EDGE, size=_SMALL, most=2)
    if count > len(events):
        lines.append(f"and {count - len(events)} more events")
    return lines


def _key(figure: History, events: Sequence[HistoryEvent]) -> list[KeyEntry]:
    points = [point for strip in figure.strips for line in strip.lines for point in line.points]
    names = list(dict.fromkeys(line.name for strip in figure.strips for line in strip.lines))
    entries = []
    if len(names) > 1:
        entries = [
            KeyEntry(text=printable(name), marker="o", colour=series_look(i).colour, line=0.8)
            for i, name in enumerate(names)
        ]
    elif any(point.use is PointUse.NEW for point in points):
        entries.append(KeyEntry(text="judged", marker="o", colour=series_look(0).colour))
    if any(point.use is PointUse.BASE for point in points):
        entries.append(KeyEntry(text="base period", marker="o", colour=series_look(0).colour, filled=False))
    if any(point.use is PointUse.LEFT_OUT for point in points):
        entries.append(KeyEntry(text="left out of the base", marker="x", colour=SOFT))
    if any(point.signal for point in points):
        entries.append(KeyEntry(text="signal", marker=_LOUD.marker, colour=_LOUD.colour))
    if any(point.upper is not None or point.lower is not None for point in points):
        entries.append(KeyEntry(text="limits", patch=BAND))
    if any(event.restarts for event in events):
        entries.append(KeyEntry(text="limits anew", line=0.9, colour=INK))
    if any(not event.restarts for event in events):
        entries.append(KeyEntry(text="other event", line=0.9, colour=SOFT, dashes=(2, 2)))
    return entries
