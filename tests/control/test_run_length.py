"""Run lengths against closed forms, identities and combinatorics: what must hold whatever the chart's
numbers.
"""

import math

import numpy as np
import pytest
from scipy import stats

from repeatab.base.errors import EstimationError
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.rule_states import rule_states
from repeatab.control.rules import PUBLISHED_RULES, RunRule
from repeatab.control.run_length import (
    RunLength,
    Sides,
    Start,
    average_run_length,
    residual_run_length,
    run_length,
)

EVERY_RULE = tuple(rule for words, rule in PUBLISHED_RULES.items() if words != "eight on one side")
CHARTS = [
    Shewhart(),
    Shewhart(rules=(RunRule.one_side(2, of=3, sigmas=2), RunRule.same_side(9))),
    Shewhart(rules=(RunRule.trend(5), RunRule.one_side(2, of=3, sigmas=1.5))),
    Ewma(weight=0.15, limit=2.7),
    Ewma(weight=0.15, limit=2.7, starting_limits=True),
    Cusum(reference=0.5, decision=4),
    Cusum(reference=0.25, decision=6, head_start=3),
]


@pytest.mark.parametrize("chart", CHARTS, ids=str)
@pytest.mark.parametrize("shift", [0.0, 0.7])
def test_average_is_the_sum_of_the_survival(chart, shift):
    found = run_length(chart, shift=shift)
    tail = found.survival[-1] / found.hazard
    # The hazard of a CUSUM settles to 1e-8 of itself, which is what the tail of a long run is known to.
    assert found.survival[:-1].sum() + tail == pytest.approx(found.average, rel=1e-7)
    assert found.survival[0] == 1
    assert np.all(np.diff(found.survival) <= 1e-15)


@pytest.mark.parametrize("chart", CHARTS, ids=str)
def test_a_shift_up_is_found_like_a_shift_down(chart):
    assert average_run_length(chart, shift=1.3) == pytest.approx(
        average_run_length(chart, shift=-1.3), rel=1e-9
    )


@pytest.mark.parametrize("chart", CHARTS, ids=str)
def test_quantiles_come_from_the_same_survival(chart):
    found = run_length(chart)
    for p in (0.05, 0.5, 0.99, 0.999999):
        points = found.quantile(p)
        assert found.without_signal(points) <= 1 - p + 1e-12
        assert found.without_signal(points - 1) > 1 - p - 1e-12


def test_shewhart_run_length_is_geometric():
    found = run_length(Shewhart(limit=2.5), shift=0.8, scale=1.2)
    p = stats.norm.sf((2.5 - 0.8) / 1.2) + stats.norm.cdf((-2.5 - 0.8) / 1.2)
    assert found.average == pytest.approx(1 / p, rel=1e-12)
    for q in (0.1, 0.5, 0.9):
        assert found.quantile(q) == stats.geom.ppf(q, p)
    assert run_length(Shewhart()).median == 257


@pytest.mark.parametrize("starting", [False, True])
def test_an_average_with_all_weight_on_the_last_point_is_a_shewhart_chart(starting):
    for shift in (0.0, 1.0):
        found = average_run_length(Ewma(weight=1, limit=3, starting_limits=starting), shift=shift)
        assert found == pytest.approx(average_run_length(Shewhart(), shift=shift), rel=1e-12)


def test_a_weight_near_one_leads_to_the_shewhart_chart():
    assert average_run_length(Ewma(weight=0.9999, limit=3)) == pytest.approx(
        average_run_length(Shewhart()), rel=1e-3
    )


def test_a_cusum_with_a_far_reference_is_a_one_point_chart():
    # With a reference far out, a sum signals when one point exceeds reference + decision, or hardly ever.
    found = average_run_length(Cusum(reference=3.0, decision=0.05))
    assert found == pytest.approx(1 / (2 * stats.norm.sf(3.05)), rel=2e-3)


def test_starting_limits_give_the_first_point_its_own_limit():
    chart = Ewma(weight=0.1, limit=2.7, starting_limits=True)
    found = run_length(chart, shift=1.0)
    assert 1 - found.survival[1] == pytest.approx(stats.norm.sf(1.7) + stats.norm.cdf(-3.7), rel=1e-9)
    # Two points: z₁ within its limit and z₂ = 0.9 z₁ + 0.1 x₂ within its own, by a double integral.
    x, w = np.polynomial.legendre.leggauss(80)
    z1, w1 = 0.27 * x, 0.27 * w
    h2 = chart.half_width_at(2)
    assert h2 == pytest.approx(2.7 * 0.1 * math.sqrt(1 + 0.9**2), rel=1e-12)
    inside = stats.norm.cdf((h2 - 0.9 * z1) / 0.1 - 1) - stats.norm.cdf((-h2 - 0.9 * z1) / 0.1 - 1)
    assert found.survival[2] == pytest.approx(w1 @ (stats.norm.pdf(z1 / 0.1 - 1) / 0.1 * inside), rel=1e-9)


