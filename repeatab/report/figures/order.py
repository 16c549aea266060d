"""Order of runs: results in the order in which they were run, one series per rig, one strip per section."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from repeatab.outcome.figures import OrderOfRuns, OrderPoint
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
from repeatab.report.marks import SOFT, series_look
from repeatab.report.numbers import fixed
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_GAP = 0.14
_BETWEEN = 0.3


def draw_order(figure: OrderOfRuns, width: float, titled: bool, part: tuple[int, int]) -> Figure:
    """Draw the figure; see `draw`."""
    every = list(dict.fromkeys(point.section for point in figure.points))
    sections = every[part_of(len(every), part)]
    series = list(dict.fromkeys(point.series for point in figure.points))
    columns = _columns(len(sections), width)
    rows = max(1, math.ceil(len(sections) / columns))
    strip = 1.6 if rows == 1 else 0.8 if rows <= 8 else 0.55
    reach = max((abs(point.value) for point in figure.points), default=0.0) * 1.12 or 1.0
    step = _tick(reach)
    left = max(text_width(text, TEXT_SIZE - 0.5) for text in _tick_texts(step)) + 0.12
    span = (width - 2 * EDGE - _BETWEEN * (columns - 1)) / columns
    names = [wrapped(section, span - left, bold=True) for section in sections]
    # Strips side by side share the height of the taller name.
    heads = [
        max(len(lines) for lines in names[row::rows]) * LINE + 0.04 for row in range(min(rows, len(names)))
    ]
    key = [
        KeyEntry(text=printable(name), marker=look.marker, colour=look.colour, line=0.8, dashes=look.dashes)
        for name, look in ((name, series_look(i)) for i, name in enumerate(series))
    ]
    note = with_unit(f"what remains after {printable(figure.removed)} are taken out", figure.unit)
    head = wrapped(note, width - 2 * EDGE, most=2)
    above = len(head) * LINE + 0.08
    frame = Frame(
        width=width,
        body=above + math.fsum(heads) + rows * (strip + _GAP),
        title=figure.title if titled else "",
        key=key,
        below=0.42,
    )
    for i, line in enumerate(head):
        frame.text(EDGE, frame.top + (i + 0.5) * LINE, line, va="center", color=SOFT)
    orders = [point.order for point in figure.points] or [0, 1]
    for i, section in enumerate(sections):
        column, row = divmod(i, rows)
        x = EDGE + left + column * (span + _BETWEEN)
        top = above + math.fsum(heads[: row + 1]) + row * (strip + _GAP)
        for j, line in enumerate(reversed(names[i])):
            frame.text(x, frame.top + top - 0.04 - (j + 0.5) * LINE, line, va="center", weight="bold")
        ax = frame.axes(x, top, span - left, strip)
        _draw_strip(ax, [p for p in figure.points if p.section == section], series)
        last = row == rows - 1 or i == len(sections) - 1
        _dress(ax, (min(orders), max(orders)), reach, step, last)
        places = even_places(*ax.get_xlim(), max(3, int((span - left) / 0.4)), whole=True)
        ax.set_xticks(places, [str(round(place)) for place in places] if last else [])
    return frame.figure


def _columns(sections: int, width: float) -> int:
    if width < WIDE or sections <= 6:
        return 1
    return 2


def _tick(reach: float) -> float:
    """The size of the one tick above and below zero: 1, 2 or 5 of a power of ten."""
    power = 10.0 ** math.floor(math.log10(reach))
    return max(step * power for step in (1, 2, 5) if step * power <= reach)


def _tick_texts(step: float) -> list[str]:
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return [fixed(value, decimals, sign=True) for value in (-step, 0.0, step)]


def _draw_strip(ax: Axes, points: list[OrderPoint], series: list[str]) -> None:
    """Points joined in their order; where a series has several at one place, through their mean."""
    several = len({(point.series, point.order) for point in points}) < len(points)
    for i, name in enumerate(series):
        look = series_look(i)
        own = sorted((p.order, p.value) for p in points if p.series == name)
        style: Any = (0, look.dashes) if look.dashes else "-"
        drawn: dict[str, Any] = {"color": look.colour, "markeredgecolor": "white"}
        line = {**drawn, "linewidth": 0.8, "linestyle": style}
        dots = {**drawn, "marker": look.marker}
        if several:
            ax.plot(*_means(own), **line)
            ax.plot(
                *_columns_of(own), markersize=3.6, markeredgewidth=0.4, linestyle="none", zorder=3, **dots
            )
        else:
            ax.plot(*_columns_of(own), markersize=4.6, markeredgewidth=0.75, **{**line, **dots})


def _columns_of(places: Sequence[tuple[float, float]]) -> tuple[list[float], list[float]]:
    return [x for x, _ in places], [y for _, y in places]


def _means(places: Sequence[tuple[float, float]]) -> tuple[list[float], list[float]]:
    """The mean value at each place."""
    orders = list(dict.fromkeys(x for x, _ in places))
    found = []
    for order in orders:
        here = [y for x, y in places if x == order]
        found.append(math.fsum(here) / len(here))
    return orders, found


def _dress(ax: Axes, orders: tuple[int, int], reach: float, step: float, last: bool) -> None:
    ax.spines["bottom"].set_visible(last)
    ax.axhline(0, color=SOFT, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
    ax.set_ylim(-reach, reach)
    ax.set_yticks([-step, 0.0, step], _tick_texts(step))
    room = 0.04 * max(1, orders[1] - orders[0]) + 0.2
    ax.set_xlim(orders[0] - room, orders[1] + room)
    ax.tick_params(axis="x", bottom=last)
    ax.set_ylabel("")
    ax.set_xlabel("order of the runs" if last else "", labelpad=3)
