"""Running a study with a job that stands in for the real ones: what reaches the job, and what is added to it."""

from __future__ import annotations

import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import repeatab
from repeatab.base.errors import InputError, StudyError
from repeatab.base.files import fingerprint
from repeatab.base.notes import NoteKind
from repeatab.intake.results import Results
from repeatab.outcome.outcome import DataFinding, Outcome
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict
from repeatab.run import run_study
from repeatab.study.loading import load_study

Lab = Callable[..., Path]
FOUND = DataFinding(check="the job's own", text="seen by the job")


class StandIn:
    """Remembers what it was asked and answers "different"."""

    question: Any
    runs: Results
    stops: Results | None

    def check_correlation(
        self, question: Any, runs: Results, *, stops: Results | None, progress: Any, ready: Any
    ) -> Outcome:
        self.question, self.runs, self.stops = question, runs, stops
        assert callable(ready)
        progress("comparing", 1, 1)
        judged = Judgement(
            subject="rigs", verdict=Verdict.DIFFERENT, qualifier=Qualifier.IT_MATTERS, reason="far apart"
        )
        described = Judgement(subject="scatter", verdict=Verdict.DESCRIBED, reason="as usual")
        return Outcome(
            job="correlation_check", title="of the job", headline=judged, judgements=(judged, described),
            evidence=("the offset is large",), findings=(FOUND,),
        )  # fmt: skip


@pytest.fixture
def job(monkeypatch: pytest.MonkeyPatch) -> StandIn:
    stand_in = StandIn()
    module = types.ModuleType("repeatab.jobs.correlation_check")
    module.check_correlation = stand_in.check_correlation  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "repeatab.jobs.correlation_check", module)
    return stand_in


STOPS = """\
rig,set,section,run,stop,way,mu
R1,S1,characteristic,1,1,time,0.40
R1,S1,characteristic,1,2,time,0.42
R2,S2,characteristic,2,1,time,0.41
R2,S2,characteristic,2,2,time,0.45
R2,S3,characteristic,3,1,time,0.90
"""


def with_stops(lab: Lab, extra: str = "", *, statistic: str = '"mean"', table: str = STOPS) -> Path:
    columns = 'section = "section"\nrun = "run"\nstop = "stop"\naveraging = "way"\n'
    stated = f"statistic = {statistic}\n" if statistic else ""
    lab('section = "section"', columns, table=table)
    path = lab('section = "section"', columns, table=table) / "study.toml"
    text = path.read_text().replace('margin = "5 %"', f'margin = "5 %"\n{stated}')
    path.write_text(text + extra)
    return path


def test_stops_become_run_results_and_are_kept_for_diagnostics(lab: Lab, job: StandIn) -> None:
    study = load_study(with_stops(lab, '[[exclude]]\nwhere = { run = 3 }\nreason = "slipped"\n'))
    outcome = run_study(study)
    assert job.question == study.question
    runs = job.runs.to_frame()
    assert dict(zip(runs["run"], runs["result"], strict=True)) == pytest.approx({"1": 0.41, "2": 0.43})
    assert job.stops is not None
    assert job.stops.row_count == 4
    assert any(note.kind is NoteKind.EXCLUDED and "slipped" in note.text for note in outcome.notes)
    assert any(note.kind is NoteKind.INPUT and "comma between values" in note.text for note in outcome.notes)


def test_the_statistic_of_the_section_is_used(lab: Lab, job: StandIn) -> None:
    run_study(load_study(with_stops(lab, statistic='"minimum"')))
    assert sorted(job.runs.to_frame()["result"]) == pytest.approx([0.40, 0.41, 0.90])


def test_several_stops_and_no_statistic_ask_for_one(lab: Lab, job: StandIn) -> None:
    with pytest.raises(StudyError) as caught:
        run_study(load_study(with_stops(lab, statistic="")))
    for part in ("sections.characteristic.statistic", "is missing", '"minimum"', "test standard"):
        assert part in str(caught.value)
    assert not hasattr(job, "runs")


