"""State of the rigs: one row per rig, one mark per section, the month since when a mark signals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from repeatab.outcome.history_figures import RigSectionState, RigStates
from repeatab.report.figures.sheet import EDGE, LINE, Frame, KeyEntry, part_of, text_width, wrapped
from repeatab.report.figures.strokes import Strokes
from repeatab.report.figures.style import TEXT_SIZE
from repeatab.report.marks import GRID, LOOKS, SOFT, Look, Mark, mark_of, verdict_in
from repeatab.report.words import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROW = 0.4
_NAMED_FROM = 0.85
"""Columns at least so wide carry the section's name; narrower ones a number with the names below."""
_DATED_FROM = 0.52
_SMALL = TEXT_SIZE - 1.5


def draw_rig_states(figure: RigStates, width: float, titled: bool, part: tuple[int, int]) -> Figure:
    """Draw the figure; see `draw`."""
    chosen = part_of(len(figure.rigs), part)
    rigs, verdicts = figure.rigs[chosen], figure.verdicts[chosen]
    room = width - 2 * EDGE
    names = max((text_width(printable(rig), bold=True) for rig in rigs), default=0.3)
    left = min(0.4 * room, max(names, text_width("in control")) + 0.2)
    column = min(1.3, (room - left) / max(1, len(figure.sections)))
    named = column >= _NAMED_FROM
    heads = [
        wrapped(name, column - 0.08, size=_SMALL, most=3) if named else [str(i)]
        for i, name in enumerate(figure.sections, start=1)
    ]
    head = max((len(lines) for lines in heads), default=1) * LINE + 0.06
    listing = [] if named else _listing(figure.sections, room)
    body = head + len(rigs) * _ROW
    frame = Frame(
        width=width, body=max(body, 0.4), title=figure.title if titled else "", key=_key(figure),
        below=0.08 + len(listing) * LINE,
    )  # fmt: skip
    for i, lines in enumerate(heads):
        for j, line in enumerate(lines):
            y = frame.top + head - 0.06 - (len(lines) - j - 0.5) * LINE
            frame.text(
                EDGE + left + (i + 0.5) * column, y, line, ha="center", va="center", size=_SMALL, color=SOFT
            )
    ax = frame.axes(EDGE, head, room, max(body, 0.4) - head)
    _prepare(ax, room, max(body, 0.4) - head)
    cells = {(cell.rig, cell.section): cell for cell in figure.states}
    strokes = Strokes(ax)
    for row, (rig, verdict) in enumerate(zip(rigs, verdicts, strict=True)):
        _draw_row(ax, row, rig, verdict, left)
        for i, section in enumerate(figure.sections):
            cell = cells.get((rig, section))
            if cell is not None:
                _draw_cell(ax, strokes, left + (i + 0.5) * column, row, cell, dated=column >= _DATED_FROM)
    strokes.draw()
    for i, line in enumerate(listing):
        frame.text(EDGE, frame.top + max(body, 0.4) + 0.04 + (i + 0.5) * LINE, line, va="center", size=_SMALL)
    return frame.figure


def _prepare(ax: Axes, width: float, height: float) -> None:
    ax.set_xlim(0, width)
    ax.set_ylim(max(height, 0.1), 0)
    ax.axis("off")


def _look(word: str) -> Look:
    verdict = verdict_in(word)
    return LOOKS[mark_of(verdict) if verdict else Mark.PLAIN]


def _draw_row(ax: Axes, row: int, rig: str, verdict: str, left: float) -> None:
    top = row * _ROW
    ax.hlines(top, 0, ax.get_xlim()[1], color=GRID, linewidth=0.8)
    name = wrapped(rig, left - 0.1, most=1, bold=True)[0]
    ax.text(0, top + 0.12, name, va="center", weight="bold")
    word = wrapped(verdict, left - 0.1, size=_SMALL, most=1)[0]
    ax.text(0, top + 0.28, word, va="center", size=_SMALL, color=_look(verdict).colour)


def _draw_cell(ax: Axes, strokes: Strokes, x: float, row: int, cell: RigSectionState, *, dated: bool) -> None:
    look = _look(cell.state)
    top = row * _ROW
    strokes.sign(
        (x, top + (0.13 if cell.since and dated else 0.2)), marker=look.marker, color=look.colour,
        markerfacecolor=look.colour if look.filled else "white", markersize=7.5 if cell.decides else 5,
        markeredgewidth=1.4,
    )  # fmt: skip
    if cell.since and dated:
        since = wrapped(cell.since[:7], 0.52, size=_SMALL, most=1)[0]
        ax.text(x, top + 0.3, since, ha="center", va="center", size=_SMALL, color=look.colour)


def _listing(sections: tuple[str, ...], width: float) -> list[str]:
    text = ", ".join(f"{i} {printable(name)}" for i, name in enumerate(sections, start=1))
    return wrapped(text, width, size=_SMALL, most=12)


def _key(figure: RigStates) -> list[KeyEntry]:
    words = dict.fromkeys([*(cell.state for cell in figure.states), *figure.verdicts])
    entries = [
        KeyEntry(
            text=printable(word),
            marker=_look(word).marker,
            colour=_look(word).colour,
            filled=_look(word).filled,
        )
        for word in words
    ]
    if any(not cell.decides for cell in figure.states):
        entries.append(KeyEntry(text="small: only informs"))
    return entries
