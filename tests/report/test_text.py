"""A few plain lines for a terminal, the verdict first."""

from __future__ import annotations

import unicodedata
from pathlib import Path
from typing import Any

from repeatab.outcome.outcome import Outcome
from repeatab.report.text import WIDTH, summary
from repeatab.report.write import ReportFiles

FILES = ReportFiles(
    folder=Path("out"),
    page=Path("out/report.html"),
    data=Path("out/result.json"),
    workbook=Path("out/tables.xlsx"),
    figures=(),
    kept=("tables.kept-1.xlsx",),
)


def test_the_verdict_comes_first_then_reason_sections_next_runs_and_place(outcome: Outcome) -> None:
    text = summary(outcome, FILES)
    parts = [
        "Rigs R1 and R2, March",
        "R2 against R1: DIFFERENT, whether it exceeds the margin is open",
        "In Fade 1, minimum, R2 reads lower",
        "Fade 1, minimum",
        "Recovery",
        "equivalent (informs only)",
        "What to run next: Six more pad sets",
        "out/report.html",
        "tables.kept-1.xlsx",
    ]
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


def test_lines_stay_within_the_width_whatever_the_names(outcome: Outcome, hostile: Outcome) -> None:
    for which in (outcome, hostile):
        for line in summary(which, FILES).split("\n"):
            assert len(line) <= WIDTH
            assert not any(unicodedata.category(letter) in ("Cc", "Cs") for letter in line)


def test_many_sections_are_counted(with_sections: Any) -> None:
    lines = summary(with_sections(40)).split("\n")
    assert len(lines) < 30
    assert any(line.strip().startswith("and 28 more: ") for line in lines)


def test_without_files_no_place_is_named(outcome: Outcome) -> None:
    assert "Report:" not in summary(outcome)
