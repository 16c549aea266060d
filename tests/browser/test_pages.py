"""Reports in a real browser: quiet, whole without a network, readable by everyone, on a telephone and on paper.

WCAG 2.2, level AA: text alternatives (1.1.1), contrast (1.4.3), reflow at a width of 320 to 360 CSS pixels (1.4.10),
keyboard (2.1.1, 2.4.3, 2.4.7), bypassing blocks (2.4.1), language (3.1.1), states that are announced (4.1.2).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from chromium import Browser
from examination import ask, faults_of, load, number

from repeatab.outcome.outcome import Outcome
from repeatab.report.page import page_bytes

Pages = Callable[[str], list[Path]]
STUDIES = Path(__file__).parents[2] / "studies"

MARKUP = (
    '</title><script>document.title = "taken over"</script>'
    '<img src="https://example.invalid/x.png" onerror=alert(1)>'
)
LONG = "AVeryLongNameWithoutAnyPlaceToBreakItThatSomebodyGaveToAPadSetOrARig" * 3


@pytest.fixture(scope="module")
def one_page(outcome_of: Callable[[str], Outcome], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a demo study with one of its figures, which cost most of the time; `full` opens all of all."""
    outcome = outcome_of("three_rigs_correlation")
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_bytes(page_bytes(replace(outcome, figures=outcome.figures[:1])))
    return path


def test_a_report_is_without_fault_in_a_browser(browser: Browser, one_page: Path) -> None:
    assert faults_of(browser, one_page) == []


def test_names_that_somebody_made_up_change_nothing(
    browser: Browser, outcome_of: Callable[[str], Outcome], tmp_path: Path
) -> None:
    outcome = outcome_of("three_rigs_correlation")
    table = outcome.tables[0]
    columns = (table.columns[0], replace(table.columns[1], caption=LONG), *table.columns[2:])
    rows = tuple((name, *row[1:]) for name, row in zip((MARKUP, LONG, "C"), table.rows, strict=False))
    strange = replace(
        outcome, title=f"{MARKUP} {LONG}", evidence=(MARKUP, LONG), cannot_tell=(LONG,), figures=(),
        judgements=tuple(replace(judgement, subject=LONG) for judgement in outcome.judgements),
        tables=(replace(table, caption=f"{LONG} {MARKUP}", columns=columns, rows=rows),),
    )  # fmt: skip
    path = tmp_path / "report.html"
    path.write_bytes(page_bytes(strange))
    assert faults_of(browser, path) == []
    with browser.page(path) as page:
        assert page.value("document.title").endswith(LONG)
        assert page.value("document.scripts.length") == 1
        # The policy of the page lets nothing run but its own script, even where markup came in.
        page.value("document.body.insertAdjacentHTML('beforeend', '<b onclick=\"taken = 1\">x</b>')")
        page.value(
            "(s => { s.text = 'taken = 1'; document.body.append(s) })(document.createElement('script'))"
        )
        page.value("document.querySelector('b[onclick]').click()")
        assert page.value("typeof taken") == "undefined"


def test_without_scripts_nothing_is_missing(browser: Browser, one_page: Path) -> None:
    words = "document.body.textContent.replace(/\\s+/g, ' ').replace(/ ?\\(\\(\\) => .*/, '')"
    with browser.page(one_page) as page:
        load(page)
        tables, said = ask(page, "tables"), page.value(words)
        page.call("Emulation.setScriptExecutionDisabled", value=True)
        page.call("Page.reload")
        browser.events.clear()
        browser.wait_for("Page.loadEventFired", page.session)
        load(page)
        bare = ask(page, "tables")
        assert page.value(words) == said
    assert [table["rows"] for table in bare] == [table["rows"] for table in tables]
    assert not any(head["button"] for table in bare for head in table["heads"])
    assert any(head["button"] for table in tables for head in table["heads"])


FAULTY = """<!doctype html><html><head><title>x</title><style>
.faint { color: #999 } .veiled { background: #fff8; color: #888 } .paper { background: #222; color: #fff }
a:focus { outline: none } .small { font-size: 9px }
</style></head><body>
<h1>One</h1><h3>Three</h3><a href="other.html">first</a><a href="#here" tabindex="2">second</a>
<p class="faint">faint</p><p class="veiled">veiled</p><p class="paper">white on black</p><p class="small">small</p>
<img src="data:image/gif;base64,R0lGODlhAQABAAAAACwAAAAAAQABAAA="><img alt="gone" src="https://example.invalid/a.png">
<svg width="9" height="9"></svg><div style="width: 2000px">wide</div><p id="here" class="here">x</p><p id="here">y</p>
<figure><figcaption>T</figcaption><table><thead><tr><th class="n">n</th></tr></thead><tbody>
<tr><td class="n">10</td></tr><tr><td class="n">9</td></tr><tr><td class="n">8</td></tr></tbody></table></figure>
<script>
console.log("said");
const head = document.querySelector("th"), body = document.querySelector("tbody"), rows = [...body.rows];
const button = document.createElement("button");
button.append(...head.childNodes);
head.append(button);
// Sorts texts, loses a row, never tells.
button.onclick = () => body.replaceChildren(...rows.sort((a, b) => (a.innerText < b.innerText ? -1 : 1)).slice(0, 2));
</script></body></html>"""


def test_the_examination_finds_what_is_wrong(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "faulty.html"
    path.write_text(FAULTY, encoding="utf-8")
    found = "\n".join(faults_of(browser, path))
    for part in (
        'contrast 2.85: p.faint', "contrast 3.54: p.veiled", 'on paper: contrast 1.00: p.paper',
        "text of 9 pixels", "image without a text alternative", 'image not drawn: img. "gone"',
        "drawing without a text alternative", "360 px: the page is 2008 wide, the window", "heading 2 skips",
        "no language", "an id occurs twice", "no scope", "no ring is seen", "comes out of order",
        "the first stop is no link to the content", "console: ", "fetched: https://example.invalid/a.png",
        "sorting: T, n: rows have changed", "sorting: T, n: aria-sort is", "not ascending",
        "does not come back", "sorting by keyboard",
    ):  # fmt: skip
        assert part in found, part


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("−0.0216", -0.0216),
        ("12\u202f345", 12345),
        ("1.23 × 10⁻⁵", 1.23e-5),
        ("–not available", None),
        ("yes", None),
    ],
)
def test_printed_numbers_are_read(text: str, value: float | None) -> None:
    assert number(text) == (None if value is None else pytest.approx(value))
    bounds = [number(bound) for bound in ("< 0.001", "0.001", "0.999", "> 0.999")]
    assert bounds == sorted(set(bounds), key=lambda bound: bound or 0.0)


@pytest.mark.full
@pytest.mark.parametrize("name", sorted(path.stem for path in STUDIES.glob("*.toml")))
def test_every_page_of_every_demo_report_is_without_fault(
    browser: Browser, pages_of: Pages, name: str
) -> None:
    for page in pages_of(name):
        assert faults_of(browser, page) == [], page.name
