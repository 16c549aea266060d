"""Staggered nested designs: published coefficients and formulas, recovery of simulated components."""

from fractions import Fraction

import numpy as np
import pytest

from repeatab.base.errors import EstimationError
from repeatab.interlab.staggered import staggered_coefficients, staggered_nested

# ISO 5725-3:1994, annex C, tables C.1 to C.4, expected mean squares of staggered nested designs; from memory.
PRINTED = {
    3: [(3, Fraction(5, 3), 1), (0, Fraction(4, 3), 1), (0, 0, 1)],
    4: [
        (4, Fraction(5, 2), Fraction(3, 2), 1),
        (0, Fraction(3, 2), Fraction(7, 6), 1),
        (0, 0, Fraction(4, 3), 1),
        (0, 0, 0, 1),
    ],
    5: [
        (5, Fraction(17, 5), Fraction(11, 5), Fraction(7, 5), 1),
        (0, Fraction(8, 5), Fraction(13, 10), Fraction(11, 10), 1),
        (0, 0, Fraction(3, 2), Fraction(7, 6), 1),
        (0, 0, 0, Fraction(4, 3), 1),
        (0, 0, 0, 0, 1),
    ],
    6: [
        (6, Fraction(13, 3), 3, 2, Fraction(4, 3), 1),
        (0, Fraction(5, 3), Fraction(7, 5), Fraction(6, 5), Fraction(16, 15), 1),
        (0, 0, Fraction(8, 5), Fraction(13, 10), Fraction(11, 10), 1),
        (0, 0, 0, Fraction(3, 2), Fraction(7, 6), 1),
        (0, 0, 0, 0, Fraction(4, 3), 1),
        (0, 0, 0, 0, 0, 1),
    ],
}


@pytest.mark.parametrize("factors", [3, 4, 5, 6])
def test_staggered_coefficients_as_printed(factors):
    assert list(staggered_coefficients(factors)) == PRINTED[factors]


def test_three_factor_staggered_formulas_as_printed():
    # ISO 5725-3:1994, C.1: s0^2 = MS0/3 - 5 MS1/12 + MSe/12, s1^2 = 3 (MS1 - MSe)/4; from memory.
    y = np.random.default_rng(8).normal(size=(9, 3)) + np.random.default_rng(9).normal(size=(9, 1))
    found = staggered_nested(y, ["laboratory", "day", "repeatability"])
    w1, w2 = y[:, 0] - y[:, 1], y[:, :2].mean(axis=1) - y[:, 2]
    ms = [
        3 * np.sum((y.mean(axis=1) - y.mean()) ** 2) / 8,
        2 / 3 * np.sum(w2**2) / 9,
        np.sum(w1**2) / 2 / 9,
    ]
    assert [component.mean_square for component in found.components] == pytest.approx(ms, rel=1e-12)
    expected = [ms[0] / 3 - 5 * ms[1] / 12 + ms[2] / 12, 3 * (ms[1] - ms[2]) / 4, ms[2]]
    assert [component.raw_variance for component in found.components] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("factors", [3, 4, 5, 6])
def test_staggered_estimates_are_unbiased(factors):
    """The mean over many laboratories of simulated components; bound: four standard errors, seed fixed."""
    rng = np.random.default_rng(17)
    p, truth = 40_000, np.arange(factors, 0, -1) / factors
    y = np.zeros((p, factors))
    for factor, variance in enumerate(truth):
        together = factors - factor
        effect = np.sqrt(variance) * rng.normal(size=(p, factor + 1))
        classes = np.concatenate([np.zeros(together, dtype=int), np.arange(1, factor + 1)])
        y += effect[:, classes]
    names = [f"factor {i}" for i in range(factors)]
    found = [component.raw_variance for component in staggered_nested(y, names).components]
    # A variance estimated from 40 000 laboratories has a standard error below 1.5 % of the total.
    assert found == pytest.approx(truth, abs=4 * 0.015 * truth.sum() / 2)


def test_negative_component_is_kept_raw_and_reported_as_zero():
    # Two runs of a day lie far apart, their mean on the run of the other day.
    y = np.array([[0.0, 4.0, 2.0], [1.0, 3.1, 2.0], [4.1, 0.2, 2.1]])
    found = staggered_nested(y, ["laboratory", "day", "repeatability"])
    assert found.components[1].raw_variance < 0
    assert found.components[1].sd == 0


@pytest.mark.parametrize(
    ("call", "part"),
    [
        (lambda: staggered_nested(np.zeros((5, 7)), list("abcdefg")), "3 to 6 results"),
        (lambda: staggered_nested(np.zeros((1, 3)), list("abc")), "3 to 6 results"),
        (lambda: staggered_nested(np.zeros((4, 3)), ["a", "b", "b"]), "3 different"),
        (lambda: staggered_nested(np.full((4, 3), np.nan), list("abc")), "not finite"),
        (lambda: staggered_coefficients(1), "at least 2"),
    ],
)
def test_designs_that_do_not_fit_are_refused(call, part):
    with pytest.raises(EstimationError, match=part):
        call()
