"""Consensus of results with stated uncertainties.

Source: thirteen trials of Colditz et al., JAMA 271 (1994) 698-702; values of the three methods as printed by
Viechtbauer, J. Stat. Softw. 36(3) (2010), with more digits from the library described there.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from repeatab.base.errors import EstimationError, StudyError
from repeatab.interlab.consensus import ConsensusMethod, consensus

METHODS = {"mandel-paule": "Mandel-Paule", "dersimonian-laird": "DerSimonian-Laird", "reml": "REML"}


@pytest.fixture
def trials(published):
    rows = published.rows("consensus_bcg_trials")
    return np.array([float(r["y"]) for r in rows]), np.sqrt([float(r["variance"]) for r in rows])


@pytest.mark.parametrize("method", METHODS)
def test_trials_as_published(published, trials, method):
    expected = published.case("consensus_bcg_trials")["expected"]
    found = consensus(*trials, method=method)
    printed = expected[METHODS[method]]
    # Eight decimals in the file; the library's own REML and Mandel-Paule iterations stop at about 1e-5 in
    # tau^2.
    loose = {"dersimonian-laird": 1.1e-8}.get(method, 3e-5)
    assert found.value == pytest.approx(printed["mean"], abs=loose)
    assert found.standard_uncertainty == pytest.approx(printed["se"], abs=loose)
    assert found.between_sd**2 == pytest.approx(printed["tau2"], abs=loose)
    assert found.heterogeneity == pytest.approx(expected["Q"], abs=1e-6)
    assert found.method is ConsensusMethod(method)


def test_mandel_paule_solves_its_equation(trials):
    y, u = trials
    found = consensus(y, u, method=ConsensusMethod.MANDEL_PAULE)
    w = 1 / (u**2 + found.between_sd**2)
    assert np.sum(w * (y - found.value) ** 2) == pytest.approx(len(y) - 1, rel=1e-10)
    assert found.standard_uncertainty == pytest.approx(1 / np.sqrt(w.sum()), rel=1e-14)


def test_reml_is_the_optimum_of_the_restricted_likelihood(trials):
    y, u = trials
    best = consensus(y, u, method="reml").between_sd ** 2

    def log_likelihood(tau2):
        v = u**2 + tau2
        mean = np.sum(y / v) / np.sum(1 / v)
        return -0.5 * (np.sum(np.log(v)) + np.log(np.sum(1 / v)) + np.sum((y - mean) ** 2 / v))

    step = 1e-4 * best
    slope = (log_likelihood(best + step) - log_likelihood(best - step)) / (2 * step)
    assert slope == pytest.approx(0, abs=1e-6)
    assert log_likelihood(best) > max(log_likelihood(best * f) for f in (0.5, 0.9, 1.1, 2.0))


def test_equal_uncertainties_give_the_plain_mean_and_one_answer_for_all_methods():
    """Balanced: every method gives the variance of the values less u^2 (Searle, Casella & McCulloch 1992,
    4.4)."""
    y, u = np.array([0.40, 0.44, 0.38, 0.43]), 0.01
    for method in METHODS:
        found = consensus(y, [u] * 4, method=method)
        assert found.value == pytest.approx(y.mean(), rel=1e-12)
        assert found.between_sd**2 == pytest.approx(y.var(ddof=1) - u**2, rel=1e-9)
        assert found.standard_uncertainty == pytest.approx(y.std(ddof=1) / 2, rel=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_values_that_agree_within_their_uncertainties_have_no_between_scatter(method):
    found = consensus([0.400, 0.401, 0.399], [0.01, 0.02, 0.01], method=method)
    assert found.between_sd == 0
    assert found.standard_uncertainty == pytest.approx(1 / np.sqrt(1e4 + 2500 + 1e4), rel=1e-12)


@given(
    values=st.lists(st.floats(0.1, 0.8), min_size=2, max_size=9),
    scale=st.floats(0.1, 1000),
    method=st.sampled_from(list(ConsensusMethod)),
)
def test_shift_and_scale(values, scale, method):
    u = 0.01 + 0.01 * np.arange(len(values))
    first = consensus(values, u, method)
    second = consensus(scale * (np.array(values) + 1), scale * u, method)
    assert second.value == pytest.approx(scale * (first.value + 1), rel=1e-6)
    assert second.between_sd == pytest.approx(scale * first.between_sd, rel=1e-4, abs=1e-5 * scale)


def test_exactly_equal_values():
    for method in METHODS:
        assert consensus([0.4, 0.4, 0.4], [0.01] * 3, method=method).value == 0.4


@pytest.mark.parametrize(
    ("values", "u", "part"),
    [
        ([0.4], [0.1], "at least two"),
        ([0.4, 0.5], [0.1], "as many of each"),
        ([0.4, 0.5], [0.1, 0.0], "result 2"),
        ([0.4, np.nan], [0.1, 0.1], "result 2"),
        ([0.4, 0.5], [-0.1, 0.1], "result 1"),
    ],
)
def test_impossible_input_is_refused(values, u, part):
    with pytest.raises(EstimationError, match=part):
        consensus(values, u)


def test_unknown_method_names_the_nearest():
    with pytest.raises(StudyError, match="Did you mean 'mandel-paule'"):
        consensus([0.4, 0.5], [0.1, 0.1], method="mandel-paul")
