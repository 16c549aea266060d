"""Run rules in a series: the points named are the points that follow the pattern, looked up window by
window.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from repeatab.base.errors import InputError
from repeatab.control.charts import Shewhart
from repeatab.control.rules import RunRule
from repeatab.control.run_rules import rule_signals, shewhart_signals
from repeatab.control.signals import Side

RULES = [
    RunRule.one_side(2, of=3, sigmas=2),
    RunRule.one_side(3, of=5, sigmas=1),
    RunRule.same_side(4),
    RunRule.trend(4),
    RunRule.alternating(5),
    RunRule.close(4, sigmas=1),
    RunRule.away(3, sigmas=1),
]
# Values with ties and values on the lines, as rounded results have them.
points = st.lists(st.sampled_from([x / 2 for x in range(-7, 8)]), max_size=30)


def holds(rule, z, t):
    """Whether the rule's words are true of the points that end at t, on each side."""
    window = z[max(0, t - rule.of + 1) : t + 1]
    full = len(window) == rule.of
    steps = np.diff(window)
    match rule.pattern.name:
        case "ONE_SIDE":
            up = z[t] > rule.sigmas and np.sum(window > rule.sigmas) >= rule.points
            down = z[t] < -rule.sigmas and np.sum(window < -rule.sigmas) >= rule.points
            return {Side.UP: bool(up), Side.DOWN: bool(down)}
        case "TREND":
            return {Side.UP: full and bool(np.all(steps > 0)), Side.DOWN: full and bool(np.all(steps < 0))}
        case "ALTERNATING":
            return {Side.EITHER: full and bool(np.all(steps[1:] * steps[:-1] < 0))}
        case "CLOSE":
            return {Side.EITHER: full and bool(np.all(np.abs(window) < rule.sigmas))}
        case "AWAY":
            return {Side.EITHER: full and bool(np.all(np.abs(window) > rule.sigmas))}
    raise AssertionError(rule)


@pytest.mark.parametrize("rule", RULES, ids=str)
@given(values=points)
def test_signals_are_where_the_words_are_true(rule, values):
    z = np.array(values)
    given_at = {side: np.zeros(z.size, dtype=bool) for side in Side}
    for signal in rule_signals(z, rule):
        given_at[signal.side][signal.at : signal.until + 1] = True
        assert signal.points[-1] == signal.at
        assert len(signal.points) == rule.points
        assert signal.at - signal.points[0] < rule.of
    for t in range(z.size):
        for side, true in holds(rule, z, t).items():
            assert given_at[side][t] == true, (t, side)


@given(values=points)
def test_a_mirrored_series_gives_mirrored_signals(values):
    chart = Shewhart(limit=3, rules=tuple(RULES))
    turned = {Side.UP: Side.DOWN, Side.DOWN: Side.UP, Side.EITHER: Side.EITHER}
    one = {(s.given_by, s.side, s.at, s.until) for s in shewhart_signals(values, chart)}
    other = {
        (s.given_by, turned[s.side], s.at, s.until) for s in shewhart_signals([-v for v in values], chart)
    }
    assert one == other


def test_a_long_run_is_one_signal():
    signals = shewhart_signals([0.2] * 12, Shewhart(rules=(RunRule.same_side(9),)))
    assert [(s.at, s.until, s.points[0]) for s in signals] == [(8, 11, 0)]


def test_a_point_beyond_the_limit_names_side_and_chart():
    chart = Shewhart()
    up, down = shewhart_signals([0, 3.2, 0, -3.5, -3.1], chart)
    assert (up.side, up.at, up.until, up.given_by) == (Side.UP, 1, 1, chart)
    assert (down.side, down.at, down.until) == (Side.DOWN, 3, 4)


def test_signals_come_in_order():
    z = [0, 2.5, 2.4, 0, -4]
    signals = shewhart_signals(z, Shewhart(rules=(RunRule.one_side(2, of=3, sigmas=2),)))
    assert [signal.at for signal in signals] == [2, 4]


def test_a_missing_point_is_refused_by_its_place():
    with pytest.raises(InputError, match="point 2: found nan"):
        shewhart_signals([0.0, float("nan")], Shewhart())
    assert shewhart_signals([], Shewhart()) == ()
