"""Pad sets across rigs: a thin line for each set that ran on several, a point for each set that ran once.

Each section is a strip with one row per rig, and the result runs across as the distance from the section's
mean. A rig step leans all lines the same way; a material step moves whole lines sideways.
"""

from __future__ import annotations

import math
from collections import defaultdict
from itertools import pairwise
from typing import TYPE_CHECKING

from repeatab.outcome.figures import SetPoint, SetsAcrossRigs
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
from repeatab.report.figures.style import TEXT_SIZE
from repeatab.report.marks import INK, SOFT, series_look
from repeatab.report.numbers import fixed, result_decimals
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROW = 0.24
_GAP = 0.12


def draw_sets(figure: SetsAcrossRigs, width: float, titled: bool, part: tuple[int, int]) -> Figure:
    """Draw the figure; see `draw`."""
    sections = figure.sections[part_of(len(figure.sections), part)]
    columns = columns_for(len(sections), width, one=7)
    left = rig_gutter(figure.rigs)
    span = (width - 2 * EDGE - GUTTER * (columns - 1)) / columns - left
    means = {section: _mean([p.value for p in _of(figure, section)]) for section in figure.sections}
    decimals = result_decimals(list(means.values()), unit=figure.unit)
    tails = [f"mean {fixed(means[s], decimals)}" if _of(figure, s) else "no results" for s in sections]
    labels = [
        wrapped(section, span - text_width(tail) - 0.15, bold=True)
        for section, tail in zip(sections, tails, strict=True)
    ]
    sheet = lane_sheet(
        [len(lines) * LINE + _ROW * len(figure.rigs) + _GAP for lines in labels],
        width=width,
        columns=columns,
        x_label=_axis_label(figure, span),
        title=figure.title if titled else "",
        key=_key(figure),
        left=left,
    )
    reach = max((abs(p.value - means[p.section]) for p in figure.points), default=0.0) * 1.08 or 1.0
    for ax in sheet.axes:
        ax.set_xlim(-reach, reach)
        few_ticks(ax, span)
    strokes = [Strokes(ax) for ax in sheet.axes]
    for i, section in enumerate(sections):
        column, top = sheet.column_of[i], sheet.top_of[i]
        ax = sheet.axes[column]
        draw_strip_label(ax, top, labels[i], tails[i])
        _draw_strip(ax, strokes[column], top + len(labels[i]) * LINE, figure, section, means[section])
    for gathered in strokes:
        gathered.draw()
    return sheet.figure


def rig_gutter(rigs: tuple[str, ...]) -> float:
    """Room for the names of the rigs beside the strips."""
    return min(1.1, max((text_width(printable(rig), TEXT_SIZE - 0.5) for rig in rigs), default=0.0)) + 0.12


def draw_strip_label(ax: Axes, top: float, lines: list[str], tail: str = "") -> None:
    """The name of a strip above it, and a word at its right end."""
    for j, line in enumerate(lines):
        lane_text(ax, 0, top + (j + 0.5) * LINE, line, weight="bold")
    if tail:
        lane_text(ax, 1, top + 0.5 * LINE, tail, ha="right", color=SOFT)


def draw_rig_row(ax: Axes, strokes: Strokes, y: float, rig: str) -> None:
    """The name of a rig to the left of its row, and the row's ground line."""
    across = ax.get_yaxis_transform()
    name = wrapped(rig, 1.1, size=TEXT_SIZE - 0.5, most=1)[0]
    size = TEXT_SIZE - 0.5
    ax.text(-0.015, y, name, transform=across, va="center", ha="right", color=SOFT, size=size)
    strokes.ground(y, color=SOFT, linewidth=0.5, alpha=0.45, zorder=1)


def _of(figure: SetsAcrossRigs, section: str) -> list[SetPoint]:
    return [point for point in figure.points if point.section == section]


def _mean(values: list[float]) -> float:
    return math.fsum(values) / len(values) if values else math.nan


def _axis_label(figure: SetsAcrossRigs, span: float) -> str:
    return wrapped(with_unit("distance from the section's mean", figure.unit), span + 0.3, most=1)[0]


def _draw_strip(
    ax: Axes, strokes: Strokes, top: float, figure: SetsAcrossRigs, section: str, centre: float
) -> None:
    rows = {rig: top + (i + 0.5) * _ROW for i, rig in enumerate(figure.rigs)}
    points = [point for point in _of(figure, section) if point.rig in rows]
    for rig, y in rows.items():
        draw_rig_row(ax, strokes, y, rig)
        here = [point.value - centre for point in points if point.rig == rig]
        if here:
            strokes.line((_mean(here), y - 0.09), (_mean(here), y + 0.09), color=INK, linewidth=2.0, zorder=2)
    by_set: dict[str, list[SetPoint]] = defaultdict(list)
    for point in points:
        by_set[point.pad_set].append(point)
    for members in by_set.values():
        means = [
            (_mean([p.value - centre for p in members if p.rig == rig]), y)
            for rig, y in rows.items()
            if any(p.rig == rig for p in members)
        ]
        for start, end in pairwise(means):
            strokes.line(start, end, color=SOFT, linewidth=0.9, alpha=0.8, zorder=2)
        for point in members:
            look = series_look(figure.rigs.index(point.rig))
            strokes.sign(
                (point.value - centre, rows[point.rig]), marker=look.marker, markersize=4.6, color=look.colour,
                markerfacecolor=look.colour if len(members) > 1 else "white", markeredgewidth=1.2, zorder=3,
            )  # fmt: skip


def _key(figure: SetsAcrossRigs) -> list[KeyEntry]:
    runs: dict[tuple[str, str], int] = defaultdict(int)
    rigs: dict[tuple[str, str], set[str]] = defaultdict(set)
    for point in figure.points:
        runs[point.section, point.pad_set] += 1
        rigs[point.section, point.pad_set].add(point.rig)
    entries = []
    if any(len(names) > 1 for names in rigs.values()):
        entries.append(
            KeyEntry(text=f"one pad set on several {printable(figure.level)}s", line=0.9, colour=SOFT)
        )
    if any(number > 1 for number in runs.values()):
        entries.append(KeyEntry(text="set that ran more than once", marker="o", colour=SOFT))
    if any(number == 1 for number in runs.values()):
        entries.append(KeyEntry(text="set that ran once", marker="o", colour=SOFT, filled=False))
    if entries:
        entries.append(KeyEntry(text=f"mean of the {printable(figure.level)}", marker="|", colour=INK))
    return entries
