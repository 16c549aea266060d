"""Drawing the figures of a plan: verdicts against the true offset, and plans by rig hours."""

from __future__ import annotations

from typing import TYPE_CHECKING

from repeatab.outcome.plan_figures import ChanceAtOffset, HoursAgainstGain, VerdictAgainstOffset
from repeatab.report.figures.sheet import EDGE, Frame, KeyEntry, text_width
from repeatab.report.figures.style import TEXT_SIZE
from repeatab.report.marks import GRID, SOFT, SeriesLook, series_look

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BODY = 2.3
_NAMES = ("equivalent", "different", "undecided")


def draw_verdicts(figure: VerdictAgainstOffset, width: float, titled: bool) -> Figure:
    """Draw the figure; see `draw`."""
    key = []
    for i, name in enumerate(_NAMES):
        look = series_look(i)
        key.append(KeyEntry(text=name, marker=look.marker, colour=look.colour, line=1.3, dashes=look.dashes))
    frame, ax = _sheet(figure.title if titled else "", width, key)
    _draw_shares(ax, figure)
    ax.axvline(1.0, color=SOFT, linewidth=1.0)
    ax.set_xlabel("true offset in margins (1: at the margin)", size=TEXT_SIZE)
    _percent_axis(ax)
    return frame.figure


def draw_plans(figure: HoursAgainstGain, width: float, titled: bool) -> Figure:
    """Draw the figure; see `draw`."""
    kinds = list(dict.fromkeys(row.layout for row in figure.rows))
    looks = {kind: series_look(i) for i, kind in enumerate(kinds)}
    key = [KeyEntry(text=kind, marker=look.marker, colour=look.colour) for kind, look in looks.items()]
    frame, ax = _sheet(figure.title if titled else "", width, key)
    _draw_points(ax, figure, looks)
    best = sorted((row.hours, row.gain) for row in figure.rows if row.best)
    ax.plot(
        [h for h, _ in best],
        [g for _, g in best],
        color=SOFT,
        linewidth=1.1,
        drawstyle="steps-post",
        zorder=1,
    )
    low, high = ax.get_xlim()
    for row in figure.rows:
        if row.recommended:
            # Beside its point on the side where there is room.
            left = row.hours > (low + high) / 2
            ax.annotate(
                "recommended",
                (row.hours, row.gain),
                xytext=(-6, 5) if left else (6, -12),
                ha="right" if left else "left",
                textcoords="offset points",
                size=TEXT_SIZE,
            )
    if figure.target is not None:
        ax.axhline(figure.target, color=SOFT, linewidth=1.0, linestyle=(0, (5, 2)), zorder=1)
    ax.set_xlabel("rig hours", size=TEXT_SIZE)
    _percent_axis(ax)
    return frame.figure


def _draw_shares(ax: Axes, figure: VerdictAgainstOffset) -> None:
    """One line per verdict; undecided is what the others leave."""
    import pandas as pd
    import seaborn as sns

    looks = {name: series_look(i) for i, name in enumerate(_NAMES)}
    rows = [
        (row.share, name, chance)
        for row in figure.rows
        for name, chance in zip(_NAMES, _chances(row), strict=True)
    ]
    sns.lineplot(
        data=pd.DataFrame(rows, columns=["share", "verdict", "chance"]), x="share", y="chance", ax=ax,
        hue="verdict", palette={name: look.colour for name, look in looks.items()}, legend=False,
        style="verdict", markers={name: look.marker for name, look in looks.items()}, estimator=None,
        dashes={name: look.dashes for name, look in looks.items()}, markersize=4.5, linewidth=1.3,
    )  # fmt: skip
    ax.set_ylabel("")


def _chances(row: ChanceAtOffset) -> tuple[float, float, float]:
    return row.equivalent, row.different, 1 - row.equivalent - row.different


def _draw_points(ax: Axes, figure: HoursAgainstGain, looks: dict[str, SeriesLook]) -> None:
    """One mark per plan, by its kind of layout."""
    import pandas as pd
    import seaborn as sns

    rows = [(row.hours, row.gain, row.layout) for row in figure.rows]
    sns.scatterplot(
        data=pd.DataFrame(rows, columns=["hours", "gain", "layout"]), x="hours", y="gain", ax=ax,
        hue="layout", palette={kind: look.colour for kind, look in looks.items()}, legend=False,
        style="layout", markers={kind: look.marker for kind, look in looks.items()}, s=26, linewidth=0,
        zorder=3,
    )  # fmt: skip
    ax.set_ylabel("")


def _sheet(title: str, width: float, key: list[KeyEntry]) -> tuple[Frame, Axes]:
    left = text_width("100 %") + 0.14
    frame = Frame(width=width, body=_BODY, title=title, key=key, below=0.5)
    return frame, frame.axes(EDGE + left, 0.0, width - 2 * EDGE - left - 0.12, _BODY)


def _percent_axis(ax: Axes) -> None:
    ax.set_ylim(0, 1.04)
    ax.set_yticks([0, 0.2, 0.4, 0.6, 0.8, 1.0], ["0 %", "20 %", "40 %", "60 %", "80 %", "100 %"])
    ax.grid(axis="y", color=GRID)
