"""The order of the tests (ISO 5725-2:1994, 7.3.3.4 and 7.3.4.3) on invented cells with known faults."""

import numpy as np
import pytest

from repeatab.interlab.level import LevelCells
from repeatab.interlab.outlier_tests import Decision, OutlierTest, cochran, grubbs
from repeatab.interlab.procedure import Branch, step_by_step

QUIET = [0.400, 0.404, 0.397, 0.402, 0.399, 0.405, 0.401, 0.396]
SCATTER = [0.004, 0.005, 0.003, 0.004, 0.006, 0.005, 0.004, 0.005]


def cells(means=QUIET, sds=SCATTER, n=3, codes=None):
    codes = codes or [f"L{i}" for i in range(1, len(means) + 1)]
    return LevelCells(
        level="mix A", laboratories=tuple(codes), count=np.full(len(means), n), mean=np.array(means, float),
        centred_ss=(n - 1) * np.square(sds, dtype=float),
    )  # fmt: skip


def told(log):
    return [(s.branch, s.without, s.result.test, s.result.laboratories, s.result.decision) for s in log.steps]


def test_quiet_cells_pass_all_five_tests_on_one_branch():
    log = step_by_step(cells())
    assert [step.result.test for step in log.steps] == [
        OutlierTest.COCHRAN,
        OutlierTest.GRUBBS_HIGH,
        OutlierTest.GRUBBS_LOW,
        OutlierTest.GRUBBS_PAIR_HIGH,
        OutlierTest.GRUBBS_PAIR_LOW,
    ]
    assert {step.result.decision for step in log.steps} == {Decision.CORRECT}
    assert {step.branch for step in log.steps} == {Branch.ALL_CELLS}
    assert log.set_aside == log.stragglers == ()


def test_ragged_laboratory_goes_by_cochran_and_the_tests_go_on_without_it():
    log = step_by_step(cells(sds=[0.004, 0.005, 0.003, 0.040, 0.006, 0.005, 0.004, 0.005]))
    steps = told(log)
    assert steps[0] == (Branch.ALL_CELLS, (), OutlierTest.COCHRAN, ("L4",), Decision.OUTLIER)
    # All cells first, complete; then Cochran again and Grubbs without L4.
    assert [s[0] for s in steps] == [Branch.ALL_CELLS] * 5 + [Branch.WITH_EXCLUSION] * 5
    assert {s[1] for s in steps[5:]} == {("L4",)}
    assert steps[5][2] is OutlierTest.COCHRAN
    assert log.set_aside == ("L4",)
    assert log.remaining(cells()).laboratories == ("L1", "L2", "L3", "L5", "L6", "L7", "L8")


def test_high_laboratory_goes_by_grubbs_then_the_other_end_and_no_pairs():
    log = step_by_step(cells(means=[*QUIET[:7], 0.460]))
    tests = [step.result.test for step in log.steps]
    assert tests == [
        OutlierTest.COCHRAN,
        OutlierTest.GRUBBS_HIGH,
        OutlierTest.GRUBBS_LOW,
        OutlierTest.GRUBBS_LOW,
    ]
    assert log.steps[1].result.decision is Decision.OUTLIER
    assert log.steps[3].branch is Branch.WITH_EXCLUSION
    assert log.steps[3].without == ("L8",)
    assert log.set_aside == ("L8",)


def test_two_high_laboratories_hide_each_other_from_the_single_test_and_go_as_a_pair():
    log = step_by_step(cells(means=[*QUIET[:6], 0.452, 0.455]))
    single, pair = log.steps[1].result, log.steps[3].result
    assert single.decision is not Decision.OUTLIER
    assert pair.test is OutlierTest.GRUBBS_PAIR_HIGH
    assert pair.laboratories == ("L8", "L7")
    assert pair.decision is Decision.OUTLIER
    assert set(log.set_aside) == {"L7", "L8"}


def test_straggler_is_named_and_stays_in():
    level = cells(means=[*QUIET[:7], 0.4155])
    assert grubbs(level, high=True).decision is Decision.STRAGGLER
    log = step_by_step(level)
    assert "L8" in log.stragglers
    assert log.set_aside == ()


def test_nothing_is_excluded_from_the_cells_given():
    level = cells(means=[*QUIET[:7], 0.460])
    before = level.mean.copy()
    step_by_step(level)
    assert level.p == 8
    assert np.array_equal(level.mean, before)


def test_branch_stops_before_too_few_laboratories_are_left():
    level = cells(means=[0.40, 0.401, 0.402], sds=[0.001, 0.001, 0.5])
    log = step_by_step(level)
    assert log.steps[0].result.decision is Decision.OUTLIER
    assert log.set_aside == ()
    assert log.ended_early
    # Grubbs was made once, not once per branch.
    assert sum(step.result.test is OutlierTest.GRUBBS_HIGH for step in log.steps) == 1


def test_unequal_numbers_use_the_number_of_the_majority(sulfur):
    # ISO 5725-2:1994, 7.3.3.2; B.1: n = 3 for p = 8, printed critical values 0.516 at 5 % and 0.615 at 1 %.
    found = cochran(sulfur["1"])
    assert round(found.critical_5, 3) == 0.516
    assert round(found.critical_1, 3) == 0.615
    assert found.decision is Decision.CORRECT


def test_no_laboratory_of_sulfur_in_coal_is_set_aside(published, sulfur):
    # ISO 5725-2:1994, B.1: no laboratory excluded; Grubbs 2.089 and 2.094 lie below the 5 % value 2.126 at p
    # = 8.
    assert published.case("iso5725_2_sulfur_in_coal")["expected"]["laboratories_excluded"] == "none"
    for level in sulfur.values():
        log = step_by_step(level)
        assert log.set_aside == ()
    assert grubbs(sulfur["2"], high=True).laboratory == 6


def test_suspect_glucose_value_is_found_by_cochran(published):
    results = published.results("e691_serum_glucose", level="material", value="glucose_mg_per_dL")["C"]
    results[4] = [148.30 if value == 138.30 else value for value in results[4]]
    log = step_by_step(LevelCells.from_results(level="C", results=results))
    first = log.steps[0].result
    assert (first.laboratory, first.decision) == (4, Decision.OUTLIER)
    assert log.set_aside == (4,)


@pytest.mark.parametrize("codes", [["a", "b"], ["a", "b", "c"]])
def test_few_laboratories_are_logged_as_not_testable_where_a_test_is_not_possible(codes):
    level = cells(range(len(codes)), [1.0] * len(codes), 2, codes)
    by_test = {step.result.test: step.result.decision for step in step_by_step(level).steps}
    assert by_test[OutlierTest.COCHRAN] is not Decision.NOT_TESTABLE
    assert by_test[OutlierTest.GRUBBS_PAIR_HIGH] is Decision.NOT_TESTABLE
    assert (by_test[OutlierTest.GRUBBS_HIGH] is Decision.NOT_TESTABLE) == (len(codes) == 2)


def test_all_results_equal_is_not_testable_and_no_error():
    log = step_by_step(cells([0.4] * 4, [0.0] * 4, 2))
    assert {step.result.decision for step in log.steps} == {Decision.NOT_TESTABLE}
    assert all(step.result.statistic is None for step in log.steps)
