"""Dependence of precision on the level: ISO 5725-2:1994, 7.5 and the example B.3 (titration of creosote
oil)."""

import numpy as np
import pytest

from repeatab.base.errors import EstimationError
from repeatab.interlab.level_dependence import Form, level_dependence

# ISO 5725-2:1994, B.3, thermometric titration of creosote oil: means and s_r of five levels; from memory,
# confirmed by the remembered steps of the fit below, which follow from them digit by digit.
MEANS = np.array([3.94, 8.28, 14.18, 15.59, 20.41])
S_R = np.array([0.092, 0.179, 0.127, 0.337, 0.393])
DF = np.full(5, 8.0)


def test_published_steps_of_the_straight_line():
    # Printed: second line 0.030 + 0.0156 m, third 0.032 + 0.0154 m (called an unimportant change).
    second = level_dependence(MEANS, S_R, DF).fit(Form.LINEAR)
    third = level_dependence(MEANS, S_R, DF, steps=3).fit(Form.LINEAR)
    assert second.intercept == pytest.approx(0.030, abs=6e-4)
    assert second.slope == pytest.approx(0.0156, abs=1.01e-4)
    assert third.intercept == pytest.approx(0.032, abs=6e-4)
    assert third.slope == pytest.approx(0.0154, abs=6e-5)


def test_published_proportion():
    # Printed: s_r = 0.019 m.
    assert round(level_dependence(MEANS, S_R, DF).fit(Form.PROPORTIONAL).slope, 3) == 0.019


def test_each_form_is_found_again_from_exact_values():
    m = np.array([0.2, 0.4, 0.8, 1.6])
    df = np.full(4, 40.0)
    for form, s in (
        (Form.CONSTANT, np.full(4, 0.02)),
        (Form.PROPORTIONAL, 0.03 * m),
        (Form.LINEAR, 0.01 + 0.03 * m),
        (Form.POWER, 0.03 * m**2.5),
    ):
        found = level_dependence(m, s, df)
        assert found.recommended is form
        fit = found.fit(form)
        assert fit.deviance == pytest.approx(0, abs=1e-12)
        assert fit.fitted == pytest.approx(s, rel=1e-9)
        assert fit.at(0.4) == pytest.approx(s[1], rel=1e-9)
    power = level_dependence(m, 0.03 * m**2.5, df).fit(Form.POWER)
    assert power.slope == pytest.approx(2.5, rel=1e-9)
    assert 10**power.intercept == pytest.approx(0.03, rel=1e-9)


def test_sulfur_in_coal_shows_no_dependence_worth_more_than_one_coefficient():
    # ISO 5725-2:1994, B.1.6: "none assumed".
    found = level_dependence(
        np.array([0.690, 1.252, 1.667, 3.250]), np.array([0.015, 0.029, 0.017, 0.026]), np.full(4, 19.0)
    )
    assert found.recommended in (Form.CONSTANT, Form.PROPORTIONAL)


def test_scale_of_the_unit_does_not_change_the_recommendation():
    for unit in (1.0, 1000.0, 1e-3):
        assert (
            level_dependence(MEANS * unit, S_R * unit, DF).recommended
            is level_dependence(MEANS, S_R, DF).recommended
        )


def test_two_levels_are_fitted_by_what_has_one_coefficient_and_nothing_is_recommended():
    found = level_dependence(np.array([0.3, 0.4]), np.array([0.01, 0.02]), np.array([8.0, 8.0]))
    assert found.recommended is None
    assert {fit.form for fit in found.fits} == {Form.CONSTANT, Form.PROPORTIONAL}
    with pytest.raises(KeyError, match="lg s"):
        found.fit(Form.POWER)


def test_a_level_without_scatter_or_at_zero_leaves_the_forms_that_need_logarithms_out():
    zero_s = level_dependence(np.array([0.2, 0.4, 0.8]), np.array([0.0, 0.02, 0.04]), np.full(3, 8.0))
    assert {fit.form for fit in zero_s.fits} == {Form.CONSTANT, Form.PROPORTIONAL}
    zero_m = level_dependence(np.array([0.0, 0.4, 0.8]), np.array([0.01, 0.02, 0.04]), np.full(3, 8.0))
    assert {fit.form for fit in zero_m.fits} == {Form.CONSTANT, Form.LINEAR}


@pytest.mark.parametrize(
    ("m", "s", "df", "part"),
    [
        ([1.0, 2.0], [0.1], [8, 8], "as many of each"),
        ([1.0], [0.1], [8], "at least two"),
        ([1.0, 2.0, 3.0], [0.1, -0.1, 0.2], [8, 8, 8], "at least zero"),
        ([1.0, 2.0, np.nan], [0.1, 0.1, 0.2], [8, 8, 8], "finite"),
    ],
)
def test_impossible_input_is_refused(m, s, df, part):
    with pytest.raises(EstimationError, match=part):
        level_dependence(np.array(m), np.array(s), np.array(df, dtype=float))
