"""How verdicts and series look: a shape, a word and a colour each, so that no meaning hangs on colour alone.

The colours are our own. Every pair of series colours stays apart (at least 14 in CIE Lab) under simulated
protan, deutan and tritan vision (matrices of Machado, Oliveira & Fernandes 2009), and each has a contrast of
at least 3 : 1 on white; text colours at least 4.5 : 1 (WCAG 2.2, criteria 1.4.3 and 1.4.11). Tests check it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from repeatab.outcome.verdict import Verdict

INK = "#1f2a33"
SOFT = "#55636d"
RULE = "#c3ccd1"
GRID = "#e4e9ec"
BAND = "#dbe7ea"
BAND_EDGE = "#6f8d96"
FILL = "#a9c6cf"
PAPER = "#ffffff"


class Mark(Enum):
    """What kind of answer a verdict is; the value names its shape on the page and in the figures."""

    AGREES = "disc"
    DIFFERS = "diamond"
    OPEN = "ring"
    PARTLY = "half"
    PLAIN = "square"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Colour of a mark, the sign inside it on the page, and its marker in a figure."""

    colour: str
    marker: str
    filled: bool


LOOKS = {
    Mark.AGREES: Look(colour="#0b5569", marker="o", filled=True),
    Mark.DIFFERS: Look(colour="#8a3c08", marker="D", filled=True),
    Mark.OPEN: Look(colour="#59287f", marker="o", filled=False),
    Mark.PARTLY: Look(colour="#59287f", marker="s", filled=False),
    Mark.PLAIN: Look(colour="#3f3f3f", marker="s", filled=True),
}

_MARK_OF = {
    Verdict.EQUIVALENT: Mark.AGREES,
    Verdict.ACCEPTABLE: Mark.AGREES,
    Verdict.RETURN_TO_SERVICE: Mark.AGREES,
    Verdict.IN_CONTROL: Mark.AGREES,
    Verdict.CONFORMS: Mark.AGREES,
    Verdict.DIFFERENT: Mark.DIFFERS,
    Verdict.NOT_ACCEPTABLE: Mark.DIFFERS,
    Verdict.HOLD: Mark.DIFFERS,
    Verdict.SIGNAL: Mark.DIFFERS,
    Verdict.ACTION_SIGNAL: Mark.DIFFERS,
    Verdict.DOES_NOT_CONFORM: Mark.DIFFERS,
    Verdict.UNDECIDED: Mark.OPEN,
    Verdict.CONDITIONAL: Mark.PARTLY,
    Verdict.WARNING_SIGNAL: Mark.PARTLY,
    Verdict.DESCRIBED: Mark.PLAIN,
}


def mark_of(verdict: Verdict) -> Mark:
    """The mark of a verdict."""
    return _MARK_OF[verdict]


def verdict_in(text: str) -> Verdict | None:
    """The verdict that a text begins with, if any ("different, and it matters" begins with DIFFERENT)."""
    known = sorted(Verdict, key=lambda verdict: -len(verdict.value))
    return next((verdict for verdict in known if text.startswith(verdict.value)), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesLook:
    """Colour, marker and line of one series (a rig) in a figure."""

    colour: str
    marker: str
    dashes: tuple[float, ...]


_SERIES = (
    SeriesLook(colour="#0f6b80", marker="o", dashes=()),
    SeriesLook(colour="#a8480c", marker="D", dashes=(4, 1.6)),
    SeriesLook(colour="#59287f", marker="s", dashes=(1.2, 1.2)),
    SeriesLook(colour="#8a9a2c", marker="^", dashes=(5, 1.5, 1.2, 1.5)),
    SeriesLook(colour="#3d8fcc", marker="v", dashes=(2.5, 1)),
    SeriesLook(colour="#3f3f3f", marker="P", dashes=(7, 2)),
)


def series_look(position: int) -> SeriesLook:
    """The look of the series at this position; after the last colour the shapes shift against the colours."""
    colours, turn = len(_SERIES), position // len(_SERIES)
    base, shape = _SERIES[position % colours], _SERIES[(position + turn) % colours]
    return SeriesLook(colour=base.colour, marker=shape.marker, dashes=shape.dashes)
