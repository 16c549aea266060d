"""A sheet measured in inches: lanes under each other, text above its lane, columns when there are many.

In: the heights of the lanes, the width, the title and the key. Out: a matplotlib Figure with one pair of axes
per column whose y axis counts inches downwards, so that text and marks never meet whatever the names are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from repeatab.report.figures.style import TEXT_SIZE, TITLE_SIZE, WIDE
from repeatab.report.marks import GRID, INK, PAPER, RULE, SOFT
from repeatab.report.numbers import fixed
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LINE = 0.165
"""Height of a line of text, in inches."""
EDGE = 0.1
GUTTER = 0.35


def text_width(text: str, size: float = TEXT_SIZE, *, bold: bool = False) -> float:
    """The width of a text in inches, kerning left out."""
    return math.fsum(_letter_width(letter, bold) for letter in text) * size


@lru_cache(maxsize=4096)
def _letter_width(letter: str, bold: bool) -> float:
    """The advance of one letter at a size of one point, in inches."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    properties = FontProperties(size=100.0, weight="bold" if bold else "normal")
    # Between two bars, because a space alone has no outline to measure.
    wide, _, _ = text_to_path.get_text_width_height_descent(f"|{letter}|", properties, ismath=False)
    bars, _, _ = text_to_path.get_text_width_height_descent("||", properties, ismath=False)
    return float(wide - bars) / 7200


def wrapped(
    text: str, width: float, *, size: float = TEXT_SIZE, most: int = 2, bold: bool = False
) -> list[str]:
    """The text in at most `most` lines of this width; what does not fit ends in an ellipsis."""
    lines: list[str] = [""]
    width = 0.97 * width  # letters are set a little wider on a screen than their outlines are
    for word in _short_words(printable(text), width, size, bold):
        longer = f"{lines[-1]} {word}".strip()
        if text_width(longer, size, bold=bold) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    if len(lines) > most:
        last = f"{lines[most - 1]} {lines[most]}"
        while last and text_width(f"{last}…", size, bold=bold) > width:
            last = last[:-1]
        lines = [*lines[: most - 1], f"{last.rstrip()}…"]
    return [line for line in lines if line] or [""]


