"""The study file of a round robin: what it asks for, what it refuses, and files of all kinds read together."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from repeatab.base.errors import InputError, StudyError
from repeatab.cell_files import cell_file_bytes, cells_to_share
from repeatab.intake.reading import read_results
from repeatab.interlab.scores import AssignedBasis
from repeatab.jobs.rounds.question import RoundRobin, SetKind, SingleResults
from repeatab.outcome.outcome import Outcome
from repeatab.run import run_study
from repeatab.study.loading import Study, load_study

STUDY = """\
job = "round_robin"
title = "Round"

[results]
files = "round.csv"
quantity = "friction"

[columns]
result = "mu"
laboratory = "lab"
level = "material"

[scores]
assigned_value = "robust consensus"
sigma_pt = "4 %"
"""

Load = Callable[..., Study]


@pytest.fixture
def load(load: Load) -> Load:
    return partial(load, base=STUDY)


def question_of(study: Study) -> RoundRobin:
    assert isinstance(study.question, RoundRobin)
    return study.question


def test_what_is_stated_reaches_the_question(load: Load) -> None:
    settings = """
[levels.A]
sigma_pt = 0.02
[travelling]
pilot = "L1"
take_out = true
[participants]
code_seed = 3
"""
    head = (
        'single_results = "counted"\nnested = ["rig"]\nsets = "distributed"\nlimit_factor = 2.77\n[results]'
    )
    question = question_of(load("[results]", head))
    assert question.single_results is SingleResults.COUNTED
    assert (question.nested, question.sets, question.limit_factor) == (("rig",), SetKind.DISTRIBUTED, 2.77)
    question = question_of(load("", settings))
    assert question.scoring is not None
    assert question.scoring.basis is AssignedBasis.ROBUST_CONSENSUS
    assert question.scoring.spread_at("A").size == 0.02
    assert question.scoring.spread_at("B").percent
    assert question.travelling is not None
    assert (question.travelling.pilot, question.travelling.take_out, question.code_seed) == ("L1", True, 3)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('sigma_pt = "4 %"', "", "scores.sigma_pt: is missing. sigma_pt is the standard deviation"),
        ('sigma_pt = "4 %"', "sigma_pt = -1", "scores.sigma_pt: found -1.0, expected a positive number"),
        ('sigma_pt = "4 %"', 'sigma_pt = "4"', "scores.sigma_pt: found '4' (text), expected \"4 %\""),
        ('"robust consensus"', '"median"', "scores.assigned_value: found 'median', expected one of"),
        ('"robust consensus"', '"reference laboratory"', "reference_laboratory: is missing"),
        ("", "[levels.A]\nassigned_value = 0.4\n", "assigned_value and standard_uncertainty belong together"),
        ("", "[participants]\n", "'participants.code_seed' is missing. State a whole number of your own"),
        ("", "[travelling]\n", "'travelling.pilot' is missing. Name the pilot laboratory"),
        ("", "[summary]\nfiles = 'a.csv'\ncolumns = { laboratory = 'lab' }\n", "summary.columns.count"),
        (
            "[results]",
            "limit_factor = 0\n[results]",
            "limit_factor: found 0 (a number), expected a value above 0",
        ),
        ("[results]", "covariates = ['t']\n[results]", "covariates: a round robin takes none out"),
        ("[results]", "single_results = 'both'\n[results]", "single_results: found 'both', expected one of"),
        ('level = "material"', 'section = "part"', "sections: is empty, and a column of sections is named"),
        ('laboratory = "lab"\n', "", "columns.laboratory: is missing"),
        ("[scores]", "[scoring]", "unknown key 'scoring'. Did you mean 'scores'"),
        (
            '[scores]\nassigned_value = "robust consensus"\nsigma_pt = "4 %"\n',
            "[levels.A]\nsigma_pt = 1\n",
            "there is no [scores]",
        ),
    ],
)
def test_what_is_missing_or_wrong_is_said_with_its_key(load: Load, old: str, new: str, message: str) -> None:
    with pytest.raises(StudyError) as caught:
        load(old, new)
    assert message in str(caught.value)


def made(seed: int = 2) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = [
        (lab, level, round(0.38 + 0.05 * j + 0.004 * (i % 3) + rng.normal(0, 0.006), 4))
        for i, lab in enumerate(["L1", "L2", "L3", "L4", "L5"])
        for j, level in enumerate("AB")
        for _ in range(3)
    ]
    return pd.DataFrame(rows, columns=["lab", "material", "mu"])


def cell_file(frame: pd.DataFrame, path: Path) -> None:
    columns = {"result": "mu", "laboratory": "lab", "level": "material"}
    results = read_results(frame, columns=columns)
    path.write_bytes(cell_file_bytes(cells_to_share(results), quantity="friction"))


@pytest.fixture
def run(tmp_path: Path, load: Load) -> Callable[..., Outcome]:
    """Run the study with laboratories spread over a raw file and cell files."""

    def ran(new: str = "", *, shared: tuple[str, ...] = (), frame: pd.DataFrame | None = None) -> Outcome:
        frame = made() if frame is None else frame
        raw = frame[~frame.lab.isin(shared)]
        files = ['"round.csv"'] if len(raw) else []
        raw.to_csv(tmp_path / "round.csv", index=False)
        for lab in shared:
            cell_file(frame[frame.lab == lab], tmp_path / f"{lab}.cells.csv")
            files.append(f'"{lab}.cells.csv"')
        study = load('files = "round.csv"', f"files = [{', '.join(files)}]")
        path = tmp_path / "study.toml"
        path.write_text(path.read_text(encoding="utf-8") + new, encoding="utf-8")
        study = load_study(path)
        return run_study(study)

    return ran


def numbers(outcome: Outcome) -> dict[str, Any]:
    return dict(outcome.numbers)


@pytest.mark.parametrize("shared", [("L2",), ("L1", "L4"), ("L1", "L2", "L3", "L4", "L5")])
def test_result_files_and_cell_files_stand_in_one_list(
    run: Callable[..., Outcome], shared: tuple[str, ...]
) -> None:
    expected, found = numbers(run()), numbers(run(shared=shared))
    assert found.keys() == expected.keys()
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, rel=1e-11, abs=1e-12), name


def test_inputs_and_their_origin_stand_in_the_report(run: Callable[..., Outcome]) -> None:
    found = run(shared=("L2",))
    assert [file.name for file in found.provenance.inputs] == ["round.csv", "L2.cells.csv"]
    known = found.table("consistency").to_frame().groupby("laboratory").known_as.first()
    assert known.to_dict() == {
        "L1": "results",
        "L2": "cells",
        "L3": "results",
        "L4": "results",
        "L5": "results",
    }
    assert any("L2 gave cells" in sentence for sentence in found.evidence)


EXCLUDE = '[[exclude]]\nwhere = { laboratory = "L2", level = "A" }\nreason = "wrong pads"\n'


@pytest.mark.parametrize("shared", [(), ("L2",), ("L1", "L2", "L3", "L4", "L5")])
def test_an_exclusion_holds_for_results_and_for_cells(
    run: Callable[..., Outcome], shared: tuple[str, ...]
) -> None:
    found = run(EXCLUDE, shared=shared)
    rows = found.table("consistency").to_frame()
    assert "L2" not in set(rows[rows.level == "A"].laboratory)
    assert "L2" in set(rows[rows.level == "B"].laboratory)
    assert any("wrong pads" in note.text for note in found.notes)


def test_an_exclusion_that_matches_nothing_is_refused(run: Callable[..., Outcome]) -> None:
    with pytest.raises(InputError, match="matches no row"):
        run(EXCLUDE.replace("L2", "L9"), shared=("L1", "L2", "L3", "L4", "L5"))
    with pytest.raises(InputError, match="matches no row"):
        run(EXCLUDE.replace("L2", "L9"), shared=("L3",))


def test_a_table_of_means_joins_the_results(tmp_path: Path, run: Callable[..., Outcome]) -> None:
    frame = made()
    own = frame[frame.lab == "L5"].groupby(["lab", "material"]).mu.agg(["count", "mean", "std"]).reset_index()
    own.round(4).to_csv(tmp_path / "means.csv", index=False, sep=";")
    summary = (
        '[summary]\nfiles = "means.csv"\ncolumns = { laboratory = "lab", level = "material", count = "count", '
        'mean = "mean", sd = "std" }\n'
    )
    found = run(summary, frame=frame[frame.lab != "L5"])
    expected = run()
    for name, value in numbers(expected).items():
        assert numbers(found)[name] == pytest.approx(value, abs=2e-2 if "score" in name else 1e-4), name
    known = found.table("consistency").to_frame().groupby("laboratory").known_as.first()
    assert known["L5"] == "rounded table"
    assert [file.name for file in found.provenance.inputs] == ["round.csv", "means.csv"]


def test_checks_of_the_lot_are_read_from_files_of_their_own(
    tmp_path: Path, run: Callable[..., Outcome]
) -> None:
    rng = np.random.default_rng(1)
    rows = [(f"S{i}", "A", 0.4 + rng.normal(0, 0.001)) for i in range(10) for _ in range(2)]
    pd.DataFrame(rows, columns=["set", "material", "mu"]).to_csv(tmp_path / "hom.csv", index=False)
    found = run(
        '[homogeneity]\nfiles = "hom.csv"\ncolumns = { result = "mu", pad_set = "set", level = "material" }\n'
    )
    assert found.table("lot_checks").rows[0][:2] == ("A", "homogeneity: s_s between sets")
    assert [file.name for file in found.provenance.inputs] == ["round.csv", "hom.csv"]


def test_sections_are_levels(tmp_path: Path) -> None:
    frame = made().rename(columns={"material": "part"})
    frame.to_csv(tmp_path / "round.csv", index=False)
    text = STUDY.replace('level = "material"', 'section = "part"') + "[sections.A]\n[sections.B]\n"
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    found = run_study(load_study(path))
    assert sorted(set(found.table("precision").to_frame().level)) == ["A", "B"]


def test_the_rigs_of_one_house_can_be_the_laboratories(tmp_path: Path) -> None:
    made().rename(columns={"lab": "rig"}).to_csv(tmp_path / "round.csv", index=False)
    path = tmp_path / "study.toml"
    path.write_text(STUDY.replace('laboratory = "lab"', 'laboratory = "rig"'), encoding="utf-8")
    assert len(run_study(load_study(path)).table("consistency").rows) == 10


def test_two_runs_give_the_same_bytes(run: Callable[..., Outcome]) -> None:
    from repeatab.outcome.serialise import to_json_bytes

    assert to_json_bytes(run(shared=("L2",))) == to_json_bytes(run(shared=("L2",)))
