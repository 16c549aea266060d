"""One browser for all pages, and the pages: the reports of the demo studies as a user gets them."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from chromium import Browser, running

from repeatab.outcome.outcome import Outcome

STUDIES = Path(__file__).parents[2] / "studies"


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with running() as started:
        yield started


@pytest.fixture(scope="session")
def outcome_of() -> Callable[[str], Outcome]:
    """The outcome of a demo study by its name; of a plan, what it plans."""
    from repeatab.run import plan_study, run_study
    from repeatab.study.loading import load_study

    @cache
    def outcome(name: str) -> Outcome:
        study = load_study(STUDIES / f"{name}.toml")
        return run_study(study) if study.plan is None else plan_study(study)

    return outcome


@pytest.fixture(scope="session")
def pages_of(
    outcome_of: Callable[[str], Outcome], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], list[Path]]:
    """Every page that a study's report has: its own, that of all rigs, those of the participants."""
    from repeatab.report.write import write_report

    @cache
    def pages(name: str) -> list[Path]:
        folder = tmp_path_factory.mktemp("reports") / name
        write_report(outcome_of(name), folder)
        return sorted(folder.rglob("*.html"))

    return pages