def test_starting_limits_signal_sooner_and_settle_to_the_same_hazard():
    constant, starting = (run_length(Ewma(weight=0.1, limit=2.7, starting_limits=s)) for s in (False, True))
    assert starting.average < constant.average
    assert starting.hazard == pytest.approx(constant.hazard, rel=1e-7)


def test_one_side_of_a_cusum_and_both():
    chart = Cusum(reference=0.4, decision=5)
    up = average_run_length(chart, shift=0.5, sides=Sides.UPPER)
    down = average_run_length(chart, shift=-0.5, sides=Sides.UPPER)
    assert average_run_length(chart, shift=0.5) == pytest.approx(1 / (1 / up + 1 / down), rel=1e-12)


def test_points_that_scatter_more_than_assumed():
    # A scale of 2 with the limit at 3 is the limit at 1.5 in true standard deviations, for charts without
    # memory of the level, and for an EWMA or CUSUM with all its distances halved.
    assert average_run_length(Shewhart(), scale=2) == pytest.approx(average_run_length(Shewhart(limit=1.5)))
    assert average_run_length(Ewma(weight=0.2, limit=3), scale=2, shift=1) == pytest.approx(
        average_run_length(Ewma(weight=0.2, limit=1.5), shift=0.5), rel=1e-9
    )
    assert average_run_length(Cusum(reference=1, decision=8), scale=2, shift=1) == pytest.approx(
        average_run_length(Cusum(reference=0.5, decision=4), shift=0.5), rel=1e-9
    )
    rule, half = (Shewhart(limit=c, rules=(RunRule.one_side(2, of=3, sigmas=c * 2 / 3),)) for c in (3, 1.5))
    assert average_run_length(rule, scale=2) == pytest.approx(average_run_length(half), rel=1e-9)


def test_points_up_and_down_in_turn_follow_andre():
    # André (1881): of n! orders of n values 2 E_n go up and down in turn, with E_14 = 199 360 981.
    chart = Shewhart(limit=9, rules=(RunRule.alternating(14),))
    signalled = 1 - run_length(chart).survival[14]
    # Eight nodes in each zone of one standard deviation; thirteen integrations one after the other.
    assert signalled == pytest.approx(2 * 199360981 / math.factorial(14), rel=1e-4)


def test_a_trend_follows_from_counting_orders():
    # P(n values in order) = 2/n!; seven values with a run of six or more: orders counted one by one.
    found = run_length(Shewhart(limit=9, rules=(RunRule.trend(5),)))
    assert 1 - found.survival[5] == pytest.approx(2 / 120, rel=1e-6)
    from itertools import permutations

    count = 0
    for order in permutations(range(7)):
        steps = np.sign(np.diff(order))
        count += any(abs(steps[i : i + 4].sum()) == 4 for i in range(3))
    assert 1 - found.survival[7] == pytest.approx(count / math.factorial(7), rel=1e-5)


def test_trends_do_not_depend_on_level_or_scale():
    chart = Shewhart(limit=30, rules=(RunRule.trend(6),))
    assert average_run_length(chart, shift=2, scale=1.5) == pytest.approx(average_run_length(chart), rel=1e-5)


def test_points_in_a_row_have_a_closed_form():
    # Feller, An Introduction to Probability Theory, vol. 1, XIII.7: waiting time for r successes in a row.
    p = stats.norm.cdf(1) - stats.norm.cdf(-1)
    chart = Shewhart(limit=30, rules=(RunRule.close(15),))
    assert average_run_length(chart) == pytest.approx((1 - p**15) / ((1 - p) * p**15), rel=1e-10)
    away = Shewhart(limit=30, rules=(RunRule.away(8),))
    assert average_run_length(away) == pytest.approx((1 - (1 - p) ** 8) / (p * (1 - p) ** 8), rel=1e-10)
    one = Shewhart(limit=30, rules=(RunRule.same_side(9),))
    assert average_run_length(one) == pytest.approx(2**9 - 1, rel=1e-10)
    assert average_run_length(one, sides=Sides.UPPER) == pytest.approx(2**10 - 2, rel=1e-10)


def test_more_rules_never_run_longer():
    lengths = [average_run_length(Shewhart(rules=EVERY_RULE[:k])) for k in range(4)]
    assert lengths == sorted(lengths, reverse=True)


def test_states_that_cannot_be_told_apart_are_joined():
    # Two of three beyond two sigma: nothing, or one hit up or down one or two points ago: seven states.
    found = rule_states([RunRule.one_side(2, of=3, sigmas=2)], np.array([-2.5, 0.0, 2.5]), both_sides=True)
    assert found.successor.shape[0] == 7
    # Twice the same rule needs no more memory than once, once joined.
    twice = rule_states(
        [RunRule.one_side(2, of=3, sigmas=2)] * 2, np.array([-2.5, 0.0, 2.5]), both_sides=True
    )
    assert twice.successor.shape[0] == 7
    nested = rule_states([RunRule.same_side(8), RunRule.same_side(9)], np.array([-1.0, 1.0]), both_sides=True)
    assert nested.successor.shape[0] == 14
    assert nested.unreduced >= 14


