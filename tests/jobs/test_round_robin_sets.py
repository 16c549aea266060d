"""Sets that travel and wear, sets that are distributed, and what rigs, operators and days add. Invented data."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from repeatab.base.errors import StudyError
from repeatab.cell_files import CellTable, cells_to_share
from repeatab.intake.reading import read_results
from repeatab.interlab.drift import drift
from repeatab.interlab.homogeneity import homogeneity
from repeatab.interlab.scores import AssignedBasis
from repeatab.interlab.staggered import staggered_nested
from repeatab.jobs.round_robin import run_round_robin
from repeatab.jobs.rounds.gathering import round_data
from repeatab.jobs.rounds.question import ProficiencySpread, RoundRobin, Scoring, SetKind, Travelling
from repeatab.jobs.rounds.sets import drifts, set_kind, without_drift, without_return_runs
from repeatab.jobs.rounds.study import RoundStudy, work_through

NAMES = (
    "result", "laboratory", "level", "pad_set", "visit", "run", "run_order", "rig", "operator", "day", "phase",
)  # fmt: skip
SPREAD = {None: ProficiencySpread(size=0.02)}
SCORING = Scoring(basis=AssignedBasis.ROBUST_CONSENSUS, spread=SPREAD)


def results_of(frame: pd.DataFrame) -> Any:
    return read_results(frame, columns={name: name for name in NAMES if name in frame.columns})


def travelling(seed: int = 4, *, wear: float = -0.001, labs: int = 5, scatter: float = 0.003) -> pd.DataFrame:
    """One set per level through all laboratories, three runs each, and back to L1 for two runs."""
    rng = np.random.default_rng(seed)
    rows = []
    for level, start in (("A", 0.36), ("B", 0.42)):
        place = 0
        for visit, lab in enumerate([*range(1, labs + 1), 1], start=1):
            for run in range(1, 3 if visit > labs else 4):
                place += 1
                value = start + wear * place + 0.002 * lab + rng.normal(0, scatter)
                rows.append((f"L{lab}", level, f"{level}1", visit, run, place, value))
    names = ["laboratory", "level", "pad_set", "visit", "run", "run_order", "result"]
    return pd.DataFrame(rows, columns=names)


def work(frame: pd.DataFrame, **options: Any) -> RoundStudy:
    return work_through(RoundRobin(**options), results_of(frame))


def test_sets_are_told_apart_by_where_they_ran() -> None:
    frame = travelling()
    data = round_data(RoundRobin(), results_of(frame))
    assert set_kind(data, "A") is SetKind.TRAVELLING
    own = frame.assign(pad_set=frame.laboratory + frame.level)
    assert set_kind(round_data(RoundRobin(), results_of(own)), "A") is SetKind.DISTRIBUTED
    bare = frame.drop(columns="pad_set")
    assert set_kind(round_data(RoundRobin(), results_of(bare)), "A") is SetKind.NOT_RECORDED


def test_drift_from_cells_is_the_line_through_the_pilots_runs() -> None:
    """Against the least-squares line of statsmodels through the same runs (a set has its own level)."""
    frame = travelling()
    data = round_data(RoundRobin(), results_of(frame))
    found = drifts(data, Travelling(pilot="L1"), confidence=0.95)
    for level in ("A", "B"):
        own = frame[(frame.laboratory == "L1") & (frame.level == level)]
        line = sm.OLS(own.result.to_numpy(), sm.add_constant(own.run_order.to_numpy(float))).fit()
        drifted = found[level].drift
        assert drifted is not None
        assert drifted.slope == pytest.approx(line.params[1], rel=1e-10)
        assert drifted.standard_error == pytest.approx(line.bse[1], rel=1e-9)
        assert drifted.p_value == pytest.approx(line.pvalues[1], rel=1e-8)
        assert drifted.reference == pytest.approx(2.0)
        same = drift(own.run_order.to_numpy(float), own.result.to_numpy(), reference=2.0)
        assert drifted.interval.lower == pytest.approx(same.interval.lower, rel=1e-9)
        assert [visit.takes_part for visit in found[level].visits] == [True, False]


def test_return_runs_take_no_part_and_the_drift_is_taken_out_of_every_result() -> None:
    frame = travelling()
    slopes = {
        level: np.polyfit(own.run_order, own.result, 1)[0]
        for level, own in frame[frame.laboratory == "L1"].groupby("level")
    }
    by_hand = frame[~((frame.laboratory == "L1") & (frame.visit == 6))].copy()
    by_hand["result"] -= by_hand.level.map(slopes) * (by_hand.run_order - 2.0)
    study = work(frame, travelling=Travelling(pilot="L1", take_out=True))
    for level in ("A", "B"):
        cells = study.analysis.at(level).used
        own = by_hand[by_hand.level == level].groupby("laboratory").result
        assert cells.count.tolist() == [3] * 5
        assert cells.mean == pytest.approx(own.mean().to_numpy(), rel=1e-12)
        assert cells.centred_ss == pytest.approx(2 * own.var().to_numpy(), rel=1e-9)
        raw = study.data.results(level)
        assert raw is not None
        assert raw["L3"] == pytest.approx(
            by_hand.query("laboratory == 'L3' and level == @level").result.tolist()
        )


def test_cells_of_travelling_sets_are_corrected_like_results() -> None:
    frame = travelling()
    question = RoundRobin(travelling=Travelling(pilot="L1", take_out=True), scoring=SCORING)
    expected = work_through(question, results_of(frame))
    apart = frame.laboratory.isin(["L1", "L4"])
    table = CellTable(name="two", cells=cells_to_share(results_of(frame[apart])), quantity="friction")
    found = work_through(question, results_of(frame[~apart]), [table])
    for level in ("A", "B"):
        ours, theirs = found.analysis.at(level).used, expected.analysis.at(level).used
        assert ours.mean == pytest.approx(theirs.mean, rel=1e-12)
        assert ours.centred_ss == pytest.approx(theirs.centred_ss, rel=1e-9)
    assert found.scores is not None
    assert expected.scores is not None
    for one, two in zip(found.scores.scores, expected.scores.scores, strict=True):
        assert (one.laboratory, one.level) == (two.laboratory, two.level)
        assert one.z == pytest.approx(two.z, rel=1e-9, abs=1e-10)
        assert one.u_drift == pytest.approx(two.u_drift, rel=1e-9)


def test_uncertainty_of_the_drift_grows_with_the_distance_and_enters_the_scores() -> None:
    study = work(travelling(), travelling=Travelling(pilot="L1", take_out=True), scoring=SCORING)
    assert study.scores is not None
    drifted = study.drifts["A"].drift
    assert drifted is not None
    found = study.scores.at("A")
    for score in study.scores.scores:
        if score.level != "A":
            continue
        place = study.data.position(score.laboratory, "A")
        assert place is not None
        # A consensus belongs to the middle of the places, 2, 5, 8, 11 and 14.
        assert score.u_drift == pytest.approx(abs(place - 8.0) * drifted.standard_error, abs=1e-15)
        assert score.u_total == pytest.approx(np.hypot(found.assigned.standard_uncertainty, score.u_drift))
        shift = score.result - found.assigned.value
        assert score.z_prime == pytest.approx(shift / np.hypot(found.sigma_pt, score.u_total))


def test_a_drift_that_is_left_in_counts_as_an_uncertainty_itself() -> None:
    taken = work(travelling(), travelling=Travelling(pilot="L1", take_out=True), scoring=SCORING)
    left = work(travelling(), travelling=Travelling(pilot="L1"), scoring=SCORING)
    assert taken.scores is not None
    assert left.scores is not None
    drifted = left.drifts["A"].drift
    assert drifted is not None
    for out, stay in zip(taken.scores.of("L5"), left.scores.of("L5"), strict=True):
        assert stay.u_drift > out.u_drift
    # Rectangular distribution: JCGM 100:2008, 4.3.7.
    expected = 6.0 * np.hypot(drifted.slope / np.sqrt(3), drifted.standard_error)
    assert left.scores.of("L5")[0].u_drift == pytest.approx(expected)


@pytest.mark.parametrize("column", ["visit", "run_order", "pad_set"])
def test_travelling_sets_need_set_visit_and_place(column: str) -> None:
    frame = travelling()
    frame = frame.assign(run=range(len(frame))).drop(columns=column)
    with pytest.raises(StudyError, match=rf"does not say '{column}' of the runs of 'L1'"):
        work(frame, travelling=Travelling(pilot="L1"))


def test_an_unknown_pilot_is_refused_and_one_without_return_runs_leaves_it_open() -> None:
    with pytest.raises(StudyError, match=r"travelling\.pilot: 'L9' is not in the results"):
        work(travelling(), travelling=Travelling(pilot="L9"))
    frame = travelling()
    frame = frame[(frame.laboratory != "L1") | (frame.run_order == 1)]
    study = work(frame, travelling=Travelling(pilot="L1"))
    assert study.drifts["A"].drift is None
    assert "no set ran at the pilot laboratory at two positions" in study.drifts["A"].trouble
    outcome = run_round_robin(RoundRobin(travelling=Travelling(pilot="L1")), results_of(frame))
    assert any("no drift can be told" in sentence for sentence in outcome.evidence)


def test_without_a_pilot_the_wear_is_named_as_open() -> None:
    outcome = run_round_robin(RoundRobin(), results_of(travelling()))
    assert any("travelling.pilot" in sentence for sentence in outcome.cannot_tell)


def test_helpers_leave_other_laboratories_alone() -> None:
    data = round_data(RoundRobin(), results_of(travelling()))
    pilot = Travelling(pilot="L1")
    rest = without_return_runs(data, pilot)
    assert rest.level_cells("A").count.tolist() == [3] * 5
    assert data.level_cells("A").count.tolist() == [5, 3, 3, 3, 3]
    flat = without_drift(rest, drifts(data, pilot, confidence=0.95))
    assert flat.level_cells("A").count.tolist() == [3] * 5


def distributed(sets: int, runs: int, *, seed: int = 1, labs: int = 6) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for lab in range(labs):
        offset = rng.normal(0, 0.006)
        for one in range(sets):
            part = rng.normal(0, 0.008)
            for run in range(runs):
                value = 0.40 + offset + part + rng.normal(0, 0.004)
                rows.append((f"L{lab + 1}", "A", f"S{one + 1}", run + 1, value))
    return pd.DataFrame(rows, columns=["laboratory", "level", "pad_set", "run", "result"])


def test_scatter_of_distributed_sets_is_told_from_that_of_laboratories() -> None:
    """Labels of sets start again in each laboratory. Against statsmodels MixedLM with nested sets."""
    frame = distributed(3, 2).assign(pad_set=lambda f: f.laboratory + f.pad_set)
    sources = {s.name: s.sd for s in work(frame).components[0].sources}
    assert set(sources) == {"laboratory", "pad set", "repeatability"}
    fit = sm.MixedLM.from_formula(
        "result ~ 1",
        frame,
        groups="laboratory",
        re_formula="1",
        vc_formula={"set": "0 + C(pad_set)"},
    ).fit(reml=True, method=["bfgs"], gtol=1e-12)
    # The library's search stops early; three digits agree.
    assert sources["repeatability"] == pytest.approx(np.sqrt(fit.scale), rel=2e-3)
    assert sources["pad set"] == pytest.approx(np.sqrt(fit.vcomp[0]), rel=1e-2)
    assert sources["laboratory"] == pytest.approx(np.sqrt(float(np.asarray(fit.cov_re).item())), rel=1e-2)
    again = frame.assign(pad_set=frame.pad_set.str[2:])
    assert not work(again).components  # sets with one label in all laboratories are taken for travelling ones
    named = work(again, sets=SetKind.DISTRIBUTED).components[0]
    assert {s.name: s.sd for s in named.sources} == pytest.approx(sources)


def test_one_set_per_laboratory_is_joint_with_the_laboratory() -> None:
    frame = distributed(1, 3).assign(pad_set=lambda f: f.laboratory + f.pad_set)
    study = work(frame)
    assert study.components[0].sets_are_joint == "laboratory and pad set, joint"
    outcome = run_round_robin(RoundRobin(), results_of(frame))
    assert any("laboratory and pad set, joint are one number" in sentence for sentence in outcome.evidence)


def test_sets_that_ran_once_are_joint_with_repeatability() -> None:
    frame = distributed(3, 1).assign(pad_set=lambda f: f.laboratory + f.pad_set)
    assert work(frame).components[0].sets_are_joint == "pad set and repeatability, joint"


def nested(factors: tuple[str, ...] = ("rig", "day"), *, labs: int = 6, seed: int = 8) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for lab in range(labs):
        a = rng.normal(0, 0.01)
        for first in range(2):
            b = rng.normal(0, 0.008)
            for second in range(2):
                c = rng.normal(0, 0.006)
                rows += [(f"L{lab}", first, second, 0.4 + a + b + c + rng.normal(0, 0.004)) for _ in range(2)]
    return pd.DataFrame(rows, columns=["laboratory", *factors, "result"])


def test_intermediate_precision_of_a_fully_nested_design() -> None:
    """Against the standard's expected mean squares (ISO 5725-3:1994, 8.2 and annex B), written out."""
    frame = nested()
    study = work(frame)
    y = frame.result.to_numpy().reshape(6, 2, 2, 2)
    days = y.mean(axis=3)
    rigs = days.mean(axis=2)
    run = y.var(axis=3, ddof=1).mean()
    day = days.var(axis=2, ddof=1).mean() - run / 2
    rig = rigs.var(axis=1, ddof=1).mean() - day / 2 - run / 4
    laboratory = rigs.mean(axis=1).var(ddof=1) - rig / 2 - day / 4 - run / 8
    expected = np.sqrt([laboratory, rig, day, run])
    assert study.components[0].method == "analysis of variance"
    assert [source.sd for source in study.components[0].sources] == pytest.approx(expected, rel=1e-9)
    assert dict(study.components[0].intermediate()) == pytest.approx(
        {"day": np.sqrt(run + day), "day and rig": np.sqrt(run + day + rig)}
    )


