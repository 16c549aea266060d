"""h and k by laboratory and level: a lane per laboratory, a mark per level, the indicator values as lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from repeatab.outcome.figures import Beyond, ConsistencyByLaboratory
from repeatab.report.figures.sheet import (
    EDGE,
    LINE,
    Frame,
    KeyEntry,
    few_ticks,
    part_of,
    text_width,
    wrapped,
)
from repeatab.report.figures.strokes import Strokes
from repeatab.report.marks import BAND, INK, LOOKS, RULE, SOFT, Mark, series_look
from repeatab.report.words import printable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BETWEEN = 0.25
_LIMIT = LOOKS[Mark.DIFFERS].colour
_SIZE = {Beyond.NEITHER: 4.2, Beyond.FIVE_PERCENT: 5.2, Beyond.ONE_PERCENT: 6.4}


def draw_consistency(
    figure: ConsistencyByLaboratory, width: float, titled: bool, part: tuple[int, int]
) -> Figure:
    """Draw the figure; see `draw`."""
    laboratories = figure.laboratories[part_of(len(figure.laboratories), part)]
    lane = min(0.66, max(0.26, 0.105 * len(figure.levels) + 0.1))
    names = [wrapped(name, 0.24 * width, most=1, bold=name == figure.highlight)[0] for name in laboratories]
    left = max((text_width(name, bold=True) for name in names), default=0.3) + 0.12
    head = LINE + 0.05
    body = head + max(1, len(laboratories)) * lane
    frame = Frame(
        width=width, body=body, title=figure.title if titled else "", key=_key(figure, width), below=0.3
    )
    span = (width - 2 * EDGE - left - _BETWEEN) / 2
    for place, text in enumerate(("h: mean", "k: scatter")):
        x = EDGE + left + place * (span + _BETWEEN)
        frame.text(x, frame.top + LINE / 2, text, va="center", weight="bold")
    for i, name in enumerate(names):
        y = frame.top + head + (i + 0.5) * lane
        own = laboratories[i] == figure.highlight
        frame.text(EDGE, y, name, va="center", weight="bold" if own else "normal", color=INK)
    for place, statistic in enumerate(("h", "k")):
        ax = frame.axes(EDGE + left + place * (span + _BETWEEN), head, span, body - head)
        _draw_panel(ax, figure, laboratories, statistic, lane)
        few_ticks(ax, span)
    return frame.figure


def _draw_panel(
    ax: Axes, figure: ConsistencyByLaboratory, laboratories: Sequence[str], statistic: str, lane: float
) -> None:
    height = max(1, len(laboratories)) * lane
    ax.set_ylim(height, 0)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    strokes = Strokes(ax)
    for i, name in enumerate(laboratories):
        if name == figure.highlight:
            ax.axhspan(i * lane, (i + 1) * lane, color=BAND, linewidth=0, zorder=0)
        if i:
            strokes.ground(i * lane, color=RULE, linewidth=0.6, zorder=0.1)
    lines = (figure.h_5, figure.h_1) if statistic == "h" else (figure.k_5, figure.k_1)
    for value, dashes in zip(lines, ((4, 2), ()), strict=True):
        for sign in (1, -1) if statistic == "h" else (1,):
            if value is not None:
                style = (0, dashes) if dashes else "-"
                ax.axvline(sign * value, color=_LIMIT, linewidth=1.0, linestyle=style, zorder=1)
    ax.axvline(0 if statistic == "h" else 1, color=SOFT, linewidth=0.7, zorder=1)
    step = (lane - 0.1) / max(1, len(figure.levels))
    values = [abs(line) for line in lines if line is not None]
    for point in figure.points:
        value, beyond = (point.h, point.h_beyond) if statistic == "h" else (point.k, point.k_beyond)
        if value is None:
            continue
        values.append(abs(value))
        if point.laboratory not in laboratories:
            continue
        position = figure.levels.index(point.level)
        y = laboratories.index(point.laboratory) * lane + 0.05 + (position + 0.5) * step
        look = series_look(position)
        face = "white" if beyond is Beyond.NEITHER else look.colour
        strokes.sign(
            (value, y), marker=look.marker, color=look.colour, markerfacecolor=face, markersize=_SIZE[beyond],
            markeredgewidth=1.2, zorder=3,
        )  # fmt: skip
    strokes.draw()
    reach = 1.1 * max(values, default=2.0)
    ax.set_xlim((-reach, reach) if statistic == "h" else (0, reach))


def _key(figure: ConsistencyByLaboratory, width: float) -> list[KeyEntry]:
    entries = []
    for i, level in enumerate(figure.levels):
        look = series_look(i)
        text = wrapped(printable(level), width - 1.0, most=1)[0]
        entries.append(KeyEntry(text=text, marker=look.marker, colour=look.colour, filled=False))
    entries += [
        KeyEntry(text="filled: beyond its indicator value", marker="o", colour=SOFT),
        KeyEntry(text="indicator 5 %", line=1.0, colour=_LIMIT, dashes=(4, 2)),
        KeyEntry(text="indicator 1 %", line=1.0, colour=_LIMIT),
    ]
    if figure.highlight:
        entries.append(KeyEntry(text="your laboratory", patch=BAND))
    return entries
