"""The dossier: every published value comes out, one that does not is said, and the page is whole by itself."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from repeatab.cli import app
from repeatab.dossier import make
from repeatab.dossier.all_checks import all_checks
from repeatab.dossier.checks import Check, Checked, Compared, carry_out, printed, same
from repeatab.dossier.page import page_bytes
from repeatab.dossier.quantities import quantities
from repeatab.dossier.rates import rate_sheets

VERSIONS = (("repeatab", "0"), ("numpy", "1"))


@pytest.fixture(scope="module")
def found() -> tuple[Checked, ...]:
    return carry_out(all_checks())


def paged(found: tuple[Checked, ...]) -> str:
    content = page_bytes(found, quantities(), rate_sheets(), versions=VERSIONS, day="2026-11-28")
    return content.decode("utf-8")


def test_every_published_value_comes_out(found: tuple[Checked, ...]) -> None:
    assert [(one.check.key, one.error) for one in found if not one.agrees] == []
    assert sum(len(one.values) for one in found) > 1000


def test_the_page_names_every_quantity_check_and_sheet_and_fetches_nothing(
    found: tuple[Checked, ...],
) -> None:
    page = paged(found)
    text = visible(page)
    assert "agrees" in text
    for entry in quantities():
        assert entry.name in text
        assert entry.definition in text
    for one in found:
        assert one.check.title in text
    for sheet in rate_sheets():
        assert sheet.title in text
    assert "never replaces the governing regulation" in text
    assert not re.search(r"<(script|link|iframe)\b|src=|url\(|@import", page)
    linked = set(re.findall(r'href="#([^"]+)"', page))
    assert linked <= set(re.findall(r'id="([^"]+)"', page))


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []

    def handle_data(self, data: str) -> None:
        self.parts.append(data)


def visible(page: str) -> str:
    parser = _Text()
    parser.feed(page)
    return " ".join(" ".join(parser.parts).split())


def a_check(key: str, *values: Compared) -> Check:
    return Check(key=key, title=f"title of {key}", source="s", known="k", digits="d", run=lambda: values)


def with_one_wrong(found: tuple[Checked, ...]) -> tuple[Checked, ...]:
    wrong = printed("<b>mu</b>", 1.234, 1.236, decimals=3)
    return (Checked(check=found[0].check, values=(*found[0].values, wrong)), *found[1:])


def test_a_value_that_does_not_come_out_is_said_at_the_top_and_in_its_place(
    found: tuple[Checked, ...],
) -> None:
    page = paged(with_one_wrong(found))
    text = visible(page)
    assert "does not agree" in text
    assert f"Not in agreement: {found[0].check.title}" in text
    assert "DIFFERS" in text
    assert "<b>mu</b>" in text
    assert "<b>mu</b>" not in page


def test_a_check_that_fails_is_reported_and_no_number_is_no_agreement() -> None:
    def broken() -> Any:
        raise RuntimeError("no such library")

    failing = Check(key="x", title="x", source="s", known="k", digits="d", run=broken)
    empty, nan = a_check("empty"), a_check("nan", same("a", 1.0, float("nan"), rel=1.0))
    found = carry_out([failing, empty, nan])
    assert [one.agrees for one in found] == [False, False, False]
    assert found[0].error == "RuntimeError: no such library"


def test_printed_digits_leave_half_a_unit() -> None:
    assert printed("a", 0.412, 0.4125, decimals=3).agrees
    assert printed("a", 0.412, 0.4115, decimals=3).agrees
    assert not printed("a", 0.412, 0.41251, decimals=3).agrees
    assert not same("a", 1.0, 1.0 + 2e-9, rel=1e-9).agrees


def run(*words: str) -> Any:
    return CliRunner().invoke(app, ["dossier", *words])


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch, found: tuple[Checked, ...]) -> dict[str, tuple[Checked, ...]]:
    """The command without its second of computing: what it finds is what was found."""
    held = {"found": found}
    monkeypatch.setattr(make, "carry_out", lambda *_, **__: held["found"])
    return held


@pytest.mark.usefixtures("few")
def test_the_command_writes_the_page_and_ends_with_zero(tmp_path: Path) -> None:
    to = tmp_path / "dossier.html"
    for _ in range(2):  # an earlier dossier is replaced
        ran = run("--to", str(to), "--date", "2026-11-28")
        assert (ran.exit_code, ran.stderr) == (0, "")
    assert "published values came out" in ran.stdout
    assert "2026-11-28" in visible(to.read_text(encoding="utf-8"))


def test_the_command_ends_with_three_where_a_value_differs(tmp_path: Path, few: Any) -> None:
    few["found"] = with_one_wrong(few["found"])
    ran = run("--to", str(tmp_path / "dossier.html"))
    assert ran.exit_code == 3
    assert "published 1.234, found 1.236" in ran.stdout


@pytest.mark.usefixtures("few")
def test_a_file_of_somebody_else_is_kept(tmp_path: Path) -> None:
    to = tmp_path / "notes.html"
    to.write_text("<p>mine</p>")
    ran = run("--to", str(to))
    assert ran.exit_code == 2
    assert "not overwritten" in ran.stderr
    assert to.read_text() == "<p>mine</p>"
    ran = run("--to", str(tmp_path / "no" / "dossier.html"))
    assert ran.exit_code == 2
    assert "cannot be written" in ran.stderr