def test_a_staggered_design_is_found_and_estimated_as_the_standard_does() -> None:
    rng = np.random.default_rng(3)
    y = 0.4 + rng.normal(0, 0.01, (12, 4))
    rows = []
    for lab, (y1, y2, y3, y4) in enumerate(y):
        # y1 and y2 share rig and day, y3 another day, y4 another rig; the rows come in another order.
        rows += [
            (lab, "R1", "d2", y3), (lab, "R2", "d1", y4), (lab, "R1", "d1", y1), (lab, "R1", "d1", y2),
        ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["laboratory", "rig", "day", "result"])
    found = work(frame).components[0]
    expected = staggered_nested(y, ["laboratory", "rig", "day", "repeatability"])
    assert found.staggered is not None
    for ours, theirs in zip(found.staggered.components, expected.components, strict=True):
        assert ours.raw_variance == pytest.approx(theirs.raw_variance, rel=1e-9)
    assert found.method == "REML"
    assert work(nested()).components[0].staggered is None


def test_a_missing_run_leaves_reml_with_the_same_sources() -> None:
    found = work(nested().drop(index=[3, 17])).components[0]
    assert found.method == "REML"
    assert [source.name for source in found.sources] == ["laboratory", "rig", "day", "repeatability"]


def test_only_factors_that_vary_are_taken_and_cells_without_them_stand_aside() -> None:
    frame = nested(("rig", "operator"))
    one = frame.assign(operator="KM")
    assert work(one).components[0].factors == ("rig",)
    rest = frame[frame.laboratory != "L5"]
    table = CellTable(name="l5", cells=cells_to_share(results_of(frame[frame.laboratory == "L5"])))
    study = work_through(RoundRobin(), results_of(rest), [table])
    assert study.components[0].absent == ("L5",)


