"""Small tables of an invented laboratory, for the readers and checks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from repeatab.study.loading import Study, load_study

STUDIES = Path(__file__).parents[2] / "studies"
COLUMNS = {"rig": "Rig", "pad_set": "Set", "run": "Run", "section": "Section", "stop": "Stop", "result": "mu"}
HEADER = "Rig;Set;Run;Section;Stop;mu"
ROWS = (
    "R1;S1;1;fade;1;0,385",
    "R1;S1;1;fade;2;0,391",
    "R2;S2;1;fade;1;0,402",
    "R2;S2;1;fade;2;0,398",
)


@pytest.fixture(
    params=[
        "monthly_correlation",
        "lot_comparison",
        "requalification",
        "gauge_study",
        "control_chart",
        "round_robin",
    ]
)
def demo_study(request: pytest.FixtureRequest) -> Study:
    """A study of every job, on the demo data."""
    return load_study(STUDIES / f"{request.param}.toml")


@pytest.fixture
def columns() -> dict[str, str]:
    return dict(COLUMNS)


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a text file and return its path; lists of lines are joined."""

    def write_file(content: str | bytes | tuple[str, ...] | list[str], name: str = "runs.csv") -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        text = "\n".join(content) + "\n" if isinstance(content, tuple | list) else content
        path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
        return path

    return write_file


@pytest.fixture
def lines() -> list[str]:
    """A good file: semicolons, decimal comma, two rigs with one run of two stops each."""
    return [HEADER, *ROWS]
