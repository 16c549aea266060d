"""Robust estimators against published values, their own definitions, and values that no lab should send."""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from repeatab.base.errors import EstimationError
from repeatab.estimation.q_hampel import hampel_mean, q_method, q_method_repeatability
from repeatab.estimation.robust import (
    StopRule,
    algorithm_a,
    algorithm_s,
    algorithm_s_factors,
    normalised_iqr,
    scaled_mad,
)

STANDARDS = Path(__file__).resolve().parents[1] / "reference" / "standards"
VALUES = st.lists(st.floats(0.05, 0.80).map(lambda v: round(v, 3)), min_size=3, max_size=25)


def flour():
    with (STANDARDS / "robust_copper_in_flour.csv").open(encoding="utf-8") as stream:
        return [float(row["result"]) for row in csv.DictReader(stream)]


def case(name):
    return json.loads((STANDARDS / f"{name}.json").read_text(encoding="utf-8"))


def single(values):
    return [[value] for value in values]


def test_copper_in_flour_by_algorithm_a():
    # Data: Analytical Methods Committee, Analyst 114 (1989) 1693-1702.
    expected = case("robust_copper_in_flour")["expected"]
    found = algorithm_a(flour())
    assert found.mean == pytest.approx(expected["algorithm_A_fixed_point"]["x_star"], abs=1e-9)
    assert found.sd == pytest.approx(expected["algorithm_A_fixed_point"]["s_star"], abs=1e-9)
    # Venables & Ripley (2002), section 5.5: Huber's proposal 2 solves the same equations with 1.1334 for
    # 1.134.
    assert found.mean == pytest.approx(expected["huber_proposal_2_k1.5"]["mu"], abs=1e-3)
    assert found.sd == pytest.approx(expected["huber_proposal_2_k1.5"]["s"], rel=1e-3)
    assert np.median(flour()) == expected["median"]
    # 1.483 against the library's 1.4826.
    assert scaled_mad(flour()) == pytest.approx(
        expected["huber_k1.5_with_fixed_MAD_scale"]["s_MAD"], rel=3e-4
    )


def test_the_first_steps_of_copper_in_flour():
    """The recomputed sequence of x*, s*: after the printed third figure stands still the rule stops."""
    steps = case("robust_copper_in_flour")["recomputed"]["iterations_x_s"]
    by_rule = algorithm_a(flour(), stop=StopRule.THIRD_FIGURE)
    full = algorithm_a(flour())
    assert by_rule.iterations < full.iterations
    assert (
        by_rule.iterations > len(steps) - 1
    )  # the sixth pair still moves in the third figure (0.664, 0.670)
    assert round(by_rule.sd, 3) == pytest.approx(round(full.sd, 3), abs=1.01e-3)
    assert by_rule.mean == pytest.approx(full.mean, abs=1e-3)


def test_result_solves_the_equations_of_algorithm_a():
    x, found = np.array(flour()), algorithm_a(flour())
    drawn = np.clip(x, found.mean - 1.5 * found.sd, found.mean + 1.5 * found.sd)
    assert drawn.mean() == pytest.approx(found.mean, rel=1e-12)
    assert 1.134 * drawn.std(ddof=1) == pytest.approx(found.sd, rel=1e-11)


def test_algorithm_s_factors_as_printed():
    # ISO 5725-5:1998, 6.3, table of factors (three decimals). The print has 1.024 and 1.017 for xi at 6 and
    # 10 degrees of freedom, where the definition gives 1.0234 and 1.0164: up to 0.7 of a unit.
    table = case("algorithm_S_factors")
    for nu, eta, xi in zip(*(table["expected"][key] for key in ("nu", "eta", "xi")), strict=True):
        found = algorithm_s_factors(nu)
        assert round(found[0], 3) == eta
        assert found[1] == pytest.approx(xi, abs=7e-4)
    for nu, eta, xi in zip(range(1, 11), table["recomputed"]["eta"], table["recomputed"]["xi"], strict=True):
        assert algorithm_s_factors(nu) == pytest.approx((eta, xi), rel=1e-9)