def test_a_late_shift_is_found_sooner_or_later_than_one_at_the_start():
    for chart in (Shewhart(rules=EVERY_RULE[:2]), Ewma(weight=0.1, limit=2.7)):
        zero, steady = (average_run_length(chart, shift=1.0, start=start) for start in Start)
        assert steady < zero
    assert average_run_length(Shewhart(), shift=1.0, start=Start.STEADY) == pytest.approx(43.8947, rel=1e-5)


def test_without_a_shift_the_settled_chart_signals_at_its_hazard():
    chart = Ewma(weight=0.1, limit=2.7)
    settled = average_run_length(chart, start=Start.STEADY)
    assert settled == pytest.approx(1 / run_length(chart).hazard, rel=1e-8)


@pytest.mark.parametrize("chart", [c for c in CHARTS if not isinstance(c, Shewhart) or not c.rules], ids=str)
def test_a_huge_shift_is_found_at_the_first_points(chart):
    found = run_length(chart, shift=12.0)
    assert 1 <= found.average <= 2.0001
    assert found.without_signal(2) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    "chart", [Shewhart(limit=40), Ewma(weight=0.2, limit=12), Cusum(reference=5, decision=12)], ids=str
)
def test_a_chart_that_never_signals_says_so(chart):
    found = run_length(chart)
    assert found.average == math.inf
    assert found.without_signal(10_000) == pytest.approx(1.0, abs=1e-9)
    with pytest.raises(EstimationError, match="practically never"):
        found.quantile(0.5)


@pytest.mark.parametrize(
    ("ask", "part"),
    [
        (lambda: average_run_length(Ewma(weight=0.2, limit=3), sides=Sides.UPPER), "one side alone"),
        (lambda: average_run_length(Cusum(reference=0.5, decision=4), start=Start.STEADY), "one side only"),
        (lambda: average_run_length(Shewhart(), scale=0), "scale 0"),
        (lambda: average_run_length(Shewhart(), shift=math.inf), "shift inf"),
        (lambda: average_run_length(Ewma(weight=1e-4, limit=3)), "larger weight"),
        (lambda: average_run_length(Cusum(reference=0.5, decision=500)), "too large"),
        (lambda: run_length(Shewhart()).quantile(1.0), "between 0 and 1"),
        (lambda: residual_run_length(Shewhart(), carry=1.0), "carry-over 1.0, expected between -1 and 1"),
        (lambda: average_run_length(Shewhart(), first_shift=math.nan), "first_shift nan"),
        (lambda: average_run_length(Shewhart(), first_shift=1.0, start=Start.STEADY), "zero state only"),
    ],
)
def test_what_is_not_available_is_said(ask, part):
    with pytest.raises(EstimationError, match=part):
        ask()


@pytest.mark.parametrize("chart", CHARTS, ids=str)
def test_residuals_without_carry_over_run_as_the_points_do(chart):
    for shift in (0.0, 0.7):
        plain = average_run_length(chart, shift=shift)
        # The same chain with its first step formed apart: only the order of sums may differ.
        assert residual_run_length(chart, carry=0.0, shift=shift) == pytest.approx(plain, rel=1e-12)
        assert average_run_length(chart, shift=shift, first_shift=shift) == pytest.approx(plain, rel=1e-12)
    # In control residuals are independent whatever the carry-over.
    assert residual_run_length(chart, carry=0.6) == pytest.approx(average_run_length(chart), rel=1e-12)


@pytest.mark.parametrize("carry", [-0.5, 0.3, 0.8])
def test_residuals_of_single_points_follow_the_closed_form(carry):
    # Geometric after the first point, by definition: 1 + (1 - p1)/p2.
    shift, sd = 1.7, 1 / math.sqrt(1 - carry**2)
    once, later = (
        stats.norm.sf(3 - mean) + stats.norm.cdf(-3 - mean) for mean in (shift * sd, (1 - carry) * shift * sd)
    )
    expected = 1 + (1 - once) / later
    assert residual_run_length(Shewhart(), carry=carry, shift=shift) == pytest.approx(expected, rel=1e-12)
    # A moving average of weight one and sums with reference 3 and next to no decision value are the same chart.
    assert residual_run_length(Ewma(weight=1, limit=3), carry=carry, shift=shift) == pytest.approx(
        expected, rel=1e-12
    )
    sums = residual_run_length(Cusum(reference=3, decision=1e-9), carry=carry, shift=shift)
    assert sums == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("chart", CHARTS, ids=str)
def test_a_shift_that_fades_in_the_residuals_is_found_later(chart):
    lengths = [residual_run_length(chart, carry=carry, shift=1.0) for carry in (0.0, 0.3, 0.6)]
    assert lengths == sorted(lengths)
    assert residual_run_length(chart, carry=0.6, shift=-1.0) == pytest.approx(lengths[-1], rel=1e-9)


def test_a_run_length_says_itself():
    text = str(run_length(Shewhart()))
    assert "370.4 points" in text
    assert "median 257" in text
    assert isinstance(run_length(Shewhart(rules=EVERY_RULE[:3])), RunLength)
