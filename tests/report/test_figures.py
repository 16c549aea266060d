"""Every figure is drawn for every content, nothing overlaps or leaves the sheet, and the bytes repeat."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib as mpl
import pytest
from matplotlib.text import Text

from repeatab.outcome import figures as data
from repeatab.outcome.outcome import Outcome
from repeatab.report.figures import NARROW, WIDE, draw, parts_of, sheet, to_png, to_svg
from repeatab.report.figures.sheet import part_of, split, text_width, wrapped
from repeatab.report.figures.style import styled

KINDS = (
    "offsets_by_section",
    "sets_across_rigs",
    "scatter_sources",
    "repeatability_by_rig",
    "order_of_runs",
    "what_more_runs_buy",
    "offset_history",
    "reference_history",
    "smoothed_history",
    "joint_history",
    "state_of_the_rigs",
)


def figure_of(outcome: Outcome, key: str) -> Any:
    return next(figure for figure in outcome.figures if figure.key == key)


def texts_of(drawing: Any) -> list[Text]:
    return [text for text in drawing.findobj(Text) if text.get_visible() and text.get_text().strip()]


def boxes_of(drawing: Any) -> list[tuple[str, Any]]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with styled():
        FigureCanvasAgg(drawing).draw()
        return [(text.get_text(), text.get_window_extent()) for text in texts_of(drawing)]


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("key", KINDS)
def test_no_text_leaves_the_sheet_or_covers_another(outcome: Outcome, key: str, width: float) -> None:
    drawing = draw(figure_of(outcome, key), width=width)
    whole = drawing.bbox
    boxes = boxes_of(drawing)
    for text, box in boxes:
        assert whole.x0 - 1 <= box.x0 <= box.x1 <= whole.x1 + 1, text
        assert whole.y0 - 1 <= box.y0 <= box.y1 <= whole.y1 + 1, text
    for i, (first, one) in enumerate(boxes):
        for second, two in boxes[i + 1 :]:
            across = min(one.x1, two.x1) - max(one.x0, two.x0)
            down = min(one.y1, two.y1) - max(one.y0, two.y0)
            # Boxes hold the room for descenders, which may touch the line below.
            assert across < 1 or down < 3, (first, second)


@pytest.mark.parametrize("number", range(len(KINDS)))
def test_hostile_names_are_drawn_as_they_are(hostile: Outcome, number: int) -> None:
    drawing = draw(hostile.figures[number], width=NARROW)
    root = ElementTree.fromstring(to_svg(drawing))
    assert root.tag.endswith("svg")
    assert not [element.tag for element in root.iter() if element.tag.rsplit("}", 1)[-1] == "script"]


@pytest.mark.parametrize("key", KINDS)
def test_many_sections_are_drawn_on_every_width(with_sections: Any, key: str) -> None:
    figure = figure_of(with_sections(23), key)
    for width in (WIDE, NARROW):
        high = draw(figure, width=width, part=(1, parts_of(figure))).get_size_inches()[1]
        assert high < (10.0 if width == WIDE else 25.0)


def test_the_verdict_stands_in_words_beside_each_offset(outcome: Outcome) -> None:
    texts = " / ".join(text.get_text() for text in texts_of(draw(figure_of(outcome, "offsets_by_section"))))
    for part in ("−0.0216  different", "+0.0115  undecided", "equivalent, informs", "margin", "R2 minus R1"):
        assert part in texts


def test_percent_margins_are_drawn_as_ratios_about_one(outcome: Outcome) -> None:
    figure = figure_of(outcome, "offsets_by_section")
    rows = tuple(
        replace(
            row,
            value=1.01,
            lower=0.98,
            upper=1.04,
            inner_lower=0.99,
            inner_upper=1.03,
            margin_low=0.95,
            margin_high=1.05,
        )
        for row in figure.rows
    )
    drawing = draw(replace(figure, rows=rows))
    assert "R2 over R1" in [text.get_text() for text in texts_of(drawing)]
    assert drawing.axes[0].get_xlim()[0] > 0.9


def test_a_limit_far_away_does_not_flatten_the_rest(outcome: Outcome) -> None:
    figure = figure_of(outcome, "scatter_sources")
    drawing = draw(figure)
    assert drawing.axes[0].get_xlim()[1] < 0.05  # one upper limit is 0.31
    texts = [text.get_text() for text in texts_of(drawing)]
    assert "0.0042 (0.0018 to 0.3100)" in texts
    assert "it goes on" in texts
    assert "0.0020 (no upper limit)" in texts
    assert "0.0000 (up to 0.0041)" in texts


def test_parts_of_a_figure_show_all_sections_once_on_one_scale(with_sections: Any) -> None:
    for key in KINDS[:2] + KINDS[3:4]:
        figure = figure_of(with_sections(45), key)
        total = parts_of(figure)
        assert total == 3
        drawings = [draw(figure, part=(which, total)) for which in range(1, total + 1)]
        limits = {drawing.axes[0].get_xlim() for drawing in drawings}
        assert len(limits) == 1
        names = [text.get_text() for drawing in drawings for text in texts_of(drawing)]
        for section in ("Speed–pressure step 1", "Fade stop 11", "Speed–pressure step 23"):
            assert names.count(section) == 1, (key, section)


@pytest.mark.parametrize("count", [0, 1, 7, 20, 41])
@pytest.mark.parametrize("total", [1, 2, 3])
def test_parts_hold_every_place_once(count: int, total: int) -> None:
    places = list(range(count))
    assert [p for which in range(1, total + 1) for p in places[part_of(count, (which, total))]] == places


def test_columns_are_filled_in_order() -> None:
    assert split([1.0] * 5, 2) == [0, 0, 1, 1, 1]
    assert split([], 2) == []


def empty(figure: Any) -> Any:
    match figure:
        case data.OffsetsBySection() | data.WhatMoreRunsBuy():
            return replace(figure, rows=())
        case data.SetsAcrossRigs():
            return replace(figure, points=())
        case data.ScatterSources():
            return replace(figure, sources=())
        case data.RepeatabilityByRig():
            return replace(figure, sections=(), rigs=(), estimates=())
        case data.OffsetHistory():
            return replace(figure, series=())
        case data.ReferenceHistory() | data.SmoothedHistory() | data.JointHistory():
            return replace(figure, strips=(), events=())
        case data.RigStates():
            return replace(figure, rigs=(), verdicts=(), states=())
        case _:
            return replace(figure, points=())


@pytest.mark.parametrize("key", KINDS)
def test_a_figure_without_content_is_still_a_figure(outcome: Outcome, key: str) -> None:
    assert to_svg(draw(empty(figure_of(outcome, key)))).startswith(b"<?xml")


def test_several_results_at_one_place_are_points_about_their_mean(outcome: Outcome) -> None:
    figure = figure_of(outcome, "order_of_runs")
    first = figure.points[0]
    twice = replace(figure, points=(*figure.points, replace(first, value=first.value + 0.02)))
    lines = [
        [tuple(xy) for xy in line.get_xydata()]
        for line in draw(twice).axes[0].lines
        if len(line.get_xydata()) > 2
    ]
    assert (first.order, pytest.approx(first.value + 0.01)) in lines[0]
    assert len({x for x, _ in lines[0]}) == len(lines[0])


def test_the_line_of_the_scatter_is_called_what_it_is(outcome: Outcome) -> None:
    figure = replace(
        figure_of(outcome, "scatter_sources"), margin=0.0021666667, margin_label="10 % of tolerance"
    )
    assert "10 % of tolerance 0.002167" in [text.get_text() for text in texts_of(draw(figure))]


def test_equal_values_everywhere_are_drawn(outcome: Outcome) -> None:
    sets = figure_of(outcome, "sets_across_rigs")
    order = figure_of(outcome, "order_of_runs")
    draw(replace(sets, points=tuple(replace(point, value=0.4) for point in sets.points)))
    draw(replace(order, points=tuple(replace(point, value=0.0) for point in order.points)))


@pytest.mark.parametrize("key", KINDS)
def test_the_same_figure_gives_the_same_bytes_without_date(outcome: Outcome, key: str) -> None:
    figure = figure_of(outcome, key)
    first, second = draw(figure), draw(figure)
    svg = to_svg(first, title="a", description="b")
    assert svg == to_svg(second, title="a", description="b")
    png = to_png(first)
    assert png == to_png(second)
    assert b"<dc:date>" not in svg
    assert b"Matplotlib" not in svg
    assert b"Software" not in png


PROGRAM = """
import hashlib, sys
from repeatab.outcome.figures import OrderOfRuns, OrderPoint
from repeatab.report.figures import draw, to_svg
points = tuple(OrderPoint(section="Cold", series=s, order=i, value=0.01 * i) for i, s in enumerate("AABB"))
figure = OrderOfRuns(key="k", title="t", reading="r", unit="", points=points)
print(hashlib.sha256(to_svg(draw(figure))).hexdigest())
"""


def test_another_process_draws_the_same_bytes() -> None:
    root = str(Path(sheet.__file__).parents[3])
    other = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        env={"PYTHONHASHSEED": "1", "PYTHONPATH": root, "MPLCONFIGDIR": mpl.get_configdir()},
        capture_output=True,
        check=True,
        text=True,
    )
    points = tuple(
        data.OrderPoint(section="Cold", series=s, order=i, value=0.01 * i) for i, s in enumerate("AABB")
    )
    figure = data.OrderOfRuns(key="k", title="t", reading="r", unit="", points=points)
    assert other.stdout.strip() == hashlib.sha256(to_svg(draw(figure))).hexdigest()


def test_the_users_own_settings_neither_change_nor_matter(outcome: Outcome) -> None:
    figure = figure_of(outcome, "what_more_runs_buy")
    plain = to_svg(draw(figure))
    with mpl.rc_context({"font.size": 25.0, "axes.grid": True, "text.usetex": False, "lines.linewidth": 9.0}):
        before = dict(mpl.rcParams)
        assert to_svg(draw(figure)) == plain
        assert dict(mpl.rcParams) == before


def test_no_window_or_shared_figure_is_left_behind(outcome: Outcome) -> None:
    import matplotlib.pyplot as plt

    before = plt.get_fignums()
    draw(outcome.figures[0])
    assert plt.get_fignums() == before


def test_wrapped_text_fits_and_says_when_it_was_cut() -> None:
    lines = wrapped("a rather long name of a section " * 5, 2.0)
    assert len(lines) == 2
    assert lines[-1].endswith("…")
    assert all(text_width(line) <= 2.0 for line in lines)
    assert wrapped("x" * 300, 1.0, most=1)[0].endswith("…")
    assert wrapped("", 1.0) == [""]
    assert wrapped("short", 2.0) == ["short"]
