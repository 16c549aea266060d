"""EWMA and CUSUM of a series, against the handbook's example and against formulas of another form."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from repeatab.base.errors import EstimationError, InputError
from repeatab.control.charts import Cusum, Ewma
from repeatab.control.cusum import cusum_series
from repeatab.control.ewma import ewma_series
from repeatab.control.signals import Side

series = st.lists(st.floats(-4, 4), min_size=1, max_size=40)


def test_ewma_of_the_handbook(published):
    # NIST/SEMATECH e-Handbook, 6.3.2.4: weight 0.3, target 50, s = 2.0539.
    case = published.case("ewma_twenty_points")
    x = [float(row["x"]) for row in published.rows("ewma_twenty_points")]
    found = ewma_series(x, Ewma(weight=0.3, limit=3), centre=50, sd=2.0539)
    assert found.average == pytest.approx(case["recomputed"]["EWMA"][1:], abs=5.1e-9)
    assert found.average == pytest.approx(case["expected"]["EWMA_from_0"][1:], abs=0.0051)
    assert found.upper == pytest.approx(np.full(20, case["recomputed"]["UCL"]), abs=5.1e-9)
    assert found.lower == pytest.approx(np.full(20, case["recomputed"]["LCL"]), abs=5.1e-9)
    # Printed with the factor rounded to 0.4201.
    assert found.upper[0] == pytest.approx(case["expected"]["UCL"], abs=1e-4)
    assert found.lower[0] == pytest.approx(case["expected"]["LCL"], abs=1e-4)
    assert [signal.at for signal in found.signals] == case["expected"]["out_of_limits"]


@given(x=series, weight=st.floats(0.02, 1))
def test_ewma_is_the_weighted_sum_of_the_past(x, weight):
    found = ewma_series(x, Ewma(weight=weight, limit=3), centre=1.0, sd=0.5)
    n = len(x)
    age = np.arange(n)[::-1]
    direct = weight * (1 - weight) ** age @ np.array(x) + (1 - weight) ** n * 1.0
    assert found.average[-1] == pytest.approx(direct, rel=1e-10, abs=1e-12)


def test_starting_limits_are_the_exact_scatter_of_each_average():
    chart = Ewma(weight=0.25, limit=2.8, starting_limits=True)
    found = ewma_series(np.zeros(50), chart, centre=0, sd=2.0)
    weights = [0.25 * 0.75 ** np.arange(t) for t in range(1, 51)]
    exact = [2.8 * 2.0 * np.sqrt((w**2).sum()) for w in weights]
    assert found.upper == pytest.approx(exact, rel=1e-12)
    constant = ewma_series(np.zeros(1), Ewma(weight=0.25, limit=2.8), centre=0, sd=2.0)
    assert found.upper[-1] == pytest.approx(constant.upper[0], rel=1e-6)


@given(x=series, reference=st.floats(0, 1.5))
def test_cusum_is_the_largest_sum_over_the_last_points(x, reference):
    found = cusum_series(x, Cusum(reference=reference, decision=4), centre=0.5, sd=2.0)
    z = (np.array(x) - 0.5) / 2.0
    for sums, excess in ((found.upper, z - reference), (found.lower, -z - reference)):
        direct = [max(0.0, *(excess[j : t + 1].sum() for j in range(t + 1))) for t in range(len(x))]
        assert sums == pytest.approx(direct, abs=1e-12)


def test_cusum_counts_lead_back_to_the_begin_of_the_run():
    x = [0, -0.3, 0.1, 1.5, 1.4, 1.5, 1.2, 1.9]
    found = cusum_series(x, Cusum(reference=0.5, decision=4), centre=0, sd=1)
    (signal,) = found.signals
    assert signal.side is Side.UP
    assert signal.at == 7
    assert signal.points == (3, 4, 5, 6, 7)
    assert found.upper_count.tolist() == [0, 0, 0, 1, 2, 3, 4, 5]


def test_head_start_signals_at_once_when_the_trouble_is_there_from_the_start():
    x = np.full(6, 1.5)
    plain = cusum_series(x, Cusum(reference=0.5, decision=4), centre=0, sd=1)
    ahead = cusum_series(x, Cusum(reference=0.5, decision=4, head_start=2), centre=0, sd=1)
    assert (ahead.signals[0].at, plain.signals[0].at) == (2, 4)
    assert ahead.signals[0].points[0] == 0


@given(x=series)
def test_units_do_not_matter(x):
    a = cusum_series(x, Cusum(reference=0.5, decision=4), centre=0, sd=1)
    b = cusum_series(np.array(x) * 0.01 + 0.4, Cusum(reference=0.5, decision=4), centre=0.4, sd=0.01)
    assert a.upper == pytest.approx(b.upper, abs=1e-9)


def test_no_scatter_and_missing_values_are_refused():
    with pytest.raises(EstimationError, match="standard deviation of 0"):
        ewma_series([1, 2], Ewma(weight=0.2, limit=3), centre=0, sd=0)
    with pytest.raises(InputError, match="point 1"):
        cusum_series([float("inf")], Cusum(reference=0.5, decision=4), centre=0, sd=1)
