"""Pairs of levels: each laboratory's deviation at one level against that at another, in square panels.

Youden (1959), Industrial Quality Control 15(11), 24-28: what lies along the diagonal belongs to the laboratory,
what lies across it to chance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from repeatab.outcome.figures import LevelPair, PairPoint, PairsOfLevels
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
from repeatab.report.figures.style import TEXT_SIZE, WIDE
from repeatab.report.marks import FILL, INK, RULE, SOFT, series_look
from repeatab.report.numbers import fixed
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LEFT = 0.62
_FOOT = 0.5
_DOT = series_look(0).colour


def draw_pairs(figure: PairsOfLevels, width: float, titled: bool) -> Figure:
    """Draw the figure; see `draw`."""
    columns = 2 if len(figure.pairs) > 1 and width >= WIDE else 1
    deep = max(1, math.ceil(len(figure.pairs) / columns))
    cell = (width - 2 * EDGE) / columns
    side = min(cell - _LEFT - 0.12, 3.2)
    high = LINE + 0.1 + side + _FOOT
    key = [KeyEntry(text="one laboratory", marker="o", colour=_DOT)]
    key.append(KeyEntry(text="the same deviation at both levels", line=0.9, colour=SOFT, dashes=(4, 2)))
    if figure.highlight:
        key.append(KeyEntry(text="your laboratory", marker="D", colour=INK))
    note = wrapped(
        with_unit("deviation from the middle of the laboratories", figure.unit), width - 2 * EDGE, most=2
    )
    above = len(note) * LINE + 0.08
    frame = Frame(
        width=width, body=above + deep * high, title=figure.title if titled else "", key=key, below=0.0
    )
    for i, text in enumerate(note):
        frame.text(EDGE, frame.top + (i + 0.5) * LINE, text, va="center", color=SOFT)
    for at, pair in enumerate(figure.pairs):
        row, column = divmod(at, columns)
        x, top = EDGE + column * cell, above + row * high
        head = f"{printable(pair.second)} (up) against {printable(pair.first)} (across)"
        line = wrapped(head, cell - 0.1, most=1, bold=True)[0]
        frame.text(x, frame.top + top + LINE / 2, line, va="center", weight="bold")
        ax = frame.axes(x + _LEFT, top + LINE + 0.1, side, side)
        _draw_pair(ax, pair, figure.highlight, side)
    return frame.figure


def _draw_pair(ax: Axes, pair: LevelPair, highlight: str, side: float) -> None:
    reach = 1.25 * max((abs(v) for p in pair.points for v in (p.x, p.y)), default=1.0) or 1.0
    ax.set_xlim(-reach, reach)
    ax.set_ylim(-reach, reach)
    ax.plot([-reach, reach], [-reach, reach], color=SOFT, linewidth=0.9, linestyle=(0, (4, 2)), zorder=1)
    ax.axhline(0, color=RULE, linewidth=0.8, zorder=1)
    ax.axvline(0, color=RULE, linewidth=0.8, zorder=1)
    for point in pair.points:
        own = point.laboratory == highlight
        ax.plot(
            [point.x], [point.y], "D" if own else "o", color=INK if own else _DOT,
            markerfacecolor=INK if own else FILL, markersize=7 if own else 5.2, markeredgewidth=1.2, zorder=3,
        )  # fmt: skip
    places = even_places(-reach, reach, 5)
    step = places[1] - places[0] if len(places) > 1 else 1.0
    decimals = next((d for d in range(10) if abs(round(step, d) - step) < 1e-6 * step), 9)
    texts = [fixed(place, decimals, sign=True) for place in places]
    ax.set_xticks(places, texts)
    ax.set_yticks(places, texts)
    for point, (x, y), ha in _placed(pair.points, reach, side):
        own = point.laboratory == highlight
        ax.text(
            x, y, wrapped(point.laboratory, 1.0, most=1)[0], ha=ha, va="center", size=TEXT_SIZE - 1,
            weight="bold" if own else "normal", color=INK if own else SOFT, zorder=2,
        )  # fmt: skip


_Box = tuple[float, float, float, float]


def _placed(
    points: Sequence[PairPoint], reach: float, side: float
) -> list[tuple[PairPoint, tuple[float, float], str]]:
    """A place for the name of each point, the outer points first; a name without room is left out."""
    inch = 2 * reach / side
    taken: list[_Box] = [
        (p.x - 0.05 * inch, p.x + 0.05 * inch, p.y - 0.05 * inch, p.y + 0.05 * inch) for p in points
    ]
    found = []
    for point in sorted(points, key=lambda p: -max(abs(p.x), abs(p.y))):
        wide = text_width(wrapped(point.laboratory, 1.0, most=1)[0], TEXT_SIZE - 1, bold=True) * inch
        for ha, dx, dy in _SIDES:
            x, y = point.x + dx * inch, point.y + dy * inch
            start = x if ha == "left" else x - wide if ha == "right" else x - wide / 2
            box = (start, start + wide, y - 0.075 * inch, y + 0.075 * inch)
            inside = max(abs(edge) for edge in box) < reach
            if inside and not any(_meet(box, other) for other in taken):
                taken.append(box)
                found.append((point, (x, y), ha))
                break
    return found


_SIDES = (
    ("left", 0.08, 0.0),
    ("right", -0.08, 0.0),
    ("center", 0.0, 0.14),
    ("center", 0.0, -0.14),
    ("left", 0.07, 0.11),
    ("right", -0.07, 0.11),
    ("left", 0.07, -0.11),
    ("right", -0.07, -0.11),
)


def _meet(one: _Box, two: _Box) -> bool:
    return one[0] < two[1] and two[0] < one[1] and one[2] < two[3] and two[2] < one[3]
