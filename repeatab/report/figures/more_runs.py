"""What more runs would buy: probability of a verdict and width of the interval against sets per arm."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from repeatab.outcome.figures import MoreRunsRow, WhatMoreRunsBuy
from repeatab.report.figures.sheet import (
    EDGE,
    LINE,
    Frame,
    KeyEntry,
    even_places,
    text_width,
    with_unit,
    wrapped,
)
from repeatab.report.figures.style import TEXT_SIZE
from repeatab.report.marks import GRID, LOOKS, SOFT, Mark, series_look
from repeatab.report.numbers import fixed, result_decimals
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_CHANCE = 1.75
_WIDTH = 1.15
_GAP = 0.2
_MARGIN = LOOKS[Mark.DIFFERS].colour
_NAMES = ("if there is no difference", "at the difference observed")


def draw_more_runs(figure: WhatMoreRunsBuy, width: float, titled: bool) -> Figure:
    """Draw the figure; see `draw`."""
    hours = all(row.rig_hours is not None for row in figure.rows)
    decimals = result_decimals([row.interval_half_width for row in figure.rows], unit=figure.unit)
    marked = [0.0, *(row.interval_half_width for row in figure.rows), figure.margin or 0.0]
    left = max(text_width(text) for text in ("100 %", fixed(max(marked), decimals))) + 0.14
    key = [_series_key(i, name) for i, name in enumerate(_NAMES)]
    key.append(KeyEntry(text=f"wanted: {100 * figure.target:g} %", line=1.0, colour=SOFT, dashes=(5, 2)))
    if figure.margin is not None:
        text = f"margin {figure.margin:.4g}"
        key.append(KeyEntry(text=text, line=1.4, colour=_MARGIN, dashes=(5, 2)))
    head = LINE + 0.06
    frame = Frame(
        width=width,
        body=2 * head + _CHANCE + _GAP + _WIDTH,
        title=figure.title if titled else "",
        key=key,
        below=0.62 if hours else 0.45,
    )
    span = width - 2 * EDGE - left - 0.12
    upper, lower = 0.0, head + _CHANCE + _GAP
    heads = ("probability of a verdict", with_unit("half-width of the interval", figure.unit))
    for top, text in zip((upper, lower), heads, strict=True):
        line = wrapped(text, span + left, most=1, bold=True)[0]
        frame.text(EDGE, frame.top + top + LINE / 2, line, va="center", weight="bold")
    above = frame.axes(EDGE + left, upper + head, span, _CHANCE)
    _draw_chances(above, figure)
    ax = frame.axes(EDGE + left, lower + head, span, _WIDTH)
    _draw_widths(ax, figure, decimals)
    _label_steps(ax, figure.rows, span, hours, printable(figure.level))
    above.set_xticks(ax.get_xticks(), [])
    return frame.figure


def _series_key(position: int, text: str) -> KeyEntry:
    look = series_look(position)
    return KeyEntry(text=text, marker=look.marker, colour=look.colour, line=1.3, dashes=look.dashes)


def _draw_chances(ax: Axes, figure: WhatMoreRunsBuy) -> None:
    if not figure.rows:
        return
    sets = [row.sets_per_arm for row in figure.rows]
    chances = (
        [row.probability_no_difference for row in figure.rows],
        [row.probability_observed for row in figure.rows],
    )
    for i, values in enumerate(chances):
        look = series_look(i)
        style: Any = (0, look.dashes) if look.dashes else "-"
        ax.plot(
            sets, values, color=look.colour, marker=look.marker, markersize=5.5, markeredgecolor="white",
            markeredgewidth=0.75, linewidth=1.3, linestyle=style,
        )  # fmt: skip
    ax.axhline(figure.target, color=SOFT, linewidth=1.0, linestyle=(0, (5, 2)), zorder=1)
    ax.set_ylim(0, 1.04)
    ax.set_yticks([0, 0.2, 0.4, 0.6, 0.8, 1.0], ["0 %", "20 %", "40 %", "60 %", "80 %", "100 %"])
    ax.grid(axis="y", color=GRID)
    _plain(ax, figure.rows)


def _draw_widths(ax: Axes, figure: WhatMoreRunsBuy, decimals: int) -> None:
    sets = [row.sets_per_arm for row in figure.rows]
    widths = [row.interval_half_width for row in figure.rows]
    ax.plot(sets, widths, color=SOFT, marker="s", markersize=5, linewidth=1.3)
    if figure.margin is not None:
        ax.axhline(figure.margin, color=_MARGIN, linewidth=1.4, linestyle=(0, (5, 2)), zorder=1)
    high = max([*widths, figure.margin or 0.0]) * 1.12 or 1.0
    places = even_places(0.0, high, 4)
    ax.set_ylim(0, high)
    ax.set_yticks(places, [fixed(place, decimals) for place in places])
    ax.grid(axis="y", color=GRID)
    _plain(ax, figure.rows)


def _plain(ax: Axes, rows: tuple[MoreRunsRow, ...]) -> None:
    ax.set_xlabel("")
    ax.set_ylabel("")
    sets = [row.sets_per_arm for row in rows] or [0, 1]
    room = 0.05 * (max(sets) - min(sets)) or 0.5
    ax.set_xlim(min(sets) - room, max(sets) + room)


def _label_steps(ax: Axes, rows: tuple[MoreRunsRow, ...], span: float, hours: bool, level: str) -> None:
    """Number of sets, and below it the rig hours, where neighbours leave room for each other."""
    if not rows:
        return
    low, high = ax.get_xlim()
    shown: list[MoreRunsRow] = []
    for row in rows:
        apart = (row.sets_per_arm - shown[-1].sets_per_arm) / (high - low) * span if shown else span
        if apart >= (0.5 if hours else 0.3):
            shown.append(row)
    texts = [
        f"{row.sets_per_arm}\n{row.rig_hours:.0f} h" if hours else str(row.sets_per_arm) for row in shown
    ]
    ax.set_xticks([row.sets_per_arm for row in shown], texts)
    axis = f"pad sets per {level}, and rig hours" if hours else f"pad sets per {level}"
    ax.set_xlabel(axis, labelpad=3, size=TEXT_SIZE)
