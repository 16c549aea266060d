"""The look all figures share, independent of the user's own plotting settings, and their exact bytes."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from repeatab.report.marks import GRID, INK, PAPER, RULE, SOFT

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDE = 6.8
NARROW = 3.6
"""Widths in inches: for a page or paper, and for a screen of 360 pixels."""

TEXT_SIZE = 9.0
TITLE_SIZE = 11.0

# Fonts that are tried, where the machine has them, for letters that the first one lacks.
_FALLBACKS = (
    "Noto Sans CJK JP",
    "Noto Sans CJK SC",
    "Noto Sans Symbols2",
    "Noto Sans Arabic",
    "Noto Sans Hebrew",
)
# Settings of windows and of the program as a whole, which no drawing depends on.
_NOT_OF_STYLE = (
    "backend",
    "docstring",
    "figure.max_open_warning",
    "interactive",
    "keymap",
    "macosx",
    "savefig.directory",
    "timezone",
    "tk",
    "toolbar",
    "webagg",
)


@contextmanager
def styled() -> Iterator[None]:
    """Draw under our settings and give the user's back afterwards."""
    import matplotlib as mpl

    with warnings.catch_warnings():
        # A letter that no font has is drawn as a box; the name stands in full in the tables.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message=".*does not support.*")
        with mpl.rc_context():
            # They have been checked once: as a dict they are taken as they are.
            current: Any = mpl.rcParams
            dict.update(current, _checked_settings())
            yield


@lru_cache(maxsize=1)
def _checked_settings() -> dict[str, Any]:
    """All settings that a drawing depends on, as matplotlib holds them."""
    import matplotlib as mpl

    ground = {k: v for k, v in mpl.rcParamsDefault.items() if not k.startswith(_NOT_OF_STYLE)}
    settings: Any = {**ground, **_settings()}
    with mpl.rc_context(settings):
        return {name: mpl.rcParams[name] for name in settings}


def _settings() -> dict[str, Any]:
    return {
        "font.family": ["DejaVu Sans", *_present(_FALLBACKS)],
        "font.size": TEXT_SIZE,
        "text.parse_math": False,
        "text.color": INK,
        "axes.labelcolor": INK,
        "axes.labelsize": TEXT_SIZE,
        "axes.edgecolor": RULE,
        "axes.linewidth": 0.8,
        "axes.axisbelow": True,
        "axes.facecolor": "none",
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.formatter.use_mathtext": False,
        "axes.unicode_minus": True,
        "figure.facecolor": PAPER,
        "grid.color": GRID,
        "grid.linewidth": 0.8,
        "xtick.color": SOFT,
        "ytick.color": SOFT,
        "xtick.labelsize": TEXT_SIZE - 0.5,
        "ytick.labelsize": TEXT_SIZE - 0.5,
        "xtick.bottom": True,
        "ytick.left": True,
        "xtick.major.size": 3.0,
        "ytick.major.size": 3.0,
        "lines.solid_capstyle": "butt",
        "legend.fontsize": TEXT_SIZE - 0.5,
        "svg.hashsalt": "repeatab",
        "svg.fonttype": "path",
        "text.hinting": "none",
        "path.simplify": False,
        "patch.edgecolor": PAPER,
        "patch.force_edgecolor": True,
    }


def _present(names: tuple[str, ...]) -> list[str]:
    from matplotlib.font_manager import fontManager

    known = {font.name for font in fontManager.ttflist}
    return [name for name in names if name in known]


def to_svg(figure: Figure, *, title: str = "", description: str = "") -> bytes:
    """The figure as SVG; the same figure gives the same bytes (no date, fixed identifiers)."""
    metadata = {"Date": None, "Creator": None, "Title": title or None, "Description": description or None}
    return _saved(
        figure, "svg", metadata={k: v for k, v in metadata.items() if v or k in ("Date", "Creator")}
    )


_SIZE = re.compile(rb'height="([\d.]+)pt" viewBox="0 0 ([\d.]+) [\d.]+"')
_WORDS = re.compile(rb"<title>.*?</metadata>\n", re.DOTALL)


def without_top(svg: bytes, inches: float) -> bytes:
    """A picture of `to_svg` with a strip at its top out of sight (its title, say), and without words about it."""
    found = _SIZE.search(svg)
    assert found is not None
    off = 72 * inches
    high = f"{float(found[1]) - off:g}"
    size = f'height="{high}pt" viewBox="0 {off:g} {found[2].decode()} {high}"'.encode()
    return _WORDS.sub(b"", svg[: found.start()] + size + svg[found.end() :], count=1)


def to_png(figure: Figure, *, dots_per_inch: int = 160) -> bytes:
    """The figure as PNG; the same figure gives the same bytes (no date, no program name)."""
    return _saved(figure, "png", metadata={"Software": None}, dpi=dots_per_inch)


def _saved(figure: Figure, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    with styled():
        figure.savefig(stream, format=kind, **options)
    return stream.getvalue()
