"""Offsets by section: each section's offset with both intervals, over the band of its margin."""

from __future__ import annotations

from typing import TYPE_CHECKING

from repeatab.outcome.figures import OffsetRow, OffsetsBySection
from repeatab.report.figures.sheet import (
    EDGE,
    GUTTER,
    LINE,
    KeyEntry,
    columns_for,
    few_ticks,
    lane_sheet,
    lane_text,
    part_of,
    text_width,
    with_unit,
    wrapped,
)
from repeatab.report.figures.strokes import Strokes
from repeatab.report.marks import BAND, BAND_EDGE, INK, LOOKS, SOFT, Look, Mark, mark_of, verdict_in
from repeatab.report.numbers import fixed, result_decimals
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LANE = 0.27
_GAP = 0.13


def draw_offsets(figure: OffsetsBySection, width: float, titled: bool, part: tuple[int, int]) -> Figure:
    """Draw the figure; see `draw`."""
    rows = figure.rows[part_of(len(figure.rows), part)]
    columns = columns_for(len(rows), width)
    span = (width - 2 * EDGE - GUTTER * (columns - 1)) / columns
    labels = [_label_lines(row, span) for row in rows]
    sheet = lane_sheet(
        [len(lines) * LINE + _LANE + _GAP for lines in labels],
        width=width,
        columns=columns,
        x_label=_axis_label(figure),
        title=figure.title if titled else "",
        key=_key(figure),
    )
    low, high = _limits(figure.rows)
    for ax in sheet.axes:
        ax.set_xlim(low, high)
        few_ticks(ax, span)
    neutral = _neutral(figure)
    decimals = result_decimals([row.value for row in figure.rows], unit=figure.unit)
    strokes = [Strokes(ax) for ax in sheet.axes]
    for i, row in enumerate(rows):
        column, top = sheet.column_of[i], sheet.top_of[i]
        ax = sheet.axes[column]
        _draw_label(ax, top, labels[i], row, fixed(row.value, decimals, sign=neutral == 0))
        _draw_row(ax, strokes[column], top + len(labels[i]) * LINE + _LANE / 2 + 0.02, row, neutral)
    for gathered in strokes:
        gathered.draw()
    return sheet.figure


def _answer(row: OffsetRow) -> str:
    verdict = verdict_in(row.verdict)
    word = verdict.value if verdict else printable(row.verdict)
    return word if row.decides else f"{word}, informs"


def _look(row: OffsetRow) -> Look:
    verdict = verdict_in(row.verdict)
    return LOOKS[mark_of(verdict) if verdict else Mark.PLAIN]


def _label_lines(row: OffsetRow, span: float) -> list[str]:
    taken = text_width(f"+0.0000  {_answer(row)}") + 0.1
    return wrapped(row.label, span - taken, bold=row.decides)


def _axis_label(figure: OffsetsBySection) -> str:
    first, second = printable(figure.first), printable(figure.second)
    relation = f"{first} over {second}" if _neutral(figure) == 1 else f"{first} minus {second}"
    return wrapped(with_unit(relation, figure.unit), 6.0, most=1)[0]


def _neutral(figure: OffsetsBySection) -> float:
    """No difference: 1 where the margins bound a ratio, else 0."""
    return 1.0 if figure.rows and all(row.margin_low > 0 for row in figure.rows) else 0.0


def _limits(rows: tuple[OffsetRow, ...]) -> tuple[float, float]:
    lowest = min((min(row.lower, row.inner_lower, row.margin_low) for row in rows), default=-1.0)
    highest = max((max(row.upper, row.inner_upper, row.margin_high) for row in rows), default=1.0)
    room = 0.03 * (highest - lowest) or 1.0
    return lowest - room, highest + room


def _draw_label(ax: Axes, top: float, lines: list[str], row: OffsetRow, value: str) -> None:
    colour = INK if row.decides else SOFT
    weight = "bold" if row.decides else "normal"
    for i, line in enumerate(lines):
        lane_text(ax, 0, top + (i + 0.5) * LINE, line, color=colour, weight=weight)
    tail = f"{value}  {_answer(row)}"
    lane_text(ax, 1, top + 0.5 * LINE, tail, ha="right", color=_look(row).colour)


def _draw_row(ax: Axes, strokes: Strokes, y: float, row: OffsetRow, neutral: float) -> None:
    from matplotlib.patches import Rectangle

    look, half = _look(row), _LANE / 2 - 0.03
    band = Rectangle(
        (row.margin_low, y - half), row.margin_high - row.margin_low, 2 * half, color=BAND, linewidth=0
    )
    ax.add_patch(band)
    for edge in (row.margin_low, row.margin_high):
        strokes.line((edge, y - half), (edge, y + half), color=BAND_EDGE, linewidth=1.2)
    strokes.line(
        (neutral, y - half), (neutral, y + half), color=SOFT, linewidth=0.8, linestyle=(0, (2, 2)), zorder=2.1
    )
    thin = {"color": look.colour, "linewidth": 1.1, "zorder": 2.2}
    strokes.line((row.lower, y), (row.upper, y), **thin)
    for end in (row.lower, row.upper):
        strokes.line((end, y - 0.035), (end, y + 0.035), **thin)
    strokes.line((row.inner_lower, y), (row.inner_upper, y), color=look.colour, linewidth=3.4, zorder=2.3)
    strokes.sign(
        (row.value, y), marker=look.marker, color=look.colour, zorder=3, markeredgewidth=1.5,
        markerfacecolor=look.colour if look.filled else "white", markersize=6.5 if look.marker == "o" else 6,
    )  # fmt: skip


def _key(figure: OffsetsBySection) -> list[KeyEntry]:
    entries = []
    for row in figure.rows:
        verdict = verdict_in(row.verdict)
        entry = KeyEntry(
            text=verdict.value if verdict else printable(row.verdict),
            marker=_look(row).marker,
            colour=_look(row).colour,
            filled=_look(row).filled,
        )
        if entry not in entries:
            entries.append(entry)
    if figure.rows:
        entries += [
            KeyEntry(text="interval for the difference", line=1.1),
            KeyEntry(text="interval for equivalence", line=3.4),
            KeyEntry(text="margin", patch=BAND),
        ]
    return entries
