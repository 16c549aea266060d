"""Wear of travelling sets: the pilot laboratory's runs against the run of the set, one strip per level."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from repeatab.outcome.figures import LevelWear, WearOfSets
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
from repeatab.report.figures.style import TEXT_SIZE, WIDE
from repeatab.report.marks import BAND, GRID, SOFT, series_look
from repeatab.report.numbers import fixed, result_decimals

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_STRIP = 1.25
_FOOT = 0.45
_BETWEEN = 0.3
_LOOKS = {True: series_look(0), False: series_look(1)}


def draw_wear(figure: WearOfSets, width: float, titled: bool, part: tuple[int, int]) -> Figure:
    """Draw the figure; see `draw`."""
    levels = figure.levels[part_of(len(figure.levels), part)]
    columns = 2 if len(levels) > 1 and width >= WIDE else 1
    deep = max(1, math.ceil(len(levels) / columns))
    reach = 1.12 * max((abs(v) for level in figure.levels for v in _values(level)), default=1.0) or 1.0
    decimals = result_decimals([reach], unit=figure.unit)
    places = even_places(-reach, reach, 5)
    left = max(text_width(fixed(place, decimals, sign=True), TEXT_SIZE) for place in places) + 0.14
    span = (width - 2 * EDGE - _BETWEEN * (columns - 1)) / columns
    note = wrapped(
        with_unit("deviation from the set's own level at the pilot laboratory", figure.unit),
        width - 2 * EDGE,
        most=2,
    )
    above = len(note) * LINE + 0.06
    head = 2 * LINE + 0.06
    high = head + _STRIP + _FOOT
    frame = Frame(
        width=width, body=above + deep * high, title=figure.title if titled else "", key=_key(), below=0.0
    )
    for i, text in enumerate(note):
        frame.text(EDGE, frame.top + (i + 0.5) * LINE, text, va="center", color=SOFT)
    for at, level in enumerate(levels):
        row, column = divmod(at, columns)
        x, top = EDGE + column * (span + _BETWEEN), above + row * high
        name = wrapped(level.level, span, most=1, bold=True)[0]
        frame.text(x, frame.top + top + LINE / 2, name, va="center", weight="bold")
        ax = frame.axes(x + left, top + head, span - left, _STRIP)
        _draw_strip(ax, level, reach)
        ax.set_yticks(places, [fixed(place, decimals, sign=True) for place in places])
        low, top_end = ax.get_xlim()
        ticks = even_places(low, top_end, max(3, int((span - left) / 0.4)), whole=True)
        ax.set_xticks(ticks, [str(round(tick)) for tick in ticks])
        ax.set_xlabel("run of the set", labelpad=3)
        _name_places(frame, ax, level, (x + left, span - left), frame.top + top + 1.55 * LINE)
    return frame.figure


def _values(level: LevelWear) -> list[float]:
    return [run.value for run in level.runs] + [v for line in level.line for v in (line.low, line.high)]


def _draw_strip(ax: Axes, level: LevelWear, reach: float) -> None:
    ax.grid(axis="y", color=GRID)
    ax.set_ylim(-reach, reach)
    positions = [run.position for run in level.runs] + [place for _, place in level.places]
    low, high = min(positions, default=0.0), max(positions, default=1.0)
    room = 0.05 * (high - low) or 0.5
    ax.set_xlim(low - room, high + room)
    if level.line:
        at = [line.position for line in level.line]
        ax.fill_between(
            at, [line.low for line in level.line], [line.high for line in level.line], color=BAND, linewidth=0
        )
        ax.plot(at, [line.value for line in level.line], color=SOFT, linewidth=1.2)
    for _, place in level.places:
        ax.vlines(place, reach * 0.9, reach, color=SOFT, linewidth=1.0)
    for run in level.runs:
        look = _LOOKS[run.takes_part]
        ax.plot([run.position], [run.value], look.marker, color=look.colour, markersize=5.5, zorder=3)


def _name_places(frame: Frame, ax: Axes, level: LevelWear, place: tuple[float, float], y: float) -> None:
    """Names of the laboratories above their place in the round, where neighbours leave room."""
    low, high = ax.get_xlim()
    start, span = place
    end = 0.0
    for name, position in sorted(level.places, key=lambda entry: entry[1]):
        text = wrapped(name, 1.0, most=1)[0]
        half = text_width(text, TEXT_SIZE - 1.5) / 2
        x = start + span * (position - low) / (high - low)
        x = min(x, frame.width - EDGE - half)
        if x - half < max(end, start - 0.3):
            continue
        frame.text(x, y, text, ha="center", va="center", size=TEXT_SIZE - 1.5, color=SOFT)
        end = x + half + 0.06


def _key() -> list[KeyEntry]:
    texts = {True: "pilot laboratory, visit that takes part", False: "return visit"}
    entries = [
        KeyEntry(text=texts[part], marker=look.marker, colour=look.colour) for part, look in _LOOKS.items()
    ]
    return [
        *entries,
        KeyEntry(text="fitted drift", line=1.2, colour=SOFT),
        KeyEntry(text="its interval", patch=BAND),
        KeyEntry(text="where each laboratory ran", marker="|", colour=SOFT),
    ]
