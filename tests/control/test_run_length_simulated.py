"""Computed run lengths against simulated ones; the simulation follows the words of each chart, not our
formulas.

Short form: a few thousand runs, four standard errors. Long form (-m full): a hundred times as many.
"""

import numpy as np
import pytest

from repeatab.control.autocorrelation import FirstOrder
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.rules import PUBLISHED_RULES, RunRule
from repeatab.control.run_length import Start, residual_run_length, run_length
from repeatab.control.run_rules import shewhart_signals

CHARTS = [
    (Ewma(weight=0.2, limit=2.7), 1.0),
    (Ewma(weight=0.1, limit=2.5, starting_limits=True), 0.75),
    (Cusum(reference=0.5, decision=4.0), 0.75),
    (Cusum(reference=0.25, decision=4.0), 0.0),
    (Cusum(reference=0.0, decision=6.0), 0.25),
    (Cusum(reference=0.5, decision=4.0, head_start=2.0), 0.5),
]
RULES = [
    (tuple(PUBLISHED_RULES.values())[:3], 0.6),
    (tuple(PUBLISHED_RULES.values())[3:], 0.0),
    ((RunRule.trend(5), RunRule.one_side(2, of=3, sigmas=1.5), RunRule.away(4)), 0.5),
]


def follow(chart, x):
    """First signal of each row of points, 0 if there is none; written from the chart's words."""
    runs, points = x.shape
    found = np.zeros(runs, dtype=int)
    z, up, down = np.zeros(runs), np.zeros(runs), np.zeros(runs)
    if isinstance(chart, Cusum):
        up, down = up + chart.head_start, down + chart.head_start
    for t in range(points):
        if isinstance(chart, Ewma):
            z = (1 - chart.weight) * z + chart.weight * x[:, t]
            past = (1 - chart.weight) ** (2 * (t + 1)) if chart.starting_limits else 0.0
            out = np.abs(z) > chart.limit * np.sqrt(chart.weight / (2 - chart.weight) * (1 - past))
        else:
            up = np.maximum(0, up + x[:, t] - chart.reference)
            down = np.maximum(0, down - x[:, t] - chart.reference)
            out = (up > chart.decision) | (down > chart.decision)
        found[(found == 0) & out] = t + 1
    return found


