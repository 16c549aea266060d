"""A small study of two rigs, run and stored once; every test gets a copy of its folder. The values are invented."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from repeatab.outcome.serialise import to_json_bytes
from repeatab.run import run_study
from repeatab.study.loading import load_study

STUDY = """\
job = "correlation_check"
title = "R2 against R1"
as_of = 2026-03-31
rig = "R2"
reference_rig = "R1"

[results]
files = "march*.csv"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
pad_set = "set"
section = "section"

[sections.cold]
margin = "5 %"
"""
VALUES = {"R1": (0.401, 0.405, 0.398, 0.402, 0.407, 0.400), "R2": (0.403, 0.399, 0.404, 0.401, 0.406, 0.398)}


@pytest.fixture(scope="session")
def stored_lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stored") / "lab"
    report = folder / "out" / "check"
    report.mkdir(parents=True)
    lines = [
        f"{rig},{rig}-{at},cold,{value}"
        for rig, values in VALUES.items()
        for at, value in enumerate(values)
    ]  # fmt: skip
    (folder / "march.csv").write_text("\n".join(["rig,set,section,mu", *lines, ""]), encoding="utf-8")
    (folder / "check.toml").write_text(STUDY, encoding="utf-8")
    outcome = run_study(load_study(folder / "check.toml"))
    (report / "result.json").write_bytes(to_json_bytes(outcome))
    return folder


@pytest.fixture
def lab(stored_lab: Path, tmp_path: Path) -> Path:
    """The folder of a study, with the report of its run in out/check/."""
    return Path(shutil.copytree(stored_lab, tmp_path / "lab"))
