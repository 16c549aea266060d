"""The average-and-range method and the analysis of variance on the automotive handbook's worked example."""

from __future__ import annotations

import json

import numpy as np
import pytest

from repeatab.base.errors import LayoutError
from repeatab.judgement.average_range import average_and_range, range_divisor


@pytest.fixture(scope="module")
def ten_parts(variance_case):
    # Source: automotive measurement-systems handbook, worked example; data from memory, checked by the
    # remembered sums of squares.
    return variance_case("handbook_ten_parts")


def values_of(case):
    frame = case.frame.sort_values(["appraiser", "part"], kind="stable")
    return frame[case.result].to_numpy().reshape(3, 10, 3)


def test_handbook_example_by_average_and_range(ten_parts):
    expected = ten_parts.expected["average_and_range"]
    found = average_and_range(values_of(ten_parts))
    assert found.mean_range == pytest.approx(expected["mean_range"], rel=1e-12)
    assert found.operator_difference == pytest.approx(expected["difference_of_appraiser_means"], rel=1e-12)
    assert found.part_range == pytest.approx(expected["range_of_part_means"], rel=1e-12)
    # The handbook's factors K carry four digits; ours follow from the distribution of the range.
    for name in ("EV", "AV", "GRR", "PV", "TV"):
        assert getattr(found, name.lower()) == pytest.approx(expected[name], rel=1.5e-4), name
    assert found.percent_of_total == pytest.approx(expected["share_of_total_percent"]["GRR"], rel=1e-3)
    assert found.categories == expected["distinct_categories"] == 5


def test_handbook_example_with_the_printed_factors_is_exact(ten_parts):
    # The same arithmetic with the handbook's K instead of ours: what is left must be rounding.
    expected = ten_parts.expected["average_and_range"]
    found, k = average_and_range(values_of(ten_parts)), expected["constants"]
    assert found.ev * range_divisor(3) * k["K1"] == pytest.approx(expected["EV"], rel=1e-12)
    assert found.pv * range_divisor(10, 1) * k["K3"] == pytest.approx(expected["PV"], rel=1e-12)


def test_factors_are_those_of_the_published_table(reference_folder):
    # Source: Duncan, Quality Control and Industrial Statistics, table D3; handbook, appendix C (from memory).
    path = reference_folder / "standards" / "average_range_factors_d2_star.json"
    case = json.loads(path.read_text(encoding="utf-8"))
    for name, value in case["recomputed"]["d2_star_n_g"].items():
        size, ranges = map(int, name.split(","))
        assert range_divisor(size, ranges) == pytest.approx(value, rel=1e-9), name
    # Printed values: the last digit of n = 3, g = 1 (1.91155) is off by one in memory or in print.
    for size, value in case["expected"]["d2_star_g1"].items():
        assert range_divisor(int(size), 1) == pytest.approx(value, abs=1.1e-5), size
    for size, value in case["expected"]["K3"].items():
        assert 1 / range_divisor(int(size), 1) == pytest.approx(value, abs=6e-5), size
    assert 1 / range_divisor(2) == pytest.approx(case["expected"]["K1"]["2_trials"], abs=6e-5)
    assert 1 / range_divisor(3) == pytest.approx(case["expected"]["K1"]["3_trials"], abs=1.1e-4)


def test_operators_that_agree_better_than_their_repeats_allow_have_no_scatter():
    values = np.array([[[0.0, 1.0], [1.0, 2.0]], [[1.0, 0.0], [2.0, 1.0]]])
    found = average_and_range(values)
    assert found.av == 0
    assert found.grr == found.ev > 0


@pytest.mark.parametrize("shape", [(1, 4, 2), (2, 1, 2), (2, 4, 1)])
def test_a_study_without_two_of_each_is_refused(shape):
    with pytest.raises(LayoutError, match="at least two of each"):
        average_and_range(np.zeros(shape))