def test_one_row_per_run_needs_no_statistic(lab: Lab, job: StandIn) -> None:
    run_study(load_study(lab() / "study.toml"))
    assert job.runs.row_count == 12
    assert job.stops is None


def test_results_of_one_section_need_no_column_for_it(lab: Lab, job: StandIn) -> None:
    lab('section = "section"\n', "", table="rig,set,mu\nR1,S1,0.4\nR2,S2,0.41\n")
    run_study(
        load_study(
            lab('section = "section"\n', "", table="rig,set,mu\nR1,S1,0.4\nR2,S2,0.41\n") / "study.toml"
        )
    )
    assert job.runs.levels("section") == ("characteristic",)


def test_provenance_holds_what_is_needed_to_repeat_it(lab: Lab, job: StandIn) -> None:  # noqa: ARG001
    folder = lab('rig = "R2"', 'rig = "R2"\nas_of = 2026-03-31\nseed = 11')
    found = run_study(load_study(folder / "study.toml")).provenance
    (file,) = found.inputs
    assert (file.name, file.sha256, file.rows) == ("march.csv", fingerprint(folder / "march.csv"), 12)
    assert (found.seed, found.as_of) == (11, "2026-03-31")
    settings = dict(found.settings)
    assert settings["study file"] == "study.toml"
    assert settings["study file sha256"] == fingerprint(folder / "study.toml")
    assert settings["sections.characteristic.margin"] == "± 5 %"
    versions = dict(found.versions)
    assert versions["repeatab"] == repeatab.__version__
    assert {"python", "numpy", "scipy", "pandas", "statsmodels", "pingouin"} <= versions.keys()
    assert not any(str(folder) in str(value) for value in (found.inputs, found.settings))


def test_the_studys_title_heads_the_outcome_and_findings_of_both_are_kept(lab: Lab, job: StandIn) -> None:  # noqa: ARG001
    outcome = run_study(load_study(with_stops(lab)))
    assert outcome.title == "R2 against R1"
    assert FOUND in outcome.findings
    assert any(finding.check == "stops missing" for finding in outcome.findings)
    assert outcome.headline.verdict is Verdict.DIFFERENT


def test_different_averaging_blocks_every_verdict(lab: Lab, job: StandIn) -> None:  # noqa: ARG001
    mixed = STOPS.replace("R2,S2,characteristic,2,1,time", "R2,S2,characteristic,2,1,distance")
    outcome = run_study(load_study(with_stops(lab, table=mixed)))
    judged, described = outcome.judgements
    for judgement in (outcome.headline, judged):
        assert judgement.verdict is Verdict.UNDECIDED
        assert judgement.qualifier is Qualifier.NONE
        assert "averaged in different ways" in judgement.reason
    assert described.verdict is Verdict.DESCRIBED
    assert outcome.evidence[0] == outcome.headline.reason
    assert "the offset is large" in outcome.evidence
    assert outcome.next_runs is not None
    assert outcome.next_runs.sentence.startswith("No new runs")


def test_progress_reaches_the_caller(lab: Lab, job: StandIn) -> None:  # noqa: ARG001
    steps: list[str] = []
    run_study(load_study(lab() / "study.toml"), progress=lambda step, done, total: steps.append(step))  # noqa: ARG005
    assert "reading" in steps
    assert "comparing" in steps


def test_a_role_that_names_no_column_is_caught_at_reading(lab: Lab, job: StandIn) -> None:
    with pytest.raises(InputError, match=r"march\.csv.*'rig'.*'dyno'"):
        run_study(load_study(lab('rig = "rig"', 'rig = "dyno"') / "study.toml"))
    assert not hasattr(job, "runs")


def test_a_section_that_no_row_has_is_named_with_the_nearest(lab: Lab, job: StandIn) -> None:
    study = load_study(lab("sections.characteristic", "sections.charcteristic") / "study.toml")
    with pytest.raises(InputError, match="Did you mean 'characteristic'"):
        run_study(study)
    assert not hasattr(job, "runs")