@pytest.mark.parametrize("df", [1, 2.5, 30, 200])
def test_algorithm_s_factors_satisfy_their_definition(df):
    eta, xi = algorithm_s_factors(df)
    assert stats.chi2.sf(df * eta**2, df) == pytest.approx(0.10, rel=1e-9)
    # For a normal sample of sigma 1 the drawn-in mean square has expectation 1 / xi^2.
    inside, _ = integrate.quad(lambda w: w / df * stats.chi2.pdf(w, df), 0, df * eta**2)
    assert inside + 0.10 * eta**2 == pytest.approx(1 / xi**2, rel=1e-7)


def test_serum_glucose_by_algorithm_s():
    # Method ISO 5725-5:1998, 6.3; data ASTM E691, table 1; values recomputed, no printed example.
    expected = case("algorithm_S_on_serum_glucose")["expected"]
    cells = case("e691_serum_glucose")["recomputed"]
    for material, value in expected["s_star_r"].items():
        # The cell standard deviations stand in the file with ten digits.
        assert algorithm_s(cells[material]["cell_s"], 2).sd == pytest.approx(value, rel=1e-8)
    suspect = algorithm_s(cells["material_C_with_148.30"]["cell_s"], 2).sd
    assert suspect == pytest.approx(expected["s_star_r_material_C_with_148.30"], rel=1e-8)


def test_result_solves_the_equation_of_algorithm_s():
    w = np.array([0.2, 0.5, 1.1, 0.7, 0.9, 6.6])
    found = algorithm_s(w, 2)
    again = found.xi * np.sqrt(np.mean(np.minimum(w, found.eta * found.sd) ** 2))
    assert again == pytest.approx(found.sd, rel=1e-12)


def test_q_method_by_hand():
    """Three laboratories, one value each, differences 1, 2, 3: H jumps to 1/3, 2/3, 1; G = 1/6, 1/2, 5/6
    there.

    G^-1(0.25) = 1 + (0.25 - 1/6) / (1/2 - 1/6) = 1.25, so s* = 1.25 / (sqrt(2) z_0.625). Source: the
    formulas of ISO 13528:2022, C.5.2.
    """
    assert q_method([[0.0], [1.0], [3.0]]) == pytest.approx(
        1.25 / (math.sqrt(2) * stats.norm.ppf(0.625)), rel=1e-9
    )


def test_q_method_for_repeatability_by_hand():
    """Two laboratories of two results, differences 1 and 3: H = 1/2, 1; G = 1/4, 3/4; G^-1(0.5) = 2."""
    found = q_method_repeatability([[0.0, 1.0], [5.0, 8.0], [7.0]])
    assert found == pytest.approx(2 / (math.sqrt(2) * stats.norm.ppf(0.75)), rel=1e-9)


def test_q_method_weighs_every_pair_of_laboratories_alike():
    """Repeating each result of a laboratory changes neither its weight nor the answer."""
    once = [[0.40], [0.42, 0.43], [0.39], [0.47]]
    assert q_method([cell * 3 for cell in once]) == pytest.approx(q_method(once), rel=1e-12)


def test_q_method_with_ties_uses_the_height_at_zero():
    """Four laboratories, two of them equal: H(0) = 1/6 (one pair of six), so the level is 0.25 + 0.75/6."""
    values = [0.0, 0.0, 1.0, 3.0]
    # Differences 0; 1, 1; 2; 3, 3: H = 1/6 at 0, 1/2 at 1, 2/3 at 2, 1 at 3; G = 1/4 at 1, 7/12 at 2.
    place = 1 + (0.375 - 0.25) / (7 / 12 - 0.25)
    expected = place / (math.sqrt(2) * stats.norm.ppf(0.625 + 0.375 / 6))
    assert q_method(single(values)) == pytest.approx(expected, rel=1e-9)


def test_readings_equally_far_apart_are_one_jump():
    # 0.42 - 0.41 and 0.41 - 0.40 differ in the last binary digit; thousandths of them do not.
    fine = q_method(single([0.40, 0.41, 0.42, 0.43]))
    whole = q_method(single([40, 41, 42, 43]))
    assert fine == pytest.approx(whole / 100, rel=1e-9)


