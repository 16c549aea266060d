"""Repeatability by rig: the standard deviation of each rig with its interval, section by section."""

from __future__ import annotations

from typing import TYPE_CHECKING

from repeatab.outcome.figures import RepeatabilityByRig
from repeatab.report.figures.scatter import draw_whisker, far_end, whisker_key
from repeatab.report.figures.sets import draw_rig_row, draw_strip_label, rig_gutter
from repeatab.report.figures.sheet import (
    EDGE,
    GUTTER,
    LINE,
    KeyEntry,
    columns_for,
    few_ticks,
    lane_sheet,
    part_of,
    text_width,
    with_unit,
    wrapped,
)
from repeatab.report.figures.strokes import Strokes
from repeatab.report.figures.style import TEXT_SIZE
from repeatab.report.marks import SOFT, series_look
from repeatab.report.numbers import fixed, result_decimals

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROW = 0.21
_GAP = 0.13


def draw_repeatability(
    figure: RepeatabilityByRig, width: float, titled: bool, part: tuple[int, int]
) -> Figure:
    """Draw the figure; see `draw`."""
    chosen = part_of(len(figure.sections), part)
    columns = columns_for(len(figure.sections[chosen]), width, one=8)
    every = tuple(estimate for section in figure.estimates for estimate in section)
    decimals = result_decimals([estimate.value for estimate in every], unit=figure.unit)
    numbers = [fixed(estimate.value, decimals) for estimate in every]
    left = rig_gutter(figure.rigs)
    right = max((text_width(number, TEXT_SIZE - 0.5) for number in numbers), default=0.3) + 0.1
    span = (width - 2 * EDGE - GUTTER * (columns - 1)) / columns - left - right
    labels = [wrapped(section, span + right - 0.1, bold=True) for section in figure.sections[chosen]]
    sheet = lane_sheet(
        [len(lines) * LINE + _ROW * len(figure.rigs) + _GAP for lines in labels],
        width=width,
        columns=columns,
        x_label=wrapped(with_unit("standard deviation", figure.unit), span + 0.6, most=1)[0],
        title=figure.title if titled else "",
        key=[KeyEntry(text="estimate", marker="o", colour=SOFT), *whisker_key(every, None, SOFT)],
        left=left,
        right=right,
    )
    end = far_end(every, None)
    for ax in sheet.axes:
        ax.set_xlim(0, end)
        few_ticks(ax, span)
    strokes = [Strokes(ax) for ax in sheet.axes]
    for i, estimates in enumerate(figure.estimates[chosen]):
        column, top = sheet.column_of[i], sheet.top_of[i]
        ax = sheet.axes[column]
        draw_strip_label(ax, top, labels[i])
        for j, estimate in enumerate(estimates):
            y = top + len(labels[i]) * LINE + (j + 0.5) * _ROW
            draw_rig_row(ax, strokes[column], y, figure.rigs[j])
            look = series_look(j)
            draw_whisker(ax, y, estimate, end, look.colour, strokes[column])
            strokes[column].sign(
                (estimate.value, y), marker=look.marker, markersize=5.5, color=look.colour, zorder=4
            )
            _draw_number(ax, y, fixed(estimate.value, decimals))
    for gathered in strokes:
        gathered.draw()
    return sheet.figure


def _draw_number(ax: Axes, y: float, number: str) -> None:
    place = ax.get_yaxis_transform()
    ax.text(1.015, y, number, transform=place, va="center", color=SOFT, size=TEXT_SIZE - 0.5)