def lot(scatter: float, seed: int = 6) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    values = 0.4 + rng.normal(0, scatter, (10, 1)) + rng.normal(0, 0.002, (10, 2))
    sets = [f"S{i + 1:02d}" for i in range(10)]
    return pd.DataFrame({"pad_set": np.repeat(sets, 2), "result": values.ravel()})


def test_a_lot_that_is_not_alike_enough_widens_the_scores() -> None:
    frame = distributed(1, 3)
    question = RoundRobin(scoring=SCORING)
    good, bad = (
        work_through(question, results_of(frame), homogeneity_runs=results_of(lot(s))) for s in (0.001, 0.03)
    )
    assert good.lot[0].adequate
    assert not bad.lot[0].adequate
    expected = homogeneity(lot(0.03).result.to_numpy().reshape(10, 2), 0.02)
    assert bad.lot[0].sets_sd == pytest.approx(expected.s_s)
    assert bad.scores is not None
    assert good.scores is not None
    assert bad.scores.scores[0].u_total == pytest.approx(
        np.hypot(good.scores.scores[0].u_total, expected.s_s)
    )
    outcome = run_round_robin(question, results_of(frame), homogeneity_runs=results_of(lot(0.03)))
    assert any("the lot is not alike or not stable enough" in sentence for sentence in outcome.evidence)
    assert outcome.table("lot_checks").rows[0][-1] == "not met"


