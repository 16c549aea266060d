"""The look all figures share, independent of the user's own plotting settings, and their exact bytes."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
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
    import seaborn as sns

    ground = {k: v for k, v in mpl.rcParamsDefault.items() if not k.startswith(_NOT_OF_STYLE)}
    with warnings.catch_warnings():
        # A letter that no font has is drawn as a box; the name stands in full in the tables.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message=".*does not support.*")
        settings: Any = {**ground, **sns.axes_style("white"), **_settings()}
        with mpl.rc_context(settings):
            yield


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
        "path.simplify": False,
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


def to_png(figure: Figure, *, dots_per_inch: int = 160) -> bytes:
    """The figure as PNG; the same figure gives the same bytes (no date, no program name)."""
    return _saved(figure, "png", metadata={"Software": None}, dpi=dots_per_inch)


def _saved(figure: Figure, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    with styled():
        figure.savefig(stream, format=kind, **options)
    return stream.getvalue()
