"""Precision against the level: repeatability and reproducibility with intervals, and the recommended form."""

from __future__ import annotations

from typing import TYPE_CHECKING

from repeatab.outcome.figures import Estimate, PrecisionByLevel
from repeatab.report.figures.sheet import (
    EDGE,
    LINE,
    Frame,
    KeyEntry,
    even_places,
    few_ticks,
    text_width,
    with_unit,
    wrapped,
)
from repeatab.report.figures.style import TEXT_SIZE
from repeatab.report.marks import GRID, SOFT, series_look
from repeatab.report.numbers import fixed, result_decimals
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_HEIGHT = 2.6
_NAMES = ("repeatability s_r", "reproducibility s_R")


def draw_precision(figure: PrecisionByLevel, width: float, titled: bool) -> Figure:
    """Draw the figure; see `draw`."""
    top = _top(figure)
    decimals = result_decimals([top], unit=figure.unit)
    places = even_places(0.0, top, 5)
    left = max(text_width(fixed(place, decimals)) for place in [*places, top]) + 0.14
    head = wrapped(with_unit("standard deviation", figure.unit), width - 2 * EDGE, most=1)[0]
    above = 2 * LINE + 0.08
    key = []
    for i, name in enumerate(_NAMES):
        look = series_look(i)
        curve = next((c for c in figure.curves if c.label == name), None)
        text = name if curve is None else f"{name}, line: {printable(curve.form)}"
        key.append(
            KeyEntry(text=text, marker=look.marker, colour=look.colour, line=0.0 if curve is None else 1.2,
                     dashes=look.dashes)
        )  # fmt: skip
    frame = Frame(
        width=width, body=above + _HEIGHT, title=figure.title if titled else "", key=key, below=0.45
    )
    frame.text(EDGE, frame.top + LINE / 2, head, va="center", color=SOFT)
    span = width - 2 * EDGE - left
    ax = frame.axes(EDGE + left, above, span, _HEIGHT)
    _draw(ax, figure, top)
    ax.set_yticks(places, [fixed(place, decimals) for place in places])
    few_ticks(ax, span)
    ax.set_xlabel(with_unit("mean of the level", figure.unit), labelpad=3)
    _name_levels(frame, ax, figure, left, span, frame.top + 1.55 * LINE)
    return frame.figure


def _estimates(figure: PrecisionByLevel) -> list[Estimate]:
    every = [(row.repeatability, row.reproducibility) for row in figure.rows]
    return [estimate for pair in every for estimate in pair if estimate is not None]


def _top(figure: PrecisionByLevel) -> float:
    """The upper end of the axis: an upper limit far away does not flatten the rest."""
    values = [estimate.value for estimate in _estimates(figure)]
    limits = [e.upper for e in _estimates(figure) if e.upper is not None]
    highest = max(values, default=1.0)
    return 1.08 * min(max([highest, *limits]), 3.0 * highest) or 1.0


def _draw(ax: Axes, figure: PrecisionByLevel, top: float) -> None:
    ax.grid(axis="y", color=GRID)
    ax.set_ylim(0, top)
    means = [row.mean for row in figure.rows] or [0.0, 1.0]
    room = 0.06 * (max(means) - min(means)) or 0.05 * abs(means[0]) or 0.5
    ax.set_xlim(min(means) - room, max(means) + room)
    shift = 0.07 * room
    for i, name in enumerate(_NAMES):
        look = series_look(i)
        for curve in figure.curves:
            if curve.label == name:
                xs, ys = zip(*curve.points, strict=True) if curve.points else ((), ())
                style = (0, look.dashes) if look.dashes else "-"
                ax.plot(xs, ys, color=look.colour, linewidth=1.2, linestyle=style)
        for row in figure.rows:
            estimate = (row.repeatability, row.reproducibility)[i]
            if estimate is None:
                continue
            x = row.mean + (2 * i - 1) * shift
            if estimate.lower is not None:
                upper = top if estimate.upper is None else min(estimate.upper, top)
                ax.vlines(x, estimate.lower, upper, color=look.colour, linewidth=1.1)
            ax.plot([x], [estimate.value], look.marker, color=look.colour, markersize=5.5, zorder=3)


def _name_levels(
    frame: Frame, ax: Axes, figure: PrecisionByLevel, left: float, span: float, y: float
) -> None:
    """Names of the levels above their means, where neighbours leave room."""
    low, high = ax.get_xlim()
    end = EDGE
    for row in sorted(figure.rows, key=lambda row: row.mean):
        text = wrapped(row.level, 1.4, most=1)[0]
        half = text_width(text, TEXT_SIZE) / 2
        x = EDGE + left + span * (row.mean - low) / (high - low)
        x = min(max(x, EDGE + half), frame.width - EDGE - half)
        if x - half < end:
            continue
        frame.text(x, y, text, ha="center", va="center")
        end = x + half + 0.08
