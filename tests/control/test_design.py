"""A chart's numbers from shift and run length: the wanted run length is met, and no other weight does
better.
"""

import numpy as np
import pytest
from scipy import stats

from repeatab.base.errors import StudyError
from repeatab.control.charts import Ewma
from repeatab.control.design import cusum_for, ewma_for, ewma_limit
from repeatab.control.run_length import average_run_length

# Hawkins (1993), Quality Engineering 5, table of decision values for an in-control run length of 370 (from
# memory).
HAWKINS = {0.25: 8.01, 0.5: 4.77, 0.75: 3.34, 1.0: 2.52, 1.25: 1.99, 1.5: 1.61}


@pytest.mark.parametrize(("reference", "decision"), HAWKINS.items())
def test_cusum_decision_values(reference, decision):
    found = cusum_for(shift=2 * reference, in_control=370)
    assert found.chart.reference == reference
    # The last row is 1.6041, not 1.61: at 1.61 the chain of Brook & Evans below gives 376 points.
    assert found.chart.decision == pytest.approx(decision, abs=0.0051 if reference < 1.5 else 0.0061)
    assert found.in_control == pytest.approx(370, rel=1e-8)


def brook_and_evans(reference, decision, states):
    """Two-sided run length by the finite chain of Brook & Evans (1972), Biometrika 59, 539-549."""
    width = 2 * decision / (2 * states - 1)
    level = np.arange(states) * width
    upper = stats.norm.cdf(level[None, :] + width / 2 - level[:, None] + reference)
    step = upper - stats.norm.cdf(level[None, :] - width / 2 - level[:, None] + reference)
    step[:, 0] = upper[:, 0]
    return np.linalg.solve(np.eye(states) - step, np.ones(states))[0] / 2


@pytest.mark.parametrize("shift", [0.5, 3.0])
def test_the_decision_value_holds_in_a_finite_chain(shift):
    chart = cusum_for(shift=shift, in_control=370).chart
    # The chain's error falls with the square of its number of states.
    coarse, fine = (brook_and_evans(chart.reference, chart.decision, states) for states in (200, 400))
    assert fine + (fine - coarse) / 3 == pytest.approx(370, rel=2e-5)


# Lucas & Saccucci (1990), limits for an in-control run length of 500 (from memory; 0.05, 0.2 and 0.4 in the
# data).
@pytest.mark.parametrize(
    ("weight", "limit"), [(0.4, 3.054), (0.25, 2.998), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)]
)
def test_ewma_limits(weight, limit):
    assert ewma_limit(weight=weight, in_control=500) == pytest.approx(limit, abs=0.001)


@pytest.mark.parametrize("shift", [0.5, 1.0, 2.0])
def test_no_other_weight_finds_the_shift_sooner(shift):
    found = ewma_for(shift=shift, in_control=370)
    assert found.in_control == pytest.approx(370, rel=1e-8)
    for factor in (0.8, 1.25):
        other = found.chart.weight * factor
        length = average_run_length(
            Ewma(weight=other, limit=ewma_limit(weight=other, in_control=370)), shift=shift
        )
        assert length > found.shifted


def test_smaller_shifts_ask_for_smaller_weights():
    weights = [ewma_for(shift=shift, in_control=370).chart.weight for shift in (0.5, 1.0, 2.0)]
    assert weights == sorted(weights)


def test_a_cusum_with_its_reference_at_half_the_shift_is_hardly_beaten():
    # Moustakides (1986): optimal for the worst start; in the zero state others win by a little at most.
    best = cusum_for(shift=1.0, in_control=370).shifted
    for other in (0.8, 1.2):
        chart = cusum_for(shift=other, in_control=370).chart
        assert average_run_length(chart, shift=1.0) > best * 0.995


def test_starting_limits_and_head_starts_meet_the_run_length_too():
    assert ewma_for(shift=1.0, in_control=370, starting_limits=True).in_control == pytest.approx(
        370, rel=1e-8
    )
    assert cusum_for(shift=1.0, in_control=370, head_start=True).in_control == pytest.approx(370, rel=1e-8)


@pytest.mark.parametrize(
    ("ask", "part"),
    [
        (lambda: ewma_for(shift=0, in_control=370), "shift: found 0"),
        (lambda: cusum_for(shift=1, in_control=1.5), "found 1.5"),
        (lambda: ewma_limit(weight=0.2, in_control=2), "found 2"),
    ],
)
def test_what_no_chart_can_do_is_said(ask, part):
    with pytest.raises(StudyError, match=part):
        ask()
