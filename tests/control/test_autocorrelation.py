"""Whether neighbours resemble each other: exact p values, and a first-order model against a general
library.
"""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from repeatab.base.errors import EstimationError
from repeatab.control.autocorrelation import autocorrelation, first_order, positive_probability
from repeatab.control.limits import individual_limits

# Durbin & Watson (1951), Biometrika 38, 159-178, table 4: bounds at 5 % (two and three decimals from memory).
BOUNDS = {(15, 1): (1.077, 1.361), (20, 1): (1.201, 1.411), (50, 1): (1.503, 1.585), (15, 2): (0.946, 1.543)}


@pytest.mark.parametrize(("n", "regressors"), BOUNDS)
def test_inversion_gives_the_durbin_watson_bounds(n, regressors):
    values = 4 * np.sin(np.pi * np.arange(1, n) / (2 * n)) ** 2
    for chosen, printed in zip(
        (values[: n - 1 - regressors], values[regressors:]), BOUNDS[n, regressors], strict=True
    ):
        found = brentq(lambda d, chosen=chosen: 0.95 - positive_probability(chosen - d), 0.3, 1.9)
        assert found == pytest.approx(printed, abs=5.1e-4)


def test_inversion_of_known_forms():
    # Sums of chi-squares with equal weights against each other are F distributed.
    found = positive_probability(np.array([1.0] * 3 + [-0.5] * 7))
    assert found == pytest.approx(stats.f.sf(0.5 * 7 / 3, 3, 7), abs=1e-9)
    assert positive_probability(np.array([1.0, -1.0])) == pytest.approx(0.5, abs=1e-9)
    assert positive_probability(np.array([2.0, 1.0])) == pytest.approx(1.0, abs=1e-9)


def carried(n, carry, seed):
    rng = np.random.default_rng(seed)
    x = np.empty(n)
    x[0] = rng.standard_normal() / math.sqrt(1 - carry**2)
    for i in range(1, n):
        x[i] = carry * x[i - 1] + rng.standard_normal()
    return x


@pytest.mark.parametrize("n", [6, 15])
def test_p_values_of_independent_results_are_uniform(n):
    rng = np.random.default_rng(51)
    p = [autocorrelation(rng.standard_normal(n)).p for _ in range(700)]
    assert stats.kstest(p, "uniform").pvalue > 0.01


def test_many_results_use_the_moments_without_a_jump():
    # Moran (1948); 400 results are inverted exactly, 401 are not.
    x = carried(401, 0.1, 52)
    assert autocorrelation(x).p == pytest.approx(autocorrelation(x[:400]).p, abs=0.01)


def test_resembling_neighbours_are_noticed_with_their_sign():
    up, down = autocorrelation(carried(40, 0.7, 53)), autocorrelation(carried(40, -0.7, 53))
    assert up.lag_one > 0.3
    assert down.lag_one < -0.3
    assert max(up.p, down.p) < 0.01
    assert "40 results" in str(up)


@pytest.mark.parametrize("carry", [0.6, -0.3])
def test_first_order_model_agrees_with_exact_likelihood(carry):
    from statsmodels.tsa.arima.model import ARIMA

    x = 5 + carried(60, carry, 54)
    general = ARIMA(x, order=(1, 0, 0), trend="c").fit()
    found = first_order(x)
    raw = (found.carry - 1 / 60) / (1 + 3 / 60)
    # The library stops its optimiser at about 1e-5.
    assert raw == pytest.approx(general.params[1], abs=1e-4)
    assert found.centre == pytest.approx(general.params[0], abs=0.05)


def test_the_correction_takes_most_of_the_bias_away():
    found = [first_order(carried(25, 0.6, seed)) for seed in range(300)]
    # Uncorrected the mean is 0.6 − (1 + 1.8)/25 = 0.49; Marriott & Pope (1954).
    assert np.mean([model.carry for model in found]) == pytest.approx(0.6, abs=0.05)
    assert np.mean([model.step_sd for model in found]) == pytest.approx(1.0, abs=0.03)


def test_residuals_are_what_the_model_did_not_carry_over():
    x = 3 + carried(400, 0.8, 55)
    model = first_order(x)
    found = model.residuals(x)
    assert abs(autocorrelation(found).lag_one) < 0.15
    assert found.std() == pytest.approx(model.step_sd, rel=0.02)
    assert model.residuals(x[1:], before=float(x[0])) == pytest.approx(found[1:], abs=1e-12)
    assert model.residuals([]).size == 0
    # Beyond moving-range limits of the results themselves lies what the model says, far more than 0.27 %.
    limits = individual_limits(x)
    beyond = np.mean(np.abs(limits.standardised(x)) > 3)
    assert beyond == pytest.approx(model.false_alarms_if_ignored(), abs=0.06)
    assert beyond > 0.1


def test_a_step_shows_fully_in_the_first_residual_only():
    model = first_order(carried(200, 0.5, 56))
    step = np.r_[np.zeros(3), np.ones(3)] + model.centre
    found = model.residuals(step)
    assert found == pytest.approx([0, 0, 0, 1, 1 - model.carry, 1 - model.carry], abs=1e-12)


def test_too_few_or_equal_results_are_refused():
    with pytest.raises(EstimationError, match="at least 5"):
        autocorrelation([1, 2, 3, 4])
    for ask in (autocorrelation, first_order):
        with pytest.raises(EstimationError, match="all results are equal"):
            ask([0.38] * 8)