def compare(found, computed, points):
    """Survival at several points and the mean of runs cut at `points`, each within four standard errors."""
    runs = found.size
    cut = np.where(found == 0, points, found)
    expected = sum(computed.without_signal(t) for t in range(points))
    assert abs(cut.mean() - expected) < 4 * cut.std() / np.sqrt(runs)
    for t in (1, 3, 8, 20, points // 2):
        share, p = np.mean((found == 0) | (found > t)), computed.without_signal(t)
        assert abs(share - p) < 4 * np.sqrt(p * (1 - p) / runs) + 1e-9, (t, share, p)


def check_chart(chart, shift, runs, seed):
    points = 150
    x = np.random.default_rng(seed).standard_normal((runs, points)) + shift
    compare(follow(chart, x), run_length(chart, shift=shift), points)


@pytest.mark.parametrize(("chart", "shift"), CHARTS, ids=str)
def test_moving_averages_and_sums(chart, shift):
    check_chart(chart, shift, 6000, 11)


@pytest.mark.full
@pytest.mark.parametrize(("chart", "shift"), CHARTS, ids=str)
def test_moving_averages_and_sums_at_length(chart, shift):
    check_chart(chart, shift, 600_000, 12)


def check_rules(rules, shift, runs, seed):
    """The rules as they are found in a series against the rules as they are computed."""
    points, chart = 120, Shewhart(rules=rules)
    x = np.random.default_rng(seed).standard_normal((runs, points)) + shift
    found = np.zeros(runs, dtype=int)
    for i, row in enumerate(x):
        signals = shewhart_signals(row, chart)
        found[i] = signals[0].at + 1 if signals else 0
    compare(found, run_length(chart, shift=shift), points)


@pytest.mark.parametrize(("rules", "shift"), RULES, ids=["distances", "all kinds", "mixed"])
def test_run_rules(rules, shift):
    check_rules(rules, shift, 1500, 13)


@pytest.mark.full
@pytest.mark.parametrize(("rules", "shift"), RULES, ids=["distances", "all kinds", "mixed"])
def test_run_rules_at_length(rules, shift):
    check_rules(rules, shift, 60_000, 14)


def check_steady(runs, seed):
    chart, before, after = Ewma(weight=0.15, limit=2.5), 60, 120
    x = np.random.default_rng(seed).standard_normal((runs, before + after))
    x[:, before:] += 0.8
    found = follow(chart, x)
    late = found[(found == 0) | (found > before)]
    found = np.where(late == 0, 0, late - before)
    compare(found, run_length(chart, shift=0.8, start=Start.STEADY), after)


def test_a_shift_after_a_long_time():
    check_steady(6000, 15)


@pytest.mark.full
def test_a_shift_after_a_long_time_at_length():
    check_steady(400_000, 16)


RESIDUALS = [
    (Shewhart(limit=2.5), 0.5, 2.0),
    (Ewma(weight=0.2, limit=2.7), 0.5, 1.5),
    (Ewma(weight=0.1, limit=2.5, starting_limits=True), 0.7, 1.5),
    (Cusum(reference=0.5, decision=4.0), 0.3, 1.0),
    (Cusum(reference=0.25, decision=4.0, head_start=2.0), 0.6, -1.0),
    (Cusum(reference=0.5, decision=4.0), -0.4, 1.0),
    (Shewhart(rules=tuple(PUBLISHED_RULES.values())[:3]), 0.5, 1.5),
    (Shewhart(rules=(RunRule.trend(5), RunRule.away(4))), 0.4, 2.5),
]


def check_residuals(chart, carry, shift, runs, seed):
    """Results that wander about a level, which steps after the first; their residuals charted from the step on."""
    points = 250
    rng = np.random.default_rng(seed)
    model = FirstOrder(centre=0.4, carry=carry, step_sd=0.01, count=100)
    x = np.empty((runs, points + 1))
    x[:, 0] = model.sd * rng.standard_normal(runs)
    for t in range(points):
        x[:, t + 1] = carry * x[:, t] + model.step_sd * rng.standard_normal(runs)
    x += model.centre
    x[:, 1:] += shift * model.sd
    z = np.array([model.residuals(row[1:], before=row[0]) for row in x]) / model.step_sd
    if isinstance(chart, Shewhart) and chart.rules:
        given = [shewhart_signals(row, chart) for row in z]
        found = np.array([one[0].at + 1 if one else 0 for one in given])
    elif isinstance(chart, Shewhart):
        out = np.abs(z) > chart.limit
        found = np.where(out.any(axis=1), out.argmax(axis=1) + 1, 0)
    else:
        found = follow(chart, z)
    # Practically all signal in time: what is cut off shortens the mean by less than a thousandth of its length.
    assert np.mean(found == 0) < 1e-3
    cut = np.where(found == 0, points, found)
    computed = residual_run_length(chart, carry=carry, shift=shift)
    assert abs(cut.mean() - computed) < 4 * cut.std() / np.sqrt(runs) + 1e-3 * computed


@pytest.mark.parametrize(("chart", "carry", "shift"), RESIDUALS, ids=str)
def test_residuals_of_a_first_order_model(chart, carry, shift):
    check_residuals(chart, carry, shift, 800 if isinstance(chart, Shewhart) and chart.rules else 3000, 17)


@pytest.mark.full
@pytest.mark.parametrize(("chart", "carry", "shift"), RESIDUALS, ids=str)
def test_residuals_of_a_first_order_model_at_length(chart, carry, shift):
    check_residuals(chart, carry, shift, 60_000, 18)
