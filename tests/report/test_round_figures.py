"""Figures of a round robin: for every content nothing overlaps or leaves the sheet, and the bytes repeat. Invented."""

from __future__ import annotations

import random
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from typing import Any

import pytest
from matplotlib.text import Text

from repeatab.outcome import figures as f
from repeatab.report.figures import NARROW, WIDE, draw, parts_of, to_png, to_svg
from repeatab.report.figures.style import styled

LABS = ("L01", "L02", "Friction laboratory of a long name, building 4, north", "L04", "=cmd|'x'", "L06 🚗")
LEVELS = ("A", "B", "Speed–pressure sensitivity 160→130 km/h, mean over 10 to 80 bar")


def consistency(labs: tuple[str, ...] = LABS, levels: tuple[str, ...] = LEVELS, **changes: Any) -> Any:
    draw_ = random.Random(3)
    points = tuple(
        f.ConsistencyPoint(
            laboratory=lab, level=level, h=draw_.gauss(0, 1), k=None if lab == labs[0] else abs(draw_.gauss(1, 0.5)),
            h_beyond=f.Beyond.NEITHER if lab != labs[-1] else f.Beyond.ONE_PERCENT, k_beyond=f.Beyond.FIVE_PERCENT,
        )
        for lab in labs
        for level in levels
    )  # fmt: skip
    figure = f.ConsistencyByLaboratory(
        key="h-and-k", title="Is a laboratory out of line?", reading="r", unit="", laboratories=labs, levels=levels,
        points=points, h_5=1.7, h_1=2.0, k_5=1.6, k_1=2.0,
    )  # fmt: skip
    return replace(figure, **changes)


def laboratories(labs: tuple[str, ...] = LABS, levels: tuple[str, ...] = LEVELS, **changes: Any) -> Any:
    draw_ = random.Random(4)
    flags = ("", "straggler", "statistical outlier")
    rows = []
    for i, lab in enumerate(labs):
        for level in levels:
            values = tuple(0.4 + draw_.gauss(0, 0.01) for _ in range(3))
            rows.append(
                f.LaboratoryResults(
                    laboratory=lab, level=level, values=values if i % 4 else (), mean=sum(values) / 3, sd=0.01,
                    flag=flags[i % 3],
                )
            )  # fmt: skip
    lines = tuple(f.LevelLine(level=level, value=0.4, low=0.38, high=0.42) for level in levels)
    figure = f.ResultsByLaboratory(
        key="results", title="Where does each laboratory stand?", reading="r", unit="N m", laboratories=labs,
        rows=tuple(rows), lines=lines, line_label="assigned value", band_label="assigned value ± 2 sigma_pt",
    )  # fmt: skip
    return replace(figure, **changes)


def pairs(labs: tuple[str, ...] = LABS, count: int = 3, **changes: Any) -> Any:
    draw_ = random.Random(5)
    made = tuple(
        f.LevelPair(
            first=f"level {i}",
            second=LEVELS[i % 3],
            points=tuple(
                f.PairPoint(laboratory=lab, x=draw_.gauss(0, 0.01), y=draw_.gauss(0, 0.01)) for lab in labs
            ),
        )
        for i in range(count)
    )
    figure = f.PairsOfLevels(
        key="pairs", title="Alike at two levels?", reading="r", unit="", pairs=made, highlight=labs[0] if labs else ""
    )  # fmt: skip
    return replace(figure, **changes)


def precision(**changes: Any) -> Any:
    rows = tuple(
        f.PrecisionPoint(
            level=level, mean=mean,
            repeatability=f.Estimate(label="s_r", value=0.02 * mean, lower=0.01 * mean, upper=None)
            if mean > 0.33
            else None,
            reproducibility=f.Estimate(label="s_R", value=0.03 * mean, lower=0.02 * mean, upper=0.5 * mean),
        )
        for level, mean in zip(LEVELS, (0.33, 0.331, 0.45), strict=True)
    )  # fmt: skip
    curve = f.PrecisionCurve(
        label="repeatability s_r", form="s = 0.02 m", points=((0.33, 0.0066), (0.45, 0.009))
    )
    figure = f.PrecisionByLevel(
        key="p", title="Does the precision depend on the level?", reading="r", unit="N m", rows=rows, curves=(curve,)
    )  # fmt: skip
    return replace(figure, **changes)


