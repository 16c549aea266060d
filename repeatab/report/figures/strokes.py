"""Strokes and signs of one pair of axes, gathered so that all of one look are drawn together.

In: places and looks, one by one.  Out: one artist per look: with an artist for each, a figure of a few sections takes
several times as long, and most of it goes into looks that are the same.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_Look = tuple[tuple[str, Any], ...]
_Place = tuple[float, float]


class Strokes:
    """Straight lines and markers for `ax`; nothing is drawn before `draw`."""

    def __init__(self, ax: Axes) -> None:
        self._ax = ax
        self._lines: dict[_Look, list[tuple[_Place, _Place]]] = defaultdict(list)
        self._grounds: dict[_Look, list[float]] = defaultdict(list)
        self._signs: dict[_Look, list[_Place]] = defaultdict(list)

    def line(self, start: _Place, end: _Place, **look: Any) -> None:
        """A line; `look` holds settings of a line collection."""
        self._lines[tuple(sorted(look.items()))].append((start, end))

    def ground(self, y: float, **look: Any) -> None:
        """A line over the whole width of the axes."""
        self._grounds[tuple(sorted(look.items()))].append(y)

    def sign(self, place: _Place, **look: Any) -> None:
        """A marker; `look` holds settings of a line, of which only the markers are drawn."""
        self._signs[tuple(sorted(look.items()))].append(place)

    def draw(self) -> None:
        """Draw all that was gathered; looks that came first lie below where nothing else is said."""
        from matplotlib.collections import LineCollection

        for look, segments in self._lines.items():
            self._ax.add_collection(LineCollection(segments, **dict(look)), autolim=False)
        across = self._ax.get_yaxis_transform()
        for look, heights in self._grounds.items():
            ends = [((0.0, y), (1.0, y)) for y in heights]
            self._ax.add_collection(LineCollection(ends, transform=across, **dict(look)), autolim=False)
        for look, places in self._signs.items():
            x, y = zip(*places, strict=True)
            self._ax.plot(x, y, linestyle="none", **dict(look))
