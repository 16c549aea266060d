"""The acceptance rule: favourable words need the upper limit, the unfavourable one goes by the estimate."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repeatab.base.interval import Interval, IntervalMethod
from repeatab.judgement.acceptance import band_of, judge_percent, overall
from repeatab.outcome.verdict import Qualifier, Verdict

# Source of the bands 10 and 30: automotive measurement-systems handbook, chapter II (from memory).


def judge(low, value, high, **options):
    interval = Interval(lower=low, upper=high, level=0.95, method=IntervalMethod.GENERALISED)
    return judge_percent(value, interval, of="the tolerance", acceptable=10, conditional=30, **options)


@pytest.mark.parametrize(
    ("low", "value", "high", "verdict", "words"),
    [
        (5, 7, 9, Verdict.ACCEPTABLE, "within the 10 %"),
        (6, 8, 20, Verdict.CONDITIONAL, "the estimate alone would be acceptable"),
        (12, 18, 28, Verdict.CONDITIONAL, "within the 30 %"),
        (35, 45, 90, Verdict.NOT_ACCEPTABLE, "and so does all of the interval"),
        (25, 45, 90, Verdict.NOT_ACCEPTABLE, "reaches down into conditional"),
        (5, 28, 70, Verdict.UNDECIDED, "alone would be conditional"),
        (4, 9, 40, Verdict.UNDECIDED, "alone would be acceptable"),
    ],
)
def test_verdict_of_a_percentage(low, value, high, verdict, words):
    found = judge(low, value, high)
    assert found.verdict is verdict
    assert words in found.reason
    assert f"{value:.1f} % of the tolerance" in found.reason
    assert f"{low:.1f} to {high:.1f} %" in found.reason


def test_an_upper_bound_can_pass_and_never_fails():
    assert judge(5, 7, 9, upper_bound=True).verdict is Verdict.ACCEPTABLE
    found = judge(35, 45, 90, upper_bound=True)
    assert found.verdict is Verdict.UNDECIDED
    assert found.qualifier is Qualifier.UPPER_BOUND


@given(st.lists(st.floats(0.1, 200), min_size=3, max_size=3).map(sorted))
def test_no_measurement_passes_unless_its_upper_limit_does(limits):
    low, value, high = limits
    found = judge(low, value, high)
    if found.verdict in (Verdict.ACCEPTABLE, Verdict.CONDITIONAL):
        assert found.verdict is band_of(high, acceptable=10, conditional=30)
    if found.verdict is Verdict.NOT_ACCEPTABLE:
        assert value > 30


def test_overall_is_the_worst_of_the_deciding_sections():
    good, fair, bad, open_ = (
        Verdict.ACCEPTABLE,
        Verdict.CONDITIONAL,
        Verdict.NOT_ACCEPTABLE,
        Verdict.UNDECIDED,
    )
    assert overall([good, fair]) is fair
    assert overall([good, open_]) is open_
    assert overall([open_, bad, good]) is bad
    assert overall([]) is open_
