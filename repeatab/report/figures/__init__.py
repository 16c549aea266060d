"""Drawing the figures that an Outcome holds as data; SVG and PNG with the same bytes each time.

`draw(figure)` returns a matplotlib Figure that belongs to the caller; no window, no global state.
"""

from repeatab.report.figures.draw import draw, parts_of
from repeatab.report.figures.sheet import title_room
from repeatab.report.figures.style import NARROW, WIDE, to_png, to_svg, without_top

__all__ = ["NARROW", "WIDE", "draw", "parts_of", "title_room", "to_png", "to_svg", "without_top"]
