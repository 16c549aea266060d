"""Assigned values, scores, and the pages that go to the participants. Invented data unless a source is named."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from repeatab.base.errors import EstimationError, StudyError
from repeatab.intake.reading import read_results
from repeatab.interlab.consensus import ConsensusMethod, consensus
from repeatab.interlab.scores import AssignedBasis, Signal
from repeatab.jobs.round_robin import run_round_robin
from repeatab.jobs.rounds.codes import codes_of
from repeatab.jobs.rounds.question import ProficiencySpread, RoundRobin, Scoring, StatedValue
from repeatab.jobs.rounds.scores import RoundScores
from repeatab.jobs.rounds.study import work_through
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.serialise import from_json_bytes, to_json_bytes, to_jsonable
from repeatab.outcome.verdict import Verdict
from repeatab.report.participant_pages import participant_files, participant_outcome

NAMES = ("result", "laboratory", "level", "stated_uncertainty")
SIGMA = {None: ProficiencySpread(size=0.008)}
LABS = ("Ardmore", "Brixworth", "Calder", "Denholm", "Esk", "Fulwood")


def table(*, stated: bool = True, levels: str = "AB") -> pd.DataFrame:
    rng = np.random.default_rng(11)
    rows = []
    for level in levels:
        for i, lab in enumerate(LABS):
            high = 0.03 if lab == "Esk" else 0.0
            for _ in range(3):
                value = 0.40 + high + 0.003 * (i % 3 - 1) + rng.normal(0, 0.002)
                rows.append((lab, level, value, 0.002 + 0.0005 * i))
    frame = pd.DataFrame(rows, columns=["laboratory", "level", "result", "stated_uncertainty"])
    return frame if stated else frame.drop(columns="stated_uncertainty")


def results_of(frame: pd.DataFrame) -> Any:
    return read_results(frame, columns={name: name for name in NAMES if name in frame.columns})


def scored(frame: pd.DataFrame | None = None, **options: Any) -> RoundScores:
    scoring = Scoring(**{"basis": AssignedBasis.ROBUST_CONSENSUS, "spread": SIGMA, **options})
    frame = table() if frame is None else frame
    found = work_through(RoundRobin(scoring=scoring), results_of(frame)).scores
    assert found is not None
    return found


def test_scores_are_those_of_the_standards_formulas(reference_folder: Path) -> None:
    """Numbers of tests/reference/standards/performance_scores.json: ISO 13528, clauses 9.4 to 9.7."""
    case = json.loads((reference_folder / "standards" / "performance_scores.json").read_text())["expected"]
    given, expected = case["input"], case["output"]
    frame = pd.DataFrame(
        {
            "laboratory": ["P", "P", "Q", "Q"],
            "level": ["A"] * 4,
            "result": [given["x"], given["x"], 0.400, 0.401],
            "stated_uncertainty": [given["U_x"] / 2] * 4,
        }
    )
    found = scored(
        frame,
        basis=AssignedBasis.STATED,
        spread={None: ProficiencySpread(size=given["sigma_pt"])},
        stated={"A": StatedValue(value=given["x_pt"], standard_uncertainty=given["U_pt"] / 2)},
    ).of("P")[0]
    assert found.z == pytest.approx(expected["z"], rel=1e-9)
    assert found.z_prime == pytest.approx(expected["z_prime"], rel=1e-9)
    assert found.zeta == pytest.approx(expected["zeta"], rel=1e-9)
    assert found.e_n == pytest.approx(expected["En"], rel=1e-9)
    # u / sigma_pt = 0.625, so z' is judged: ISO 13528:2022, 9.5.
    assert (found.uses_z_prime, found.signal) == (True, Signal.ACCEPTABLE)


def test_robust_consensus_has_the_uncertainty_of_the_standard() -> None:
    from repeatab import algorithm_a

    found = scored().at("A")
    means = table().query("level == 'A'").groupby("laboratory").result.mean()
    centre = algorithm_a(means.to_numpy())
    assert found.assigned.value == pytest.approx(centre.mean)
    # ISO 13528:2022, 7.7.3: u = 1.25 s* / sqrt(p).
    assert found.assigned.standard_uncertainty == pytest.approx(1.25 * centre.sd / np.sqrt(6))


@pytest.mark.parametrize("method", list(ConsensusMethod))
def test_weighted_consensus_takes_the_stated_uncertainties(method: ConsensusMethod) -> None:
    found = scored(basis=AssignedBasis.WEIGHTED_CONSENSUS, consensus=method).at("A")
    means = table().query("level == 'A'").groupby("laboratory")[["result", "stated_uncertainty"]].mean()
    expected = consensus(means.result.to_numpy(), means.stated_uncertainty.to_numpy(), method)
    assert found.assigned.value == pytest.approx(expected.value)
    assert found.assigned.standard_uncertainty == pytest.approx(expected.standard_uncertainty)


def test_without_stated_uncertainties_weights_come_from_the_repeats_and_are_named() -> None:
    found = scored(table(stated=False), basis=AssignedBasis.WEIGHTED_CONSENSUS).at("A")
    assert "none is stated" in found.uncertainty_from
    frame = table()
    frame.loc[frame.laboratory == "Calder", "stated_uncertainty"] = np.nan
    with pytest.raises(StudyError, match=r"level 'A': 'Calder' states no uncertainty and others do"):
        scored(frame, basis=AssignedBasis.WEIGHTED_CONSENSUS)


def test_the_reference_laboratory_gives_the_value_and_gets_no_score() -> None:
    found = scored(basis=AssignedBasis.REFERENCE_LABORATORY, reference_laboratory="Calder")
    means = table().query("level == 'A' and laboratory == 'Calder'")
    assert found.at("A").assigned.value == pytest.approx(means.result.mean())
    assert found.at("A").assigned.standard_uncertainty == pytest.approx(0.003)
    assert found.of("Calder") == ()
    assert found.worst("Calder") is None
    with pytest.raises(StudyError, match="'Carder' is not in the results"):
        scored(basis=AssignedBasis.REFERENCE_LABORATORY, reference_laboratory="Carder")


def test_decisions_that_are_missing_are_asked_for() -> None:
    with pytest.raises(StudyError, match="sigma_pt: is missing"):
        Scoring(basis=AssignedBasis.ROBUST_CONSENSUS, spread={})
    with pytest.raises(StudyError, match="none is stated for level 'B'"):
        scored(spread={"A": ProficiencySpread(size=0.01)})
    with pytest.raises(StudyError, match="none is stated for level 'A'"):
        scored(basis=AssignedBasis.STATED)
    with pytest.raises(StudyError, match="reference_laboratory: is missing"):
        Scoring(basis=AssignedBasis.REFERENCE_LABORATORY, spread=SIGMA)
    with pytest.raises(StudyError, match="expected a positive number"):
        ProficiencySpread(size=0.0)
    with pytest.raises(EstimationError, match="Algorithm A: found 2 values"):
        scored(table().query("laboratory in ['Esk', 'Calder']"))


def test_percent_is_of_the_assigned_value() -> None:
    found = scored(spread={None: ProficiencySpread(size=4, percent=True)}).at("A")
    assert found.sigma_pt == pytest.approx(0.04 * found.assigned.value)


def outcome(**options: Any) -> Outcome:
    scoring = Scoring(basis=AssignedBasis.ROBUST_CONSENSUS, spread=SIGMA)
    question = RoundRobin(**{"scoring": scoring, "code_seed": 5, **options})
    return run_round_robin(question, results_of(table()), title="Round")


def test_the_laboratory_that_reads_high_gets_the_signal() -> None:
    found = outcome()
    verdicts = {judgement.subject: judgement.verdict for judgement in found.judgements}
    assert verdicts["Esk"] is Verdict.ACTION_SIGNAL
    assert verdicts["Ardmore"] is Verdict.ACCEPTABLE
    assert found.headline.verdict is Verdict.DESCRIBED
    assert "Action signal for Esk" in found.headline.reason
    assert found.table("scores").to_frame().query("signal == 'action signal'").laboratory.unique() == ["Esk"]


def test_codes_are_drawn_from_the_seed_and_no_others() -> None:
    assert codes_of(LABS, 5) == codes_of(LABS, 5)
    assert codes_of(LABS, 5) != codes_of(LABS, 6)
    assert sorted(codes_of(LABS, 5).values()) == [f"P0{i}" for i in range(1, 7)]
    assert codes_of(range(100), 1)[0].startswith("P")
    assert len(codes_of(range(100), 1)[0]) == 4


def test_only_the_organisers_report_tells_who_is_who() -> None:
    found = outcome()
    codes = found.table("codes").to_frame().set_index("laboratory").code
    assert dict(codes) == codes_of(LABS, 5)
    assert [one.code for one in found.participants] == sorted(codes)
    for one in found.participants:
        shown = json.dumps(to_jsonable(participant_outcome(found, one)))
        for name in LABS:
            assert name not in shown
        assert "code_seed" not in shown
        own = [row for row in one.tables[1].rows if "(yours)" in str(row[0])]
        assert {row[0] for row in own} == {f"{one.code} (yours)"}
        assert {figure.highlight for figure in one.figures} == {one.code}


def test_pages_carry_the_own_answer_and_no_name() -> None:
    found = outcome()
    pages = participant_files(found)
    assert sorted(pages) == [f"participants/P0{i}.html" for i in range(1, 7)]
    code = codes_of(LABS, 5)["Esk"]
    text = pages[f"participants/{code}.html"].decode()
    visible = re.sub(r'src="data:[^"]*"', "", text)
    assert f"participant {code}" in visible
    assert "action signal" in visible
    for name in LABS:
        assert name not in visible
    assert "result.json" not in visible
    assert pages == participant_files(outcome())


def test_without_a_code_seed_there_are_no_pages() -> None:
    found = outcome(code_seed=None)
    assert found.participants == ()
    assert participant_files(found) == {}
    assert "codes" not in [one.key for one in found.tables]


def test_the_outcome_survives_the_way_to_json_and_back() -> None:
    found = outcome()
    assert from_json_bytes(to_json_bytes(found)) == found


def test_without_scores_there_is_one_answer_per_level() -> None:
    found = outcome(scoring=None)
    assert [judgement.subject for judgement in found.judgements] == ["level A", "level B"]
    assert any("No scores" in sentence for sentence in found.evidence)
    assert found.participants[0].headline.verdict is Verdict.DESCRIBED


def test_relative_precision_is_that_of_the_logarithms() -> None:
    from repeatab.jobs.questions import Analysis

    found = outcome(analysis=Analysis.RATIO).table("relative_precision").to_frame().set_index("level")
    logs = table().assign(result=lambda f: np.log(f.result))
    expected = work_through(RoundRobin(), results_of(logs)).analysis.precision
    assert found.s_R.tolist() == pytest.approx((100 * expected.s_R).tolist(), rel=1e-9)
