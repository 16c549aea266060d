"""Offset history: the offset of each section month by month with its interval, over the band of today's margin."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING

from repeatab.outcome.figures import OffsetHistory, OffsetSeries
from repeatab.report.figures.sheet import (
    EDGE,
    LINE,
    Frame,
    KeyEntry,
    even_places,
    part_of,
    text_width,
    with_unit,
    wrapped,
)
from repeatab.report.figures.strokes import Strokes
from repeatab.report.figures.style import TEXT_SIZE, WIDE
from repeatab.report.marks import BAND, SOFT
from repeatab.report.numbers import fixed
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_GAP = 0.16
_BETWEEN = 0.3
_COLOUR = "#0f6b80"
_EVENT = "#a8480c"


def draw_offset_history(figure: OffsetHistory, width: float, titled: bool, part: tuple[int, int]) -> Figure:
    """Draw the figure; see `draw`."""
    series = figure.series[part_of(len(figure.series), part)]
    columns = 2 if width >= WIDE and len(series) > 4 else 1
    rows = max(1, math.ceil(len(series) / columns))
    strip = 1.3 if rows == 1 else 0.8
    low, high = _limits(figure)
    ticks = even_places(low, high, 5)
    decimals = next((d for d in range(9) if all(abs(round(t, d) - t) < 1e-9 for t in ticks)), 4)
    texts = [fixed(tick, decimals, sign=True) for tick in ticks]
    left = max((text_width(text, TEXT_SIZE - 0.5) for text in texts), default=0.3) + 0.12
    span = (width - 2 * EDGE - _BETWEEN * (columns - 1)) / columns
    names = [wrapped(one.label, span - left, most=1, bold=True) for one in series]
    head = wrapped(with_unit("offset of each check, the latest filled", figure.unit), width - 2 * EDGE)
    above = len(head) * LINE + 0.08
    frame = Frame(
        width=width, body=above + rows * (LINE + 0.04 + strip + _GAP), title=figure.title if titled else "",
        key=_key(figure), below=0.3,
    )  # fmt: skip
    for i, line in enumerate(head):
        frame.text(EDGE, frame.top + (i + 0.5) * LINE, line, va="center", color=SOFT)
    days = _days(figure)
    for i, one in enumerate(series):
        column, row = divmod(i, rows)
        x = EDGE + left + column * (span + _BETWEEN)
        top = above + row * (LINE + 0.04 + strip + _GAP)
        frame.text(x, frame.top + top + LINE / 2, names[i][0], va="center", weight="bold")
        ax = frame.axes(x, top + LINE + 0.04, span - left, strip)
        _draw_strip(ax, one, figure)
        ax.set_ylim(low, high)
        ax.set_yticks(ticks, texts)
        _dress_days(ax, days, span - left, last=row == rows - 1 or i == len(series) - 1)
    return frame.figure


def _number(day: str) -> int:
    return date.fromisoformat(day).toordinal()


def _days(figure: OffsetHistory) -> tuple[int, int]:
    days = [_number(month.day) for one in figure.series for month in one.months] or [0]
    return min(days), max(days)


def _limits(figure: OffsetHistory) -> tuple[float, float]:
    """One scale for all strips; an open or very wide interval runs out of the strip."""
    values = [0.0]
    for one in figure.series:
        values += [value for value in (one.margin_low, one.margin_high) if value is not None]
        for month in one.months:
            values += [value for value in (month.value, month.lower, month.upper) if value is not None]
    room = 0.06 * (max(values) - min(values)) or 1.0
    return min(values) - room, max(values) + room


def _draw_strip(ax: Axes, one: OffsetSeries, figure: OffsetHistory) -> None:
    days = [_number(month.day) for month in one.months]
    first, last = _days(figure)
    if one.margin_low is not None and one.margin_high is not None:
        ax.axhspan(one.margin_low, one.margin_high, color=BAND, linewidth=0, zorder=0)
    ax.axhline(0, color=SOFT, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
    strokes = Strokes(ax)
    for happened in (_number(day) for day, _ in figure.events):
        if first <= happened <= last:
            ax.axvline(happened, color=_EVENT, linewidth=1.0, linestyle=(0, (4, 1.6)), zorder=1)
    ax.plot(days, [month.value for month in one.months], color=_COLOUR, linewidth=0.8, zorder=2)
    for day, month in zip(days, one.months, strict=True):
        if month.lower is not None and month.upper is not None:
            strokes.line((day, month.lower), (day, month.upper), color=_COLOUR, linewidth=1.1, zorder=2)
    for place, (day, month) in enumerate(zip(days, one.months, strict=True), start=1):
        face = _COLOUR if place == len(days) else "white"
        strokes.sign((day, month.value), marker="o", markersize=5.2, color=_COLOUR, markerfacecolor=face,
                     markeredgewidth=1.3, zorder=3)  # fmt: skip
    strokes.draw()


def _dress_days(ax: Axes, days: tuple[int, int], width: float, *, last: bool) -> None:
    ax.spines["bottom"].set_visible(last)
    room = 0.04 * max(1, days[1] - days[0]) + 0.5
    ax.set_xlim(days[0] - room, days[1] + room)
    ax.tick_params(axis="x", bottom=last)
    ax.set_ylabel("")
    wide = text_width("2026-03-31", TEXT_SIZE - 0.5) + 0.25
    count = max(2, int(width / wide))
    places = sorted({round(days[0] + (days[1] - days[0]) * i / (count - 1)) for i in range(count)})
    ax.set_xticks(places, [date.fromordinal(max(1, place)).isoformat() for place in places] if last else [])
    if last:
        labels = ax.get_xticklabels()
        labels[0].set_horizontalalignment("left")
        labels[-1].set_horizontalalignment("right" if len(labels) > 1 else "left")


def _key(figure: OffsetHistory) -> list[KeyEntry]:
    entries = [
        KeyEntry(text="earlier check", marker="o", colour=_COLOUR, filled=False, line=0.8),
        KeyEntry(text="this check", marker="o", colour=_COLOUR, filled=True),
    ]
    if any(one.margin_low is not None for one in figure.series):
        entries.append(KeyEntry(text="margin today", patch=BAND))
    first, last = _days(figure)
    inside = [kind for day, kind in figure.events if first <= _number(day) <= last]
    if inside:
        kinds = ", ".join(dict.fromkeys(printable(kind) for kind in inside))
        entries.append(
            KeyEntry(
                text=wrapped(f"event ({kinds})", 2.6, most=1)[0], line=1.0, dashes=(4, 1.6), colour=_EVENT
            )
        )
    return entries
