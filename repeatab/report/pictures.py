"""Pictures: each figure of an Outcome as the files and the images of the page that show it.

In: a figure as data.  Out: SVG and PNG for the folder, and the images of the page, wide and narrow, in as many
parts as a sheet of paper needs. A figure in one part is drawn once for folder and page: the page, which prints
the title as a heading, shows the same drawing without it.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from repeatab.outcome import figures as data
from repeatab.report.words import printable, prose

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Image:
    """One picture for wide and one for narrow screens, with its text alternative."""

    wide: str
    narrow: str
    size: tuple[int, int]
    narrow_size: tuple[int, int]
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureFiles:
    """A figure as files of the folder, its title in the picture."""

    svg: bytes
    png: bytes


def figure_and_images(figure: data.Figure) -> tuple[FigureFiles, tuple[Image, ...]]:
    """The files of the folder and the images of the page."""
    from repeatab.report.figures import WIDE, draw, parts_of, title_room, to_png, to_svg, without_top

    drawing = draw(figure)
    svg = to_svg(drawing, title=printable(figure.title), description=printable(figure.reading))
    files = FigureFiles(svg=svg, png=to_png(drawing))
    if parts_of(figure) > 1:
        return files, page_images(figure)
    above = title_room(figure.title, WIDE)
    wide, high = drawing.get_size_inches()
    shown = without_top(svg, above), (wide, high - above)
    return files, (_image(figure, (1, 1), shown),)


def page_images(figure: data.Figure) -> tuple[Image, ...]:
    """The images of the page alone."""
    return tuple(_images(figure))


def _images(figure: data.Figure) -> Iterator[Image]:
    from repeatab.report.figures import WIDE, draw, parts_of

    total = parts_of(figure)
    for which in range(1, total + 1):
        part = (which, total)
        yield _image(figure, part, _bare(draw(figure, width=WIDE, titled=False, part=part)))


def _bare(drawing: Figure) -> tuple[bytes, tuple[float, float]]:
    """A drawing without a title, and its size in inches."""
    from repeatab.report.figures import to_svg

    wide, high = drawing.get_size_inches()
    return to_svg(drawing), (float(wide), float(high))


def _image(figure: data.Figure, part: tuple[int, int], shown: tuple[bytes, tuple[float, float]]) -> Image:
    """The wide drawing that is `shown`, and the narrow one beside it."""
    from repeatab.report.figures import NARROW, draw

    narrow, narrow_size = _bare(draw(figure, width=NARROW, titled=False, part=part))
    reading = prose(figure.reading)
    return Image(
        wide=_uri(shown[0]), narrow=_uri(narrow), size=_pixels(shown[1]), narrow_size=_pixels(narrow_size),
        alt=f"{reading} (part {part[0]} of {part[1]})" if part[1] > 1 else reading,
    )  # fmt: skip


def _uri(svg: bytes) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii")


def _pixels(inches: tuple[float, float]) -> tuple[int, int]:
    return round(96 * inches[0]), round(96 * inches[1])