def _short_words(text: str, width: float, size: float, bold: bool) -> list[str]:
    """The words of the text, those wider than a line cut into pieces."""
    words = []
    for word in text.split(" "):
        rest = word
        while text_width(rest, size, bold=bold) > width:
            fits = len(rest) - 1
            while fits > 1 and text_width(rest[:fits], size, bold=bold) > width:
                fits -= 1
            words.append(rest[:fits])
            rest = rest[fits:]
        words.append(rest)
    return words


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyEntry:
    """One entry of the key below a figure: a sample and what it means."""

    text: str
    marker: str = ""
    colour: str = INK
    filled: bool = True
    line: float = 0.0
    dashes: tuple[float, ...] = ()
    patch: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A figure with one pair of axes per column; `column_of` and `top_of` say where each lane lies."""

    figure: Figure
    axes: list[Axes]
    column_of: list[int]
    top_of: list[float]


def split(heights: Sequence[float], columns: int) -> list[int]:
    """The column of each lane, filled one after the other to about the same height."""
    share = math.fsum(heights) / columns
    column_of, done = [], 0.0
    for height in heights:
        column_of.append(min(columns - 1, int((done + height / 2) / share) if share else 0))
        done += height
    return column_of


def columns_for(lanes: int, width: float, *, one: int = 12) -> int:
    """Two columns once a wide sheet has more than `one` lanes, so that it stays on a page."""
    return 2 if lanes > one and width >= WIDE else 1


def lane_sheet(
    heights: Sequence[float],
    *,
    width: float,
    columns: int,
    x_label: str,
    title: str = "",
    key: Sequence[KeyEntry] = (),
    left: float = 0.0,
    right: float = 0.0,
) -> Sheet:
    """An empty sheet for lanes of these heights; `left` and `right` are margins for text beside the axes."""
    column_of = split(heights, columns)
    tops, filled = [], [0.0] * columns
    for height, column in zip(heights, column_of, strict=True):
        tops.append(filled[column])
        filled[column] += height
    body = max([*filled, 0.3])
    frame = Frame(width=width, body=body, title=title, key=key, below=0.5)
    span = (width - 2 * EDGE - GUTTER * (columns - 1)) / columns
    axes = []
    for column in range(columns):
        start = EDGE + column * (span + GUTTER) + left
        ax = frame.axes(start, 0.0, span - left - right, body)
        ax.set_ylim(body, 0)
        ax.set_yticks([])
        ax.spines[["left", "right", "top"]].set_visible(False)
        ax.spines["bottom"].set_color(RULE)
        ax.grid(axis="x", color=GRID)
        ax.set_xlabel(x_label, labelpad=3)
        axes.append(ax)
    return Sheet(frame.figure, axes, column_of, tops)


def title_room(title: str, width: float) -> float:
    """How much higher a sheet is for its title, in inches."""
    lines = len(_title_lines(title, width))
    return lines * 0.2 + 0.1 if lines else 0.0


def _title_lines(title: str, width: float) -> list[str]:
    return wrapped(title, width - 2 * EDGE, size=TITLE_SIZE, most=3, bold=True) if title else []


class Frame:
    """A figure with a title above and a key below a body of given height, all in inches."""

    def __init__(
        self, *, width: float, body: float, title: str = "", key: Sequence[KeyEntry] = (), below: float
    ) -> None:
        from matplotlib.figure import Figure

        lines = _title_lines(title, width)
        rows = _key_rows(key, width - 2 * EDGE)
        self.top = EDGE + title_room(title, width)
        self.width, self.body = width, body
        self.height = self.top + body + below + len(rows) * 0.19 + EDGE
        self.figure = Figure(figsize=(width, self.height))
        for i, line in enumerate(lines):
            self.text(EDGE, EDGE + i * 0.2, line, size=TITLE_SIZE, weight="bold", va="top")
        for i, row in enumerate(rows):
            self._draw_key(row, self.top + body + below + (i + 0.5) * 0.19)

    def axes(self, left: float, top: float, width: float, height: float) -> Axes:
        """Axes at this place of the body, measured from its upper left corner."""
        bottom = self.height - self.top - top - height
        place = (left / self.width, bottom / self.height, width / self.width, height / self.height)
        return self.figure.add_axes(place)

    def text(self, x: float, y: float, text: str, **look: Any) -> None:
        """Text at a place measured from the upper left corner of the sheet."""
        self.figure.text(x / self.width, 1 - y / self.height, text, **look)

    def _draw_key(self, row: Sequence[tuple[float, KeyEntry]], y: float) -> None:
        from matplotlib.lines import Line2D
        from matplotlib.patches import Rectangle

        high = 1 - y / self.height
        for x, entry in row:
            ends = [x / self.width, (x + _SAMPLE) / self.width]
            if entry.patch:
                size = (_SAMPLE / self.width, 0.1 / self.height)
                corner = (ends[0], high - size[1] / 2)
                self.figure.add_artist(Rectangle(corner, *size, color=entry.patch, linewidth=0))
            if entry.line:
                style: Any = (0, entry.dashes) if entry.dashes else "-"
                line = Line2D(ends, [high] * 2, color=entry.colour, linewidth=entry.line, linestyle=style)
                self.figure.add_artist(line)
            if entry.marker:
                face = entry.colour if entry.filled else "white"
                middle = [(ends[0] + ends[1]) / 2]
                dot = Line2D(middle, [high], color=entry.colour, marker=entry.marker, markerfacecolor=face)
                dot.set(markersize=5.5, markeredgewidth=1.4, linestyle="none")
                self.figure.add_artist(dot)
            self.text(x + _SAMPLE + 0.07, y, entry.text, size=TEXT_SIZE - 0.5, va="center", color=SOFT)


_SAMPLE = 0.24


def _key_rows(key: Sequence[KeyEntry], width: float) -> list[list[tuple[float, KeyEntry]]]:
    """The entries with their places, in as many rows as they need."""
    rows: list[list[tuple[float, KeyEntry]]] = []
    x = width
    for entry in key:
        needed = _SAMPLE + 0.07 + text_width(entry.text, TEXT_SIZE - 0.5)
        if x + needed > width + EDGE or not rows:
            rows.append([])
            x = EDGE
        rows[-1].append((x, entry))
        x += needed + 0.22
    return rows


def part_of(count: int, part: tuple[int, int]) -> slice:
    """The places of one part when `count` lanes are parted evenly; `part` is (which, of how many)."""
    which, total = part
    size = math.ceil(count / total) if count else 0
    return slice((which - 1) * size, which * size)


def with_unit(text: str, unit: str) -> str:
    """An axis label with its unit in brackets, if there is one."""
    return f"{text} [{printable(unit)}]" if unit else text


def even_places(low: float, high: float, most: int, *, whole: bool = False) -> list[float]:
    """Round numbers from `low` to `high`, about `most` of them at most; whole numbers only if asked."""
    from matplotlib.ticker import MaxNLocator

    locator = MaxNLocator(nbins=most, steps=[1, 2, 5, 10] if whole else [1, 2, 2.5, 5, 10], integer=whole)
    return [float(x) for x in locator.tick_values(low, high) if low <= x <= high]


def few_ticks(ax: Axes, width: float) -> None:
    """As many ticks on the x axis as have room for their numbers; the outer numbers stay inside the sheet."""
    low, high = ax.get_xlim()
    places = even_places(low, high, max(3, int(width / 0.62)))
    if len(places) < 2:
        return
    step = places[1] - places[0]
    decimals = next((d for d in range(10) if abs(round(step, d) - step) < 1e-6 * step), 9)
    ax.set_xticks(places, [fixed(x, decimals) for x in places])
    for label, x in zip(ax.get_xticklabels(), places, strict=True):
        near = width * (x - low) / (high - low)
        if near < 0.15:
            label.set_horizontalalignment("left")
        elif width - near < 0.15:
            label.set_horizontalalignment("right")


def lane_text(ax: Axes, x: float, y: float, text: str, **look: Any) -> None:
    """Text at a share of the width and a height in inches, on a white ground: grid lines pass behind it."""
    ground = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.6}
    ax.text(x, y, text, transform=ax.get_yaxis_transform(), va="center", bbox=ground, **look)
