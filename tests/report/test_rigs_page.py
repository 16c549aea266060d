"""The page for all rigs: written first, whole by itself, and carried over when the report is replaced."""

from __future__ import annotations

from pathlib import Path

import pytest

import repeatab as rb
from repeatab.outcome.outcome import Outcome
from repeatab.report import write
from repeatab.report.rigs_page import rigs_page
from repeatab.report.text import summary
from repeatab.report.write import write_report

STUDIES = Path(__file__).parents[2] / "studies"


@pytest.fixture(scope="module")
def demo() -> Outcome:
    return rb.run_study(rb.load_study(STUDIES / "control_chart.toml"))


def test_it_holds_every_rig_and_no_history(demo: Outcome) -> None:
    page = rigs_page(demo).decode("utf-8")
    for rig in ("R1", "R2", "R3", "R4"):
        assert f">{rig}<" in page
    assert "torque cell exchanged" in page
    assert "Which rigs are in control?" in page
    assert "is it still what it was?" not in page
    assert "result.json" not in page


def test_it_is_there_before_the_report_and_stays_if_that_fails(
    demo: Outcome, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> dict[str, bytes]:
        raise RuntimeError("defect")

    monkeypatch.setattr(write, "report_contents", fails)
    with pytest.raises(RuntimeError, match="defect"):
        write_report(demo, tmp_path / "out")
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["rigs.html"]
    monkeypatch.setattr(write, "report_contents", lambda *_, **__: {"report.html": b"new"})
    files = write_report(demo, tmp_path / "out")
    files = write_report(demo, tmp_path / "out")
    assert files.rigs is not None
    assert files.rigs.read_bytes() == rigs_page(demo)
    assert files.page.read_bytes() == b"new"
    assert files.kept == ()
    assert f"All rigs at a glance: {files.rigs}" in summary(demo, files)
