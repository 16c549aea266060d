"""Results by laboratory: a panel per level with a lane per laboratory, over a line and its band."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from repeatab.outcome.figures import LaboratoryResults, LevelLine, ResultsByLaboratory
from repeatab.report.figures.sheet import (
    EDGE,
    GUTTER,
    LINE,
    Frame,
    KeyEntry,
    few_ticks,
    part_of,
    text_width,
    with_unit,
    wrapped,
)
from repeatab.report.figures.strokes import Strokes
from repeatab.report.figures.style import WIDE
from repeatab.report.marks import BAND, FILL, INK, LOOKS, RULE, SOFT, Mark, series_look

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LANE = 0.21
_FOOT = 0.36
OUTLIER, STRAGGLER = "statistical outlier", "straggler"
_DOT = series_look(0).colour


def draw_laboratories(
    figure: ResultsByLaboratory, width: float, titled: bool, part: tuple[int, int]
) -> Figure:
    """Draw the figure; see `draw`."""
    lines = figure.lines[part_of(len(figure.lines), part)]
    columns = 2 if len(lines) > 1 and width >= WIDE else 1
    deep = math.ceil(len(lines) / columns) if lines else 1
    lanes = max(1, len(figure.laboratories))
    high = LINE + 0.06 + lanes * _LANE + _FOOT
    span = (width - 2 * EDGE - GUTTER * (columns - 1)) / columns
    names = [
        wrapped(name, 0.35 * span, most=1, bold=name == figure.highlight)[0] for name in figure.laboratories
    ]
    left = max((text_width(name, bold=True) for name in names), default=0.3) + 0.1
    note = wrapped(with_unit(f"result; line: {figure.line_label}", figure.unit), width - 2 * EDGE, most=2)
    above = len(note) * LINE + 0.1
    frame = Frame(
        width=width,
        body=above + deep * high,
        title=figure.title if titled else "",
        key=_key(figure),
        below=0.0,
    )
    for i, text in enumerate(note):
        frame.text(EDGE, frame.top + (i + 0.5) * LINE, text, va="center", color=SOFT)
    for at, line in enumerate(lines):
        row, column = divmod(at, columns)
        x, top = EDGE + column * (span + GUTTER), above + row * high
        head = wrapped(line.level, span, most=1, bold=True)[0]
        frame.text(x, frame.top + top + LINE / 2, head, va="center", weight="bold")
        for i, name in enumerate(names):
            y = frame.top + top + LINE + 0.06 + (i + 0.5) * _LANE
            own = figure.laboratories[i] == figure.highlight
            frame.text(x, y, name, va="center", weight="bold" if own else "normal", color=INK)
        ax = frame.axes(x + left, top + LINE + 0.06, span - left, lanes * _LANE)
        _draw_panel(ax, figure, line)
        few_ticks(ax, span - left)
    return frame.figure


def _draw_panel(ax: Axes, figure: ResultsByLaboratory, line: LevelLine) -> None:
    rows = [row for row in figure.rows if row.level == line.level]
    ax.set_ylim(max(1, len(figure.laboratories)), 0)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.axvspan(line.low, line.high, color=BAND, linewidth=0, zorder=0)
    ax.axvline(line.value, color=SOFT, linewidth=1.1, zorder=1)
    strokes = Strokes(ax)
    for i, name in enumerate(figure.laboratories):
        if name == figure.highlight:
            ax.axhspan(i + 0.06, i + 0.94, color=FILL, alpha=0.55, linewidth=0, zorder=0.5)
        if i:
            strokes.ground(i, color=RULE, linewidth=0.5, zorder=0.6)
    for row in rows:
        _draw_row(strokes, figure.laboratories.index(row.laboratory) + 0.5, row)
    strokes.draw()
    low, high = _limits(rows, line)
    ax.set_xlim(low, high)


def _draw_row(strokes: Strokes, y: float, row: LaboratoryResults) -> None:
    for value in row.values:
        strokes.sign(
            (value, y), marker="o", color=_DOT, markerfacecolor="white", markersize=3.8, markeredgewidth=1.0,
            zorder=2,
        )  # fmt: skip
    if not row.values and row.sd is not None:
        strokes.line((row.mean - row.sd, y), (row.mean + row.sd, y), color=_DOT, linewidth=2.4, zorder=2)
    look = LOOKS[Mark.DIFFERS if row.flag == OUTLIER else Mark.OPEN]
    if row.flag in (OUTLIER, STRAGGLER):
        face = look.colour if row.flag == OUTLIER else "white"
        strokes.sign(
            (row.mean, y), marker=look.marker, color=look.colour, markerfacecolor=face, markersize=6.5,
            markeredgewidth=1.5, zorder=3,
        )  # fmt: skip
    else:
        strokes.line((row.mean, y - 0.36), (row.mean, y + 0.36), color=INK, linewidth=1.6, zorder=3)


def _limits(rows: Sequence[LaboratoryResults], line: LevelLine) -> tuple[float, float]:
    values = [value for row in rows for value in row.values] + [row.mean for row in rows]
    values += [row.mean + sign * row.sd for row in rows if row.sd is not None for sign in (-1, 1)]
    low, high = min([*values, line.low, line.value]), max([*values, line.high, line.value])
    room = 0.04 * (high - low) or 0.5
    return low - room, high + room


def _key(figure: ResultsByLaboratory) -> list[KeyEntry]:
    entries = []
    if any(row.values for row in figure.rows):
        entries.append(KeyEntry(text="one result", marker="o", colour=_DOT, filled=False))
    if any(not row.values and row.sd is not None for row in figure.rows):
        entries.append(KeyEntry(text="mean ± SD of a laboratory that gave cells", line=2.4, colour=_DOT))
    entries.append(KeyEntry(text="mean", marker="|"))
    flags = {row.flag for row in figure.rows}
    for flag, mark in ((OUTLIER, Mark.DIFFERS), (STRAGGLER, Mark.OPEN)):
        if flag in flags:
            look = LOOKS[mark]
            text = f"mean of a {flag}"
            entries.append(
                KeyEntry(text=text, marker=look.marker, colour=look.colour, filled=flag == OUTLIER)
            )
    entries.append(KeyEntry(text=figure.band_label, patch=BAND))
    if figure.highlight:
        entries.append(KeyEntry(text="your laboratory", patch=FILL))
    return entries