def wear(count: int = 3, **changes: Any) -> Any:
    runs = tuple(
        f.ReturnRun(pad_set="A1", position=at, value=0.005 - 0.0004 * at, takes_part=at < 3)
        for at in (2.0, 13.5, 27.5)
    )
    line = tuple(
        f.DriftLine(position=float(at), value=0.005 - 0.0004 * at, low=-0.01, high=0.01)
        for at in range(2, 29, 2)
    )
    places = tuple((name, 2.0 + 4 * i) for i, name in enumerate(LABS))
    levels = tuple(
        f.LevelWear(level=LEVELS[i % 3], runs=runs, line=line, places=places) for i in range(count)
    )
    figure = f.WearOfSets(
        key="w", title="Do the travelling sets change?", reading="r", unit="", levels=levels
    )
    return replace(figure, **changes)


EVERY = [consistency, laboratories, pairs, precision, wear]
EMPTY = [
    consistency((), (), h_5=None, h_1=None, k_5=None, k_1=None),
    laboratories((), ()),
    pairs((), 0),
    precision(rows=(), curves=()),
    wear(0),
]


def boxes_of(drawing: Any) -> list[tuple[str, Any]]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with styled():
        FigureCanvasAgg(drawing).draw()
        texts = [t for t in drawing.findobj(Text) if t.get_visible() and t.get_text().strip()]
        return [(text.get_text(), text.get_window_extent()) for text in texts]


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("make", EVERY)
def test_no_text_leaves_the_sheet_or_covers_another(make: Any, width: float) -> None:
    drawing = draw(make(), width=width)
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


@pytest.mark.parametrize("make", EVERY)
def test_the_same_figure_gives_the_same_bytes(make: Any) -> None:
    first, second = draw(make()), draw(make())
    assert to_svg(first) == to_svg(second)
    assert to_png(first) == to_png(second)
    root = ElementTree.fromstring(to_svg(first))
    assert not [element.tag for element in root.iter() if element.tag.rsplit("}", 1)[-1] == "script"]


@pytest.mark.parametrize("figure", EMPTY, ids=lambda figure: type(figure).__name__)
def test_a_figure_without_content_is_still_a_figure(figure: Any) -> None:
    assert parts_of(figure) == 1
    assert to_svg(draw(figure)).startswith(b"<?xml")


def test_many_laboratories_and_levels_are_shown_in_parts_that_fit_a_sheet() -> None:
    labs = tuple(f"Laboratory {i}" for i in range(1, 31))
    levels = tuple(f"Material {i}" for i in range(1, 9))
    for figure in (consistency(labs, levels), laboratories(labs, levels), wear(14)):
        total = parts_of(figure)
        assert total > 1
        seen = []
        for which in range(1, total + 1):
            drawing = draw(figure, part=(which, total))
            assert drawing.get_size_inches()[1] < 18
            seen += [text for text, _ in boxes_of(drawing)]
        names = labs if isinstance(figure, f.ConsistencyByLaboratory) else ()
        for name in names:
            assert seen.count(name) == 1


def test_own_results_stand_out_by_more_than_colour() -> None:
    for figure in (consistency(highlight="L02"), laboratories(highlight="L02")):
        drawing = draw(figure)
        bold = {t.get_text() for t in drawing.findobj(Text) if t.get_fontweight() == "bold"}
        assert "L02" in bold
        assert "L04" not in bold
        assert "your laboratory" in {t.get_text() for t in drawing.findobj(Text)}


def test_equal_values_everywhere_are_drawn() -> None:
    flat = laboratories()
    rows = tuple(replace(row, values=(0.4,) * 3, mean=0.4, sd=0.0) for row in flat.rows)
    lines = tuple(replace(line, low=0.4, high=0.4) for line in flat.lines)
    assert to_svg(draw(replace(flat, rows=rows, lines=lines)))
    still = pairs()
    same = tuple(
        replace(pair, points=tuple(replace(p, x=0.0, y=0.0) for p in pair.points)) for pair in still.pairs
    )
    assert to_svg(draw(replace(still, pairs=same)))
