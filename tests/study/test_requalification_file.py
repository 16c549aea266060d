"""The study file of a requalification: what it asks for, what it refuses, and that its template leads there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from repeatab.base.errors import StudyError
from repeatab.jobs.requalifying.question import Burden, CheckResult, Requalification, StatedDrift
from repeatab.study.loading import Study, load_study
from repeatab.study.start import write_template

MOVED = """\
job = "requalification"
title = "R2 after its move"
moved_rig = "R2"
control_rigs = ["R1", "R3"]
sister_rig = "R1"
before = "before"
after = "after"
repeatability_limit = 2.0
ordinary_drift_df = 12

[burdens]
level = "must be shown"
repeatability = "must not be contradicted"
sister = "must not be contradicted"

[results]
files = "moved.csv"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
phase = "phase"
pad_set = "set"
section = "section"

[checklist."torque"]
value = "+0.2 %"
date = 2026-01-28
result = "passed"

[sections."fade 1"]
margin = "5 %"
sister_margin = 0.02
ordinary_drift = 0.003
"""


def test_the_file_becomes_the_question(load: Callable[..., Study]) -> None:
    question = load(base=MOVED).question
    assert isinstance(question, Requalification)
    assert (question.moved_rig, question.control_rigs, question.sister_rig) == ("R2", ("R1", "R3"), "R1")
    assert question.burdens.level is Burden.MUST_BE_SHOWN
    assert question.sections[0].drift == StatedDrift(sd=0.003, df=12)
    assert (question.checklist[0].date, question.checklist[0].result) == ("2026-01-28", CheckResult.PASSED)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("repeatability_limit = 2.0\n", "", ("repeatability_limit", "is missing", "standard deviations")),
        ('level = "must be shown"\n', "", ("burdens.level", "is missing", "must not be contradicted")),
        ('level = "must be shown"', 'level = "shown"', ("burdens.level", "'shown'", "'must be shown'")),
        ('sister = "must not be contradicted"\n', "", ("burdens.sister", "is missing")),
        ('margin = "5 %"\n', "", ("sections.fade 1.margin", "is missing", "shift")),
        ("sister_margin = 0.02\n", "", ("sections.fade 1.sister_margin", "is missing")),
        ('margin = "5 %"', "margin = 5", ("sections.fade 1.margin", '"5 %"')),
        ('[checklist."torque"]', '[checklist."torqe"]', ("checklist.torqe", "'torque'")),
        ('result = "passed"', 'result = "ok"', ("checklist.torque.result", "'ok'", "'passed'")),
        ('control_rigs = ["R1", "R3"]', 'control_rigs = ["R2"]', ("control_rigs", "'R2'", "stayed")),
        ('phase = "phase"\n', "", ("columns.phase", "is missing")),
        ("ordinary_drift = 0.003", "ordinary_drift = -1", ("ordinary_drift", "at least 0")),
        ("repeatability_limit = 2.0", "repeatability_limit = 1.0", ("repeatability_limit", "above 1")),
        ("moved_rig", "movd_rig", ("movd_rig", "moved_rig")),
        ('before = "before"', 'before = "after"', ("before, after", "different phases")),
    ],
)
def test_what_is_refused(refusal: Callable[..., str], old: str, new: str, parts: tuple[str, ...]) -> None:
    text = refusal(old, new, base=MOVED)
    for part in parts:
        assert part in text


def test_looks_have_to_rise(refusal: Callable[..., str]) -> None:
    assert "rising" in refusal('after = "after"', 'after = "after"\nlooks = [6, 3]', base=MOVED)


def test_a_section_that_informs_needs_no_margin(load: Callable[..., Study]) -> None:
    text = MOVED + "\n[sections.bedding]\ndecides = false\n"
    assert len(load(base=text).sections) == 2


def test_the_template_as_written_asks_for_the_limit_or_a_burden(tmp_path: Path) -> None:
    path = tmp_path / "moved.toml"
    write_template("requalification", path)
    with pytest.raises(StudyError, match="is missing"):
        load_study(path)
