"""Nested designs: published coefficients, published data, exact recovery."""

from fractions import Fraction

import numpy as np
import pytest

from repeatab.base.errors import EstimationError
from repeatab.base.interval import IntervalMethod
from repeatab.interlab.intermediate import fully_nested, staggered_coefficients, staggered_nested

# Davies & Goldsmith (1972), Statistical Methods in Research and Production, strength of a chemical paste:
# ten batches, three casks each, two tests each (object Pastes of the lme4 package, in the order of batch and
# cask).
PASTE = [
    62.8, 62.6, 60.1, 62.3, 62.7, 63.1, 60.0, 61.4, 57.5, 56.9, 61.1, 58.9,
    58.7, 57.5, 63.9, 63.1, 65.4, 63.7, 57.1, 56.4, 56.9, 58.6, 64.7, 64.5,
    55.1, 55.1, 54.7, 54.2, 58.8, 57.5, 63.4, 64.9, 59.3, 58.1, 60.5, 60.0,
    62.5, 62.6, 61.0, 58.7, 56.9, 57.7, 59.2, 59.4, 65.2, 66.0, 64.8, 64.1,
    54.8, 54.8, 64.0, 64.0, 57.7, 56.8, 58.3, 59.3, 59.2, 59.2, 58.9, 56.6,
]  # fmt: skip


def test_paste_strength_components():
    # REML = moment estimates of this balanced layout: 1.6573, 8.4337, 0.6780 (Bates, lme4; Davies &
    # Goldsmith).
    found = fully_nested(np.array(PASTE).reshape(10, 3, 2), ["batch", "cask", "repeatability"])
    variances = [component.variance for component in found.components]
    assert variances == pytest.approx([1.65730864197528, 8.43366666666677, 0.678], rel=1e-9)
    squares = [component.mean_square for component in found.components]
    assert squares == pytest.approx([27.4891851851852, 17.5453333333333, 0.678], rel=1e-9)
    assert [component.df for component in found.components] == [9, 20, 30]
    assert [component.expected for component in found.components] == [(6, 2, 1), (0, 2, 1), (0, 0, 1)]
    assert found.mean == pytest.approx(60.0533333333333, rel=1e-12)
    assert found.s_r == pytest.approx(0.823407554009556, rel=1e-9)
    assert found.intermediate_sd(["cask"]) == pytest.approx(np.sqrt(8.43366666666677 + 0.678), rel=1e-9)
    assert found.s_R == pytest.approx(np.sqrt(sum(variances)), rel=1e-12)
    assert found.components[2].interval.method is IntervalMethod.CHI_SQUARE
    for component in found.components:
        assert component.interval.lower <= component.sd <= component.interval.upper


def test_two_nested_factors_are_the_one_way_layout():
    from repeatab.interlab.level import LevelCells
    from repeatab.interlab.precision import precision

    y = np.array(PASTE).reshape(10, 6)
    found = fully_nested(y, ["laboratory", "repeatability"])
    one_way = precision(LevelCells.from_results(level=1, results=dict(enumerate(y))))
    assert found.components[0].raw_variance == pytest.approx(one_way.raw_between_variance, rel=1e-12)
    assert found.components[0].interval.upper == pytest.approx(one_way.s_L_interval.upper, rel=1e-12)
    assert found.s_R == pytest.approx(one_way.s_R, rel=1e-12)


def test_four_nested_factors_agree_with_a_general_library():
    """Sequential sums of squares of an ordinary least-squares fit, nested term by nested term."""
    import pandas as pd
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    y = np.random.default_rng(3).normal(size=(4, 2, 3, 2)) + np.random.default_rng(4).normal(
        size=(4, 1, 1, 1)
    )
    index = np.indices(y.shape).reshape(4, -1)
    frame = pd.DataFrame({"y": y.ravel(), "a": index[0], "b": index[1], "c": index[2]}).astype(
        {"a": str, "b": str, "c": str}
    )
    table = anova_lm(smf.ols("y ~ a + a:b + a:b:c", frame).fit(), typ=1)
    found = fully_nested(y, ["a", "b", "c", "repeatability"])
    assert [component.mean_square for component in found.components] == pytest.approx(
        table["mean_sq"].tolist(), rel=1e-9
    )
    assert [component.df for component in found.components] == table["df"].tolist()


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
    assert found.components[0].interval is None


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
    y = np.array([[[0.0, 4.0], [1.0, 3.0]], [[0.1, 4.2], [1.2, 3.1]], [[4.1, 0.2], [3.0, 1.0]]])
    found = fully_nested(y, ["laboratory", "day", "repeatability"])
    assert found.components[1].raw_variance < 0
    assert found.components[1].sd == 0
    assert found.intermediate_sd(["day"]) == found.s_r


@pytest.mark.parametrize(
    ("call", "part"),
    [
        (lambda: fully_nested(np.zeros((3, 1)), ["a", "b"]), "at least two levels"),
        (lambda: fully_nested(np.zeros((3, 2)), ["a"]), "2 different"),
        (lambda: fully_nested(np.array([[1.0, np.nan], [1.0, 2.0]]), ["a", "b"]), "not finite"),
        (lambda: staggered_nested(np.zeros((5, 7)), list("abcdefg")), "3 to 6 results"),
        (lambda: staggered_nested(np.zeros((1, 3)), list("abc")), "3 to 6 results"),
        (lambda: staggered_nested(np.zeros((4, 3)), ["a", "b", "b"]), "3 different"),
        (lambda: staggered_coefficients(1), "at least 2"),
        (lambda: fully_nested(np.eye(3), ["a", "b"]).intermediate_sd(["a"]), "'a'"),
    ],
)
def test_designs_that_do_not_fit_are_refused(call, part):
    with pytest.raises(EstimationError, match=part):
        call()
