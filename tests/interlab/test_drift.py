"""Drift of travelling sets from return runs, against a general library and by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from repeatab.base.errors import EstimationError, NotSeparableError
from repeatab.interlab.drift import drift

POSITION = np.array([0.0, 3.0, 6.0, 9.0])
RESULT = np.array([0.402, 0.407, 0.406, 0.413])


def test_one_set_is_the_straight_line_of_a_general_library():
    # scipy.stats.linregress: slope, standard error and p-value of ordinary least squares.
    line = stats.linregress(POSITION, RESULT)
    found = drift(POSITION, RESULT)
    assert found.slope == pytest.approx(line.slope, rel=1e-12)
    assert found.standard_error == pytest.approx(line.stderr, rel=1e-10)
    assert found.p_value == pytest.approx(line.pvalue, rel=1e-9)
    assert found.df == 2
    half = stats.t.isf(0.025, 2) * line.stderr
    assert (found.interval.lower, found.interval.upper) == pytest.approx(
        (line.slope - half, line.slope + half)
    )


def test_several_sets_share_the_slope_and_keep_their_levels():
    import statsmodels.api as sm

    t, y = np.tile(POSITION, 2), np.concatenate([RESULT, RESULT[::-1] + 0.004 * POSITION + 0.05])
    sets = ["S1"] * 4 + ["S2"] * 4
    design = np.column_stack([t, np.repeat([1.0, 0.0], 4), np.repeat([0.0, 1.0], 4)])
    fit = sm.OLS(y, design).fit()
    found = drift(t, y, pad_set=sets)
    assert found.slope == pytest.approx(fit.params[0], rel=1e-9)
    assert found.standard_error == pytest.approx(fit.bse[0], rel=1e-9)
    assert found.df == 5


def test_taking_the_drift_out_leaves_no_slope():
    found = drift(POSITION, RESULT)
    again = drift(POSITION, RESULT - found.change_at(POSITION))
    assert again.slope == pytest.approx(0, abs=1e-15)
    assert (RESULT - found.change_at(POSITION))[0] == RESULT[0]


def test_uncertainty_grows_with_the_distance_from_the_reference():
    found = drift(POSITION, RESULT, reference=3.0)
    out = found.uncertainty_when_taken_out(np.array([3.0, 5.0, 0.0]))
    assert out.tolist() == pytest.approx([0.0, 2 * found.standard_error, 3 * found.standard_error], rel=1e-12)
    left = found.uncertainty_when_left_in(np.array([5.0]))[0]
    assert left == pytest.approx(
        math.hypot(2 * found.slope / math.sqrt(3), 2 * found.standard_error), rel=1e-12
    )


def test_one_return_run_needs_the_scatter_of_a_run():
    with pytest.raises(EstimationError, match="standard deviation of a run"):
        drift([0.0, 8.0], [0.40, 0.42])
    found = drift([0.0, 8.0], [0.40, 0.42], run_sd=0.006)
    assert found.slope == pytest.approx(0.0025, rel=1e-12)
    assert found.standard_error == pytest.approx(0.006 * math.sqrt(2) / 8, rel=1e-12)
    assert found.df == math.inf
    half = stats.norm.isf(0.025) * found.standard_error
    assert found.interval.upper == pytest.approx(0.0025 + half, rel=1e-9)


def test_sets_that_ran_once_each_cannot_tell_wear_from_laboratories():
    with pytest.raises(NotSeparableError, match="before and after the round"):
        drift([0.0, 4.0, 8.0], [0.40, 0.41, 0.42], pad_set=["S1", "S2", "S3"])
    with pytest.raises(NotSeparableError):
        drift([3.0, 3.0, 3.0], [0.40, 0.41, 0.42])


def test_results_on_a_line_without_scatter():
    assert drift([0.0, 1.0, 2.0], [0.5, 0.5, 0.5]).p_value == 1.0
    assert drift([0.0, 1.0, 2.0], [0.5, 0.75, 1.0]).p_value == 0.0


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (([0.0, 1.0], [0.4]), "as many of each"),
        (([0.0], [0.4]), "at least two"),
        (([0.0, np.nan], [0.4, 0.5]), "finite"),
    ],
)
def test_impossible_input_is_refused(arguments, part):
    with pytest.raises(EstimationError, match=part):
        drift(*arguments)
    with pytest.raises(EstimationError, match=r"-0\.1"):
        drift([0.0, 1.0], [0.4, 0.5], run_sd=-0.1)
