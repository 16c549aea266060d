"""Raw results and cells in any mixture give the same numbers, and what cannot be is refused by name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import repeatab as rb
from repeatab.base.errors import EstimationError, InputError, StudyError
from repeatab.base.quantity import BRAKE_FACTOR, FRICTION, TORQUE
from repeatab.cell_files import CellTable, cell_file_bytes, cells_to_share, read_cell_file
from repeatab.intake.reading import read_results
from repeatab.jobs.rounds.gathering import round_data
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.jobs.rounds.study import work_through

NAMES = ("result", "laboratory", "level", "pad_set", "visit", "rig", "run_order", "stated_uncertainty")


def made(seed: int = 1, *, labs: int = 6, levels: str = "AB", runs: Sequence[int] = (3,)) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(labs):
        offset = rng.normal(0, 0.008)
        for j, level in enumerate(levels):
            for _ in range(runs[(i + j) % len(runs)]):
                rows.append((f"L{i + 1}", level, 0.33 + 0.05 * j + offset + rng.normal(0, 0.006)))
    return pd.DataFrame(rows, columns=["laboratory", "level", "result"])


def results_of(frame: pd.DataFrame, quantity: Any = FRICTION) -> Any:
    return read_results(
        frame, columns={name: name for name in NAMES if name in frame.columns}, quantity=quantity
    )


def shared(frame: pd.DataFrame, name: str = "shared", **options: Any) -> CellTable:
    return CellTable(name=name, cells=cells_to_share(results_of(frame), **options), quantity="friction")


def through_file(frame: pd.DataFrame, path: Any) -> CellTable:
    path.write_bytes(cell_file_bytes(cells_to_share(results_of(frame)), quantity="friction"))
    return read_cell_file(path)


def mixed(frame: pd.DataFrame, laboratories: Sequence[str]) -> tuple[pd.DataFrame | None, list[CellTable]]:
    """Raw results of the others, and a table of cells of each of these laboratories."""
    raw = frame[~frame.laboratory.isin(laboratories)]
    tables = [shared(frame[frame.laboratory == name], name) for name in laboratories]
    return (raw if len(raw) else None), tables


def assert_same(found: Any, expected: Any) -> None:
    for name in ("precision", "precision_with_exclusion", "robust", "intervals"):
        a, b = getattr(found, name), getattr(expected, name)
        assert list(a.index) == list(b.index)
        # Agreement that is promised: 1e-12 (1 + |mean| / SD); here the mean is about 50 SDs.
        assert np.allclose(a.to_numpy(float), b.to_numpy(float), rtol=1e-12, atol=1e-13, equal_nan=True), name
    assert found.consistency.laboratory.tolist() == expected.consistency.laboratory.tolist()
    assert np.allclose(found.consistency[["h", "k"]], expected.consistency[["h", "k"]], rtol=1e-10)
    assert found.outlier_tests.decision.tolist() == expected.outlier_tests.decision.tolist()
    assert np.allclose(found.outlier_tests.statistic, expected.outlier_tests.statistic, rtol=1e-10)


@settings(max_examples=12)
@given(
    seed=st.integers(0, 200),
    which=st.sets(st.sampled_from([f"L{i}" for i in range(1, 7)]), min_size=1),
)
def test_any_mixture_of_results_and_cells_gives_the_same_numbers(seed: int, which: set[str]) -> None:
    frame = made(seed, runs=(3, 2, 4))
    expected = rb.round_robin(frame, level="level")
    raw, tables = mixed(frame, sorted(which))
    assert_same(rb.round_robin(raw, level="level", cells=tables), expected)


def test_cells_that_went_through_a_file_give_the_same_numbers(tmp_path: Any) -> None:
    frame = made(5)
    own = through_file(frame[frame.laboratory.isin(["L2", "L5"])], tmp_path / "two.csv")
    rest = frame[~frame.laboratory.isin(["L2", "L5"])]
    assert_same(rb.round_robin(rest, level="level", cells=[own]), rb.round_robin(frame, level="level"))


def test_order_of_rows_and_a_shift_of_all_results_change_nothing_else() -> None:
    frame = made(7)
    expected = rb.round_robin(frame, level="level")
    assert_same(rb.round_robin(frame.sample(frac=1, random_state=3), level="level"), expected)
    shifted = rb.round_robin(frame.assign(result=frame.result + 1000.0), level="level").precision
    for name in ("s_r", "s_L", "s_R"):
        assert shifted[name].to_numpy() == pytest.approx(expected.precision[name].to_numpy(), rel=1e-8)


def test_whole_number_labels_meet_the_same_labels_in_a_file_of_text() -> None:
    frame = made(2).assign(laboratory=lambda f: f.laboratory.str[1:].astype(int))
    text = frame[frame.laboratory > 4].assign(laboratory=lambda f: f.laboratory.astype(str))
    found = rb.round_robin(frame[frame.laboratory <= 4], level="level", cells=[shared(text)])
    assert set(found.consistency.laboratory) == {1, 2, 3, 4, 5, 6}
    assert_same(found, rb.round_robin(frame, level="level"))


def test_what_needs_results_is_unavailable_for_cells_and_says_so() -> None:
    frame = made(3)
    raw, tables = mixed(frame, ["L3"])
    found = rb.round_robin(raw, level="level", cells=tables)
    assert found.q_hampel[["s_r", "s_R"]].isna().all(axis=None)
    assert not rb.round_robin(frame, level="level").q_hampel.isna().any(axis=None)
    assert any("Q method: Unavailable" in note and "cells" in note for note in found.notes)


def test_a_table_of_means_is_good_to_its_digits() -> None:
    frame = made(4)
    cells = frame.groupby(["laboratory", "level"]).result.agg(["count", "mean", "std"]).reset_index()
    table = rb.summary_cells(
        laboratory=cells.laboratory.tolist(), level=cells.level.tolist(), count=cells["count"].tolist(),
        mean=cells["mean"].round(4).tolist(), sd=cells["std"].round(4).tolist(),
    )  # fmt: skip
    found = rb.round_robin(cells=[table], level="level").precision
    expected = rb.round_robin(frame, level="level").precision
    assert found.s_R.to_numpy() == pytest.approx(expected.s_R.to_numpy(), abs=1e-4)
    assert work_through(RoundRobin(), None, [table]).data.rounded == tuple(f"L{i}" for i in range(1, 7))


def test_two_laboratories_give_precision_and_no_h() -> None:
    found = rb.round_robin(made(labs=2), level="level")
    assert found.precision.s_R.notna().all()
    assert found.consistency.h.isna().all()
    assert found.consistency.k.notna().all()
    assert found.robust.s_R.isna().all()
    grubbs = found.outlier_tests[found.outlier_tests.test.str.startswith("Grubbs, ")]
    assert set(grubbs.decision) <= {"not testable", "not applied"}


def test_one_laboratory_is_refused() -> None:
    with pytest.raises(EstimationError, match=r"found one laboratory \('L1'\), expected at least two"):
        rb.round_robin(made(labs=1), level="level")


def test_a_level_of_one_laboratory_is_left_open_and_said_so() -> None:
    frame = made()
    frame = frame[(frame.level == "A") | (frame.laboratory == "L1")]
    found = rb.round_robin(frame, level="level")
    assert np.isnan(found.precision.loc["B", "s_R"])
    assert found.precision.loc["A", "s_R"] > 0
    assert any("Level 'B'" in note and "found one laboratory" in note for note in found.notes)


def test_one_run_per_cell_gives_s_R_and_no_k() -> None:
    frame = made(runs=(1,))
    found = rb.round_robin(frame, level="level")
    own = frame[frame.level == "A"].result
    assert found.precision.loc["A", "s_R"] == pytest.approx(own.std(ddof=1))
    assert found.precision[["s_r", "s_L", "r_limit"]].isna().all(axis=None)
    assert found.consistency.k.isna().all()
    assert found.consistency.h.notna().all()


def test_a_laboratory_with_equal_results_is_kept_and_noted() -> None:
    frame = made()
    frame.loc[frame.laboratory == "L2", "result"] = 0.350
    study = work_through(RoundRobin(), results_of(frame))
    assert study.analysis.at("A").consistency[1].k == 0
    from repeatab.jobs.rounds.notes import notes

    assert any("all results of L2 are equal" in note.text for note in notes(study))


def test_equal_results_everywhere_have_no_scatter_and_no_h() -> None:
    found = rb.round_robin(made().assign(result=0.4), level="level")
    assert (found.precision[["s_r", "s_L", "s_R"]] == 0).all(axis=None)
    assert found.consistency[["h", "k"]].isna().all(axis=None)


def test_one_code_in_two_places_is_refused() -> None:
    frame = made()
    with pytest.raises(InputError) as caught:
        rb.round_robin(frame, level="level", cells=[shared(frame[frame.laboratory == "L2"], "lab2.csv")])
    for part in ("laboratory 'L2', level 'A'", "lab2.csv", "give each its own"):
        assert part in str(caught.value)


def test_one_code_at_different_levels_of_two_files_is_asked_about() -> None:
    frame = made()
    other = frame[(frame.laboratory == "L2") & (frame.level == "B")]
    rest = frame.drop(other.index)
    data = round_data(RoundRobin(), results_of(rest), [shared(other, "lab2.csv")])
    assert [f.check for f in data.findings] == ["laboratory in several files"]


def test_two_result_files_with_one_code_are_asked_about(tmp_path: Any) -> None:
    frame = made()
    for name in ("first", "second"):
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    results = read_results(str(tmp_path / "*.csv"), columns={n: n for n in ("result", "laboratory", "level")})
    data = round_data(RoundRobin(), results)
    assert len(data.findings) == 6
    assert "'first.csv', 'second.csv'" in data.findings[0].text


@pytest.mark.parametrize(
    ("factor", "quantity", "words"),
    [
        (100.0, FRICTION, "100 of percent"),
        (2.0, FRICTION, "2 of C*"),
        (0.5, BRAKE_FACTOR, "1/2 of C*"),
        (0.001, FRICTION, "1/1000 of thousandths"),
        (1 / 9.80665, TORQUE, "1/9.807 of kilogram-force"),
        (1 / 1.355818, TORQUE, "1/1.356 of pound-foot"),
        (0.001, TORQUE, "1/1000 of a prefix"),
    ],
)
def test_another_unit_of_one_laboratory_is_flagged_by_its_factor(
    factor: float, quantity: Any, words: str
) -> None:
    """Newton metre from kilogram-force metre and pound-foot: ISO 80000-4 (from memory)."""
    frame = made()
    wrong = (frame.laboratory == "L4") & (frame.level == "B")
    frame.loc[wrong, "result"] *= factor
    frame["result"] *= 1000.0 if quantity is TORQUE else 1.0
    study = work_through(RoundRobin(), results_of(frame, quantity))
    findings = [f for f in study.findings if f.check == "level in another unit"]
    assert [f.check for f in findings] == ["level in another unit"]
    assert findings[0].blocks
    assert "Level 'B': laboratory 'L4'" in findings[0].text
    assert words in findings[0].text


def test_a_laboratory_that_reads_high_is_in_no_other_unit() -> None:
    frame = made()
    frame.loc[frame.laboratory == "L4", "result"] *= 1.25
    assert not [f for f in work_through(RoundRobin(), results_of(frame)).findings if "unit" in f.check]


def test_two_quantities_are_refused() -> None:
    frame = made()
    table = shared(frame[frame.laboratory == "L1"])
    others = results_of(frame[frame.laboratory != "L1"], BRAKE_FACTOR)
    with pytest.raises(InputError, match=r"'brake factor'.*'friction'"):
        round_data(RoundRobin(), others, [table])


def test_missing_names_are_refused() -> None:
    frame = made()
    with pytest.raises(StudyError, match=r"columns\.laboratory: is missing"):
        round_data(RoundRobin(), read_results(frame, columns={"result": "result"}))
    with pytest.raises(StudyError, match=r"levels: 'C' is not in the results; there are 'A', 'B'"):
        round_data(RoundRobin(levels=("C",)), results_of(frame))
    with pytest.raises(StudyError, match="no column 'rigs'"):
        round_data(RoundRobin(nested=("rigs",)), results_of(frame))
    with pytest.raises(InputError, match="found no results"):
        rb.round_robin()
    with pytest.raises(StudyError, match="Did you mean 'left out'"):
        rb.round_robin(frame, single_results="left-out")


def test_named_levels_come_first_and_none_is_dropped() -> None:
    data = round_data(RoundRobin(levels=("B",)), results_of(made()))
    assert data.levels == ("B", "A")


def test_stops_are_refused() -> None:
    frame = made().assign(stop=1)
    stops = read_results(frame, columns={n: n for n in ("result", "laboratory", "level", "stop")})
    with pytest.raises(StudyError, match="single stops"):
        round_data(RoundRobin(), stops)
