"""A figure is drawn once for folder and page, and the page shows what the folder holds, without the title."""

from __future__ import annotations

import base64
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import pytest

from repeatab.outcome.outcome import Outcome
from repeatab.report.figures import draw, title_room, to_svg, without_top
from repeatab.report.pictures import figure_and_images, page_images


def _decoded(uri: str) -> str:
    return base64.b64decode(uri.split(",", 1)[1]).decode()


def _shapes(svg: str, down: float) -> list[tuple[float, ...]]:
    """Numbers of every path and place after the ground, heights measured from `down` points below the top."""
    body = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->", "", svg, flags=re.DOTALL)
    places = re.findall(r'<use [^>]*x="([-\d.]+)" y="([-\d.]+)" style', body)
    return [(float(x), round(float(y) - down, 4)) for x, y in places]


@pytest.mark.parametrize("number", [0, 2, 4])
def test_the_page_shows_the_drawing_of_the_folder_below_its_title(outcome: Outcome, number: int) -> None:
    figure = outcome.figures[number]
    files, (image,) = figure_and_images(figure)
    (alone,) = page_images(figure)
    assert image.narrow == alone.narrow
    assert (image.size, image.narrow_size, image.alt) == (alone.size, alone.narrow_size, alone.alt)
    shown, bare = _decoded(image.wide), _decoded(alone.wide)
    above = 72 * title_room(figure.title, 6.8)
    assert above > 0
    # Marks and ticks lie where a drawing without a title has them, once its strip at the top is out of sight.
    assert _shapes(shown, above) == _shapes(bare, 0.0)
    view = ElementTree.fromstring(shown).attrib["viewBox"].split()
    assert [float(x) for x in view] == pytest.approx([0, above, 72 * 6.8, 72 * image.size[1] / 96], abs=0.4)
    assert figure.title in files.svg.decode()
    assert "<title>" not in shown
    assert "<metadata>" not in shown


def test_a_figure_in_several_parts_is_whole_in_the_folder_and_parted_on_the_page(outcome: Outcome) -> None:
    figure = next(figure for figure in outcome.figures if figure.key == "offsets_by_section")
    many = replace(figure, rows=figure.rows * 5)  # type: ignore[attr-defined]
    files, images = figure_and_images(many)
    assert len(images) == 2
    assert images == page_images(many)
    assert files.svg == to_svg(draw(many), title=many.title, description=many.reading)


def test_words_that_look_like_the_end_of_the_header_are_not_taken_for_it(outcome: Outcome) -> None:
    figure = replace(outcome.figures[0], title="</metadata>\n <title>", reading="<!-- </metadata>\n -->")
    svg = to_svg(draw(figure), title=figure.title, description=figure.reading)
    ElementTree.fromstring(without_top(svg, 0.5))
    assert b"metadata" not in without_top(svg, 0.5).replace(b"&lt;/metadata&gt;", b"")
