"""The page says the verdict first, holds everything, runs nothing, and shows names as names."""

from __future__ import annotations

import base64
import hashlib
import html
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources
from typing import Any

import pytest

from repeatab.outcome.outcome import NextRuns, Outcome
from repeatab.outcome.tables import ColumnKind
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.report.page import page_bytes

VOID = {"meta", "img", "link", "br", "hr", "input", "source", "circle", "path"}


class Reader(HTMLParser):
    """Collects elements and visible text, and checks that every element is closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len({name for name, _ in attrs}) == len(attrs)
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "title", "script"):
            self.text.append(data)


def read(outcome: Outcome) -> tuple[Reader, str]:
    reader = Reader()
    reader.feed(page_bytes(outcome).decode("utf-8"))
    reader.close()
    assert reader.open == []
    return reader, " ".join(" ".join(reader.text).split())


def with_few(outcome: Outcome) -> Outcome:
    """The outcome with figures for both places of the page; every kind is drawn in test_figures."""
    return replace(outcome, figures=tuple(outcome.figures[i] for i in (2, 3, 5)))


@pytest.fixture(scope="module")
def page(outcome: Outcome) -> tuple[Reader, str]:
    return read(with_few(outcome))


@pytest.fixture(scope="module")
def hostile_page(hostile: Outcome) -> tuple[Reader, str]:
    return read(with_few(hostile))


def test_verdict_and_reason_come_first_then_the_parts_in_order(page: tuple[Reader, str]) -> None:
    _, text = page
    parts = [
        "Rigs R1 and R2, March",
        "R2 against R1",
        "different",
        "whether it exceeds the margin is open",
        "In Fade 1, minimum, R2 reads lower",
        "16 runs of 10 pad sets",
        "Whether the offset in Fade 1 comes from",
        "Six more pad sets on each rig",
        "Rotating inertia, hot parts",
        "Offset of rig R2 against rig R1",
        "A stop-by-stop t test",
        "1 run excluded: cooling fan off",
        "Kenward & Roger (1997)",
        "4f4f4f",
        "4 of 5",
        "20240",
        "1.26.4",
    ]
    place = 0
    for part in parts:
        assert part in text[place:], part
        place = text.index(part, place)


def test_nothing_is_fetched(page: tuple[Reader, str]) -> None:
    reader, _ = page
    tags = {tag for tag, _ in reader.elements}
    assert not tags & {"iframe", "object", "embed", "link", "form", "base"}
    for tag, attributes in reader.elements:
        assert not [name for name in attributes if name.startswith("on") or name == "style"], tag
        for name in ("src", "href", "srcset"):
            value = attributes.get(name)
            if value is not None:
                assert re.match(r"data:image/svg\+xml;base64,|#[a-z-]+$|result\.json$|tables\.xlsx$", value)
    policy = [a["content"] for t, a in reader.elements if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy[0] is not None
    assert policy[0].startswith("default-src 'none'")


def test_the_one_script_is_ours_and_the_policy_lets_no_other_run(outcome: Outcome, hostile: Outcome) -> None:
    for bare in (replace(outcome, figures=()), replace(hostile, figures=())):
        markup = page_bytes(bare).decode()
        (script,) = re.findall(r"<script>(.*?)</script>", markup.replace("&lt;", ""), re.DOTALL)
        (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', markup)
        own = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert re.findall(r"script-src [^;]*", html.unescape(policy)) == [f"script-src 'sha256-{own}'"]
        assert script == resources.files("repeatab.report").joinpath("sort_tables.js.j2").read_text().strip()


def test_cells_of_numbers_carry_the_value_that_they_are_sorted_by(outcome: Outcome) -> None:
    table = replace(outcome.tables[0], rows=outcome.tables[0].rows[:1])
    markup = page_bytes(replace(outcome, figures=(), next_runs=None, tables=(table,))).decode()
    body = markup[markup.index("<tbody>") : markup.index("</tbody>")]
    shown = [float(value) for value in re.findall(r'data-value="([^"]*)"', body)]
    numeric = [c.kind not in (ColumnKind.TEXT, ColumnKind.DATE) for c in table.columns]
    assert shown == [
        v for v, has in zip(table.rows[0], numeric, strict=True) if has and isinstance(v, int | float)
    ]
    assert shown


def test_links_within_the_page_lead_somewhere(page: tuple[Reader, str]) -> None:
    reader, _ = page
    ids = {attributes["id"] for _, attributes in reader.elements if "id" in attributes}
    targets = {a["href"][1:] for _, a in reader.elements if (a.get("href") or "").startswith("#")}  # type: ignore[index]
    assert targets <= ids
    assert len(targets) == 5
    first = next(attributes for tag, attributes in reader.elements if tag == "a")
    assert first["href"] == "#rests-on"


def test_every_picture_has_a_text_alternative_and_is_valid(
    page: tuple[Reader, str], outcome: Outcome
) -> None:
    reader, text = page
    images = [attributes for tag, attributes in reader.elements if tag == "img"]
    figures = with_few(outcome).figures
    assert len(images) == 2 * len(figures)
    for figure in figures:
        assert figure.title in text
        assert figure.reading.split(";")[0] in text
    for image in images:
        assert image["alt"]
        source = image["src"]
        assert source is not None
        ElementTree.fromstring(base64.b64decode(source.split(",", 1)[1]))


def test_a_missing_value_is_a_dash_with_its_meaning(page: tuple[Reader, str]) -> None:
    _, text = page
    assert "– not available in this design" in text
    assert "– means: not available in this design." in text


def test_the_mark_of_the_verdict_is_a_shape_with_the_word_beside_it(outcome: Outcome) -> None:
    shapes = {}
    for verdict in (Verdict.EQUIVALENT, Verdict.DIFFERENT, Verdict.UNDECIDED, Verdict.CONDITIONAL):
        headline = Judgement(subject="s", verdict=verdict, reason="r")
        bare = replace(outcome, headline=headline, judgements=(), figures=(), tables=(), next_runs=None)
        markup = page_bytes(bare).decode()
        block = markup[markup.index("<body>") : markup.index("</section>")]
        assert verdict.value in block
        shapes[verdict] = re.sub(r"#[0-9a-f]{3,6}", "", block[block.index("<svg") : block.index("</svg>")])
    assert len(set(shapes.values())) == 4


def test_hostile_names_stay_text(hostile_page: tuple[Reader, str], hostile_names: tuple[str, ...]) -> None:
    reader, text = hostile_page
    assert [tag for tag, _ in reader.elements].count("script") == 1
    assert "<script>alert(1)</script>" in text
    assert "</style></title>{{ 7*7 }}" in text
    assert "49" not in re.findall(r"title>\s*(\d+)", text)
    raw = "".join(reader.text)
    assert not set(raw) & set("\x00\x1b\u202e\t\r\udcff")
    for tag, attributes in reader.elements:
        assert not [name for name in attributes if name.startswith("on")], tag
    assert hostile_names[5] not in raw


def test_a_page_without_the_optional_parts_is_whole() -> None:
    bare = Outcome(
        job="gauge_study",
        title="t",
        headline=Judgement(subject="s", verdict=Verdict.DESCRIBED, reason="r"),
        judgements=(),
        evidence=(),
    )
    _, text = read(bare)
    assert "What it rests on" in text
    assert "What to run next" not in text
    _, text = read(replace(bare, next_runs=NextRuns(sentence="Nothing more is needed.")))
    assert "Nothing more is needed." in text


@pytest.mark.parametrize("number", [8, 40])
def test_many_sections_are_all_there(with_sections: Any, number: int) -> None:
    outcome = replace(with_sections(number), figures=with_sections(number).figures[:2])
    reader, text = read(outcome)
    for judgement in outcome.judgements:
        assert judgement.subject in text
    images = [attributes for tag, attributes in reader.elements if tag == "img"]
    assert len(images) == (4 if number == 8 else 8)
    assert ("40 answers:" in text) is (number == 40)
    if number == 40:
        assert sum("(part 2 of 2)" in (image["alt"] or "") for image in images) == 4


def test_the_same_outcome_gives_the_same_page(outcome: Outcome) -> None:
    few = replace(outcome, figures=outcome.figures[:1])
    assert page_bytes(few) == page_bytes(few)


def test_the_page_tells_how_far_it_is(outcome: Outcome) -> None:
    heard: list[tuple[str, int, int]] = []
    page_bytes(replace(outcome, figures=outcome.figures[:2]), progress=lambda *step: heard.append(step))
    assert heard == [("drawing the page", 0, 2), ("drawing the page", 1, 2)]