def test_a_lot_that_changed_is_found() -> None:
    before = lot(0.001).assign(phase="before")
    after = lot(0.001, seed=7).assign(phase="after")
    question, frame = RoundRobin(scoring=SCORING), results_of(distributed(1, 3))
    still = work_through(question, frame, stability_runs=results_of(pd.concat([before, after])))
    assert still.lot[0].stability is not None
    assert still.lot[0].adequate
    worn = pd.concat([before, after.assign(result=after.result - 0.02)])
    moved = work_through(question, frame, stability_runs=results_of(worn))
    assert not moved.lot[0].adequate


def test_checks_of_the_lot_need_sigma_pt_and_whole_tables() -> None:
    frame = results_of(distributed(1, 3))
    with pytest.raises(StudyError, match=r"scores\.sigma_pt: is missing"):
        work_through(RoundRobin(), frame, homogeneity_runs=results_of(lot(0.001)))
    ragged = results_of(lot(0.001).iloc[:-1])
    with pytest.raises(StudyError, match="expected as many of each set"):
        work_through(RoundRobin(scoring=SCORING), frame, homogeneity_runs=ragged)
    nowhere = results_of(lot(0.001).assign(level="Z"))
    with pytest.raises(StudyError, match="level 'Z' is none of the round robin"):
        work_through(RoundRobin(scoring=SCORING), frame, homogeneity_runs=nowhere)
    with pytest.raises(StudyError, match="'phase'"):
        work_through(RoundRobin(scoring=SCORING), frame, stability_runs=results_of(lot(0.001)))