def test_hampel_mean_solves_its_equation():
    x, sd = np.array(flour()), 0.6
    found = hampel_mean(x, sd).mean
    q = (x - found) / sd
    psi = np.where(
        np.abs(q) <= 1.5,
        q,
        np.where(
            np.abs(q) <= 3,
            1.5 * np.sign(q),
            np.where(np.abs(q) <= 4.5, np.sign(q) * (4.5 - np.abs(q)), 0),
        ),
    )
    assert psi.sum() == pytest.approx(0, abs=1e-12)


def test_hampel_mean_of_values_within_one_and_a_half_sd_is_the_mean():
    x = [0.40, 0.41, 0.43, 0.39]
    assert hampel_mean(x, 1.0).mean == pytest.approx(np.mean(x), rel=1e-14)


def test_hampel_mean_ignores_a_value_far_away_altogether():
    x = [0.40, 0.41, 0.43, 0.39, 0.42]
    assert hampel_mean([*x, 1e6], 0.02).mean == pytest.approx(hampel_mean(x, 0.02).mean, rel=1e-12)


def test_two_roots_equally_near_give_the_median():
    found = hampel_mean([0.0, 0.0, 100.0, 100.0], 1.0)
    assert len(found.solutions) >= 2
    assert found.mean == 50.0


@given(values=VALUES, shift=st.floats(-3, 3), scale=st.floats(0.5, 200))
def test_shift_and_scale_of_the_values(values, shift, scale):
    x = np.array(values)
    y = scale * (x + shift)
    first, second = algorithm_a(x), algorithm_a(y)
    assert second.mean == pytest.approx(scale * (first.mean + shift), abs=1e-6 * scale)
    assert second.sd == pytest.approx(scale * first.sd, rel=1e-5, abs=1e-7 * scale)
    assert q_method(single(y)) == pytest.approx(scale * q_method(single(x)), rel=1e-6, abs=1e-12)


@given(values=VALUES, seed=st.integers(0, 99))
def test_order_of_values_does_not_matter(values, seed):
    mixed = list(np.random.default_rng(seed).permutation(values))
    assert algorithm_a(mixed).sd == pytest.approx(algorithm_a(values).sd, rel=1e-9, abs=1e-12)
    assert q_method(single(mixed)) == pytest.approx(q_method(single(values)), rel=1e-9)
    if q_method(single(values)) > 0:
        sd = q_method(single(values))
        assert hampel_mean(mixed, sd).mean == pytest.approx(hampel_mean(values, sd).mean, abs=1e-9)


def test_large_common_part_costs_no_digits():
    x = np.array([0.1, 0.3, 0.2, 0.6, 0.25])
    assert algorithm_a(x + 2.0**30).sd == pytest.approx(algorithm_a((x + 2.0**30) - 2.0**30).sd, rel=1e-12)


@pytest.mark.parametrize(
    ("values", "mean", "positive"),
    [
        ([0.40] * 5, 0.40, False),
        ([0.40] * 7 + [0.90], 0.40, False),
        ([0.40, 0.40, 0.40, 0.40, 0.41, 0.42, 0.39], 0.4025, True),
    ],
)
def test_ties_and_zero_median_deviation_have_an_answer(values, mean, positive):
    """MADe is zero in all three; where almost all values are equal the iteration goes to zero, and says
    so."""
    assert scaled_mad(values) == 0
    found = algorithm_a(values)
    assert found.mean == pytest.approx(mean, abs=1e-4)
    assert (found.sd > 0) is positive


def test_algorithm_s_with_more_than_half_of_the_cells_without_scatter():
    w = [0.0, 0.0, 0.0, 0.01, 0.01]
    found = algorithm_s(w, 1)
    assert found.sd == pytest.approx(found.xi * 0.01 * math.sqrt(2 / 5), rel=1e-9)
    assert algorithm_s([0.0, 0.0], 1).sd == 0


