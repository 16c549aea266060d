"""When it began: the likelihood against a direct one, and how often the set holds the true point."""

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from repeatab.base.errors import EstimationError, InputError
from repeatab.control.change_point import change_point
from repeatab.control.charts import Cusum
from repeatab.control.cusum import cusum_series


def test_most_likely_point_and_set_by_the_likelihood_itself():
    x = np.random.default_rng(41).normal(10, 2, 25)
    x[15:] += 2.5
    found = change_point(x, centre=10, sd=2, level=0.9)
    gain = []
    for t in range(25):
        level = np.where(np.arange(25) < t, 10.0, x[t:].mean())
        gain.append(stats.norm.logpdf(x, level, 2).sum())
    assert found.most_likely == int(np.argmax(gain))
    kept = [t for t in range(25) if gain[t] >= max(gain) + math.log(1 - math.sqrt(0.9))]
    assert list(found.candidates) == kept
    assert (found.first, found.last) == (kept[0], kept[-1])
    assert found.new_level == pytest.approx(x[found.most_likely :].mean())
    assert found.step == pytest.approx(found.new_level - 10)


def test_a_clear_step_is_found_to_the_point():
    x = np.r_[np.zeros(12), np.full(6, -8.0)] + 0.1 * np.sin(np.arange(18))
    found = change_point(x, centre=0, sd=1)
    assert (found.most_likely, found.first, found.last) == (12, 12, 12)
    assert found.step < -7
    assert "began at point 13" in str(found)


def test_more_confidence_needs_a_larger_set():
    x = np.random.default_rng(42).normal(0, 1, 40) + np.r_[np.zeros(30), np.ones(10)]
    sets = [set(change_point(x, centre=0, sd=1, level=level).candidates) for level in (0.5, 0.8, 0.95, 0.99)]
    for smaller, larger in itertools.pairwise(sets):
        assert smaller <= larger


def coverage(runs, seed, *, shift, level, begin=30, most=80):
    """Share of sets that hold the true begin, with the series cut where a CUSUM signals, as in use."""
    rng, chart, held, used = np.random.default_rng(seed), Cusum(reference=0.5, decision=4.77), 0, 0
    while used < runs:
        x = rng.standard_normal(most) + shift * (np.arange(most) >= begin)
        signals = cusum_series(x, chart, centre=0, sd=1).signals
        if not signals or signals[0].at < begin:
            continue
        used += 1
        held += begin in change_point(x[: signals[0].at + 1], centre=0, sd=1, level=level).candidates
    return held / runs


@pytest.mark.parametrize("shift", [1.0, 2.0])
def test_the_set_holds_the_true_point_as_often_as_it_says(shift):
    level, runs = 0.9, 500
    assert coverage(runs, 43, shift=shift, level=level) > level - 3 * math.sqrt(level * (1 - level) / runs)


@pytest.mark.full
@pytest.mark.parametrize("shift", [0.75, 1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_set_holds_the_true_point_at_length(shift, level):
    runs = 5000
    assert coverage(runs, 44, shift=shift, level=level) > level - 3 * math.sqrt(level * (1 - level) / runs)


def test_what_gives_no_answer_is_said():
    with pytest.raises(EstimationError, match="found level 1"):
        change_point([1.0], centre=0, sd=1, level=1)
    with pytest.raises(EstimationError, match="standard deviation of 0"):
        change_point([1.0], centre=0, sd=0)
    with pytest.raises(InputError, match="point 1"):
        change_point([float("nan")], centre=0, sd=1)
