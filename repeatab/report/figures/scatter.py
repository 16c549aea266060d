"""Where the scatter comes from: one bar per source as a standard deviation, its interval, the margin."""

from __future__ import annotations

from typing import TYPE_CHECKING

from repeatab.outcome.figures import Estimate, ScatterSources
from repeatab.report.figures.sheet import (
    EDGE,
    LINE,
    KeyEntry,
    few_ticks,
    lane_sheet,
    lane_text,
    text_width,
    with_unit,
    wrapped,
)
from repeatab.report.figures.strokes import Strokes
from repeatab.report.marks import FILL, INK, LOOKS, SOFT, Mark
from repeatab.report.numbers import fixed, result_decimals
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BAR = 0.17
_GAP = 0.17
_MARGIN = LOOKS[Mark.DIFFERS].colour


def draw_scatter(figure: ScatterSources, width: float, titled: bool) -> Figure:
    """Draw the figure; see `draw`."""
    span = width - 2 * EDGE
    decimals = result_decimals(_numbers(figure), unit=figure.unit)
    tails = [value_text(source, decimals) for source in figure.sources]
    # The numbers stand beside the name where both have room, else on a line of their own.
    beside = all(
        text_width(s.label) + text_width(t) + 0.3 < span for s, t in zip(figure.sources, tails, strict=True)
    )
    labels = [wrapped(source.label, span) for source in figure.sources]
    extra = 0 if beside else 1
    sheet = lane_sheet(
        [(len(lines) + extra) * LINE + 0.05 + _BAR + _GAP for lines in labels],
        width=width,
        columns=1,
        x_label=with_unit("standard deviation", figure.unit),
        title=figure.title if titled else "",
        key=_key(figure),
    )
    ax, end = sheet.axes[0], far_end(figure.sources, figure.margin)
    ax.set_xlim(0, end)
    few_ticks(ax, span)
    strokes = Strokes(ax)
    for i, source in enumerate(figure.sources):
        top = sheet.top_of[i]
        _draw_label(ax, top, labels[i], tails[i], beside)
        y = top + (len(labels[i]) + extra) * LINE + 0.05 + _BAR / 2
        ax.barh(y, source.value, height=_BAR, color=FILL, edgecolor=INK, linewidth=0.8, zorder=2)
        if figure.margin is not None:
            ax.vlines(figure.margin, y - 0.14, y + 0.14, color=_MARGIN, linewidth=2.0, zorder=2)
        draw_whisker(ax, y, source, end, INK, strokes)
    strokes.draw()
    return sheet.figure


def _numbers(figure: ScatterSources) -> list[float]:
    return [source.value for source in figure.sources]


def value_text(source: Estimate, decimals: int) -> str:
    """An estimate with its interval in words, limits that the design does not give included."""
    value = fixed(source.value, decimals)
    if source.lower is None and source.upper is None:
        return f"{value} (no interval)"
    if source.upper is None:
        return (
            f"{value} ({fixed(source.lower or 0.0, decimals)} or more)"
            if source.lower
            else f"{value} (no upper limit)"
        )
    if source.lower is None:
        return f"{value} (up to {fixed(source.upper, decimals)})"
    return f"{value} ({fixed(source.lower, decimals)} to {fixed(source.upper, decimals)})"


def far_end(sources: tuple[Estimate, ...], margin: float | None) -> float:
    """Where the axis ends: a limit from one or two degrees of freedom must not flatten everything else."""
    sizes = [source.value for source in sources] + ([margin] if margin else [])
    largest = max(sizes, default=0.0)
    reach = max([*sizes, *(source.upper for source in sources if source.upper is not None)], default=0.0)
    return (min(reach, 3.0 * largest) if largest > 0 else reach) * 1.04 or 1.0


def draw_whisker(ax: Axes, y: float, source: Estimate, end: float, colour: str, strokes: Strokes) -> None:
    """The interval as a thin line: an arrow at the edge where it goes on, dots where there is no limit."""
    low = source.lower if source.lower is not None else source.value
    goes_on = source.upper is not None and source.upper > end
    high = min(source.upper if source.upper is not None else source.value, end)
    if goes_on:
        ax.annotate(
            "",
            xy=(end, y),
            xytext=(min(low, end), y),
            arrowprops={"arrowstyle": "-|>", "color": colour, "linewidth": 1.2, "shrinkA": 0, "shrinkB": 0},
            annotation_clip=False,
        )
    else:
        strokes.line((low, y), (high, y), color=colour, linewidth=1.2, zorder=3)
    if source.upper is None and source.lower is not None:
        strokes.line(
            (source.value, y), (end, y), color=colour, linewidth=1.2, linestyle=(0, (1, 3)), zorder=1
        )
    caps = ([source.lower] if source.lower is not None else []) + (
        [source.upper] if source.upper is not None and not goes_on else []
    )
    for cap in caps:
        strokes.line((cap, y - 0.05), (cap, y + 0.05), color=colour, linewidth=1.2, zorder=3)


def _draw_label(ax: Axes, top: float, lines: list[str], tail: str, beside: bool) -> None:
    for i, line in enumerate(lines):
        lane_text(ax, 0, top + (i + 0.5) * LINE, line, weight="bold")
    if beside:
        lane_text(ax, 1, top + 0.5 * LINE, tail, ha="right", color=SOFT)
    else:
        lane_text(ax, 0, top + (len(lines) + 0.5) * LINE, tail, color=SOFT)


def _key(figure: ScatterSources) -> list[KeyEntry]:
    entries = [KeyEntry(text="estimate", patch=FILL), *whisker_key(figure.sources, figure.margin, INK)]
    if figure.margin is not None:
        entries.append(
            KeyEntry(text=f"{printable(figure.margin_label)} {figure.margin:.4g}", marker="|", colour=_MARGIN)
        )
    return entries


def whisker_key(sources: tuple[Estimate, ...], margin: float | None, colour: str) -> list[KeyEntry]:
    """What the whiskers that occur mean."""
    entries = [KeyEntry(text="interval", line=1.2, colour=colour)]
    end = far_end(sources, margin)
    if any(source.upper is not None and source.upper > end for source in sources):
        entries.append(KeyEntry(text="it goes on", line=1.2, marker=">", colour=colour))
    if any(source.upper is None and source.lower is not None for source in sources):
        entries.append(KeyEntry(text="no upper limit", line=1.2, dashes=(1, 3), colour=colour))
    return entries