def algorithm_a_step_by_step(values, most):
    """Algorithm A as ISO 13528:2022, C.3.1 writes it, to the point where nothing changes; None if it
    creeps.
    """
    x = np.array(values)
    mean, sd = np.median(x), scaled_mad(x)
    for _ in range(most):
        drawn = np.clip(x, mean - 1.5 * sd, mean + 1.5 * sd)
        before, mean, sd = (mean, sd), drawn.mean(), 1.134 * drawn.std(ddof=1)
        if abs(mean - before[0]) + abs(sd - before[1]) <= 1e-12 * sd:
            return mean, sd
    return None


def test_leaps_end_where_the_steps_of_the_standard_end():
    """Where about a quarter of the values lies far off the steps creep, and ours leaps; the end is the
    same.
    """
    rng = np.random.default_rng(31)
    slow = 0
    for _ in range(300):
        p = int(rng.integers(8, 60))
        x = np.round(rng.normal(size=p), 2)
        x[: round(p * rng.uniform(0.1, 0.35))] += rng.choice([3.0, 30.0, 1e4])
        expected = algorithm_a_step_by_step(x, 20_000)
        if expected is None:
            continue
        found = algorithm_a(x)
        slow += found.iterations > 40
        assert found.iterations < 200
        assert (found.mean, found.sd) == pytest.approx(expected, rel=1e-7)
    assert slow > 30


def test_a_quarter_far_off_settles_though_plain_steps_would_take_hundreds_of_thousands():
    # 7 of 28: each plain step would shrink s* by a ten-thousandth only.
    x = [0.0] * 21 + [1e6] * 7
    assert algorithm_a_step_by_step([*np.linspace(-1, 1, 21), *x[21:]], 5000) is None
    found = algorithm_a([*np.linspace(-1, 1, 21), *x[21:]])
    assert found.iterations < 200
    drawn = np.clip(
        [*np.linspace(-1, 1, 21), *x[21:]], found.mean - 1.5 * found.sd, found.mean + 1.5 * found.sd
    )
    assert 1.134 * drawn.std(ddof=1) == pytest.approx(found.sd, rel=1e-9)


def test_algorithm_s_near_its_slowest_share():
    # 4 of 13 with one degree of freedom: a plain step changes w* by a thousandth.
    w = np.array([0.01, 0.02, 0.015, 0.03, 0.01, 0.02, 0.025, 0.01, 0.02, 5.0, 6.0, 7.0, 8.0])
    found = algorithm_s(w, 1)
    assert found.iterations < 200
    again = found.xi * np.sqrt(np.mean(np.minimum(w, found.eta * found.sd) ** 2))
    assert again == pytest.approx(found.sd, rel=1e-9)


def test_starts_by_hand():
    # Values 1 to 9: median 5, median deviation 2; quartiles 3 and 7.
    x = np.arange(1.0, 10.0)
    assert scaled_mad(x) == pytest.approx(1.483 * 2, rel=1e-14)
    assert normalised_iqr(x) == pytest.approx(0.7413 * 4, rel=1e-14)


@pytest.mark.parametrize(
    ("call", "part"),
    [
        (lambda: algorithm_a([0.4, 0.5]), "found 2 values, expected at least 3"),
        (lambda: algorithm_a([0.4, np.nan, 0.5]), "value 2 of 3"),
        (lambda: algorithm_s([0.1, -0.2], 1), "-0.2"),
        (lambda: algorithm_s([0.1, 0.2], 0), "0 degrees of freedom"),
        (lambda: algorithm_s([], 1), "found 0 values"),
        (lambda: q_method([[0.4], [0.5]]), "2 laboratories"),
        (lambda: q_method([[0.4], [], [0.5]]), "found 0 values"),
        (lambda: q_method_repeatability([[0.4], [0.5]]), "two results"),
        (lambda: hampel_mean([0.4, 0.5], -1.0), "-1.0"),
        (lambda: hampel_mean([0.4, np.inf], 1.0), "value 2 of 2"),
    ],
)
def test_values_that_cannot_be_are_refused(call, part):
    with pytest.raises(EstimationError, match=part):
        call()
