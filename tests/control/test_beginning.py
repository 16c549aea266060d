"""When a change began: the definition, the step alone by its published form, and the range's level by simulation."""

import math

import numpy as np
import pytest

from repeatab.base.errors import EstimationError, InputError
from repeatab.control.beginning import Course, beginning, joint_beginning
from repeatab.control.charts import Cusum
from repeatab.control.cusum import cusum_series


def step_alone(z, level=0.95):
    """The most likely beginning of a step, the first of those not ruled out, the last, and the step.

    Samuel, Pignatiello & Calvin (1998), Quality Engineering 10, 521-527: the change before point t that makes
    n (mean since - centre)^2 largest; the set by Siegmund (1988), International Statistical Review 56, 31-48.
    """
    since = np.array([z[t:].mean() for t in range(z.size)])
    gain = np.arange(z.size, 0, -1) * since**2 / 2
    kept = np.flatnonzero(gain >= gain.max() + math.log(1 - math.sqrt(level)))
    best = int(np.argmax(gain))
    return best, kept[0], kept[-1], since[best]


def gains(z):
    """Twice the gain of log likelihood by least squares, course by course, written out."""
    step, drift = [], []
    for t in range(z.size):
        for shape, out in (
            (np.where(np.arange(z.size) >= t, 1.0, 0.0), step),
            (np.maximum(0.0, np.arange(z.size) - t + 1.0), drift),
        ):
            size = shape @ z / (shape @ shape)
            out.append(float(z @ z - ((z - size * shape) ** 2).sum()) / 2)
    return np.array(step), np.array(drift)


@pytest.mark.parametrize("seed", range(6))
def test_it_is_the_least_squares_fit_of_a_step_and_of_a_drift(seed):
    z = np.random.default_rng(seed).standard_normal(17) + np.maximum(0, np.arange(17) - 9) * 0.5
    step, drift = gains(z)
    found = beginning(z, centre=0.0, sd=1.0)
    best = drift if drift.max() > step.max() else step
    assert found.most_likely == int(np.argmax(best))
    either = np.maximum(step, drift)
    kept = np.flatnonzero(either >= either.max() + math.log(1 - math.sqrt(0.95)))
    assert (found.first, found.last) == (kept[0], kept[-1])
    told = abs(drift.max() - step.max()) > 2
    assert (found.course is Course.OPEN) == (not told)


def test_a_clear_step_is_dated_like_a_step_alone():
    x = np.concatenate([np.tile([0.3, -0.3], 10), np.tile([4.2, 3.8], 6)]) * 0.01 + 0.4
    found = beginning(x, centre=0.4, sd=0.01)
    best, first, last, step = step_alone((x - 0.4) / 0.01)
    assert (found.course, found.most_likely, best) == (Course.STEP, 20, 20)
    assert found.size == pytest.approx(0.01 * step, rel=1e-12)
    assert found.now == found.size
    assert found.first <= first <= last <= found.last


def test_a_clear_drift_is_not_taken_for_a_late_step():
    x = 0.40 + 0.001 * np.tile([1.0, -1.0], 15) - 0.002 * np.maximum(0, np.arange(30) - 14)
    found = beginning(x, centre=0.40, sd=0.001)
    assert (found.course, found.most_likely) == (Course.DRIFT, 15)
    assert found.size == pytest.approx(-0.002, abs=1e-4)
    assert found.now == pytest.approx(15 * found.size)
    # The step alone dates the drift too late and excludes its true beginning.
    assert step_alone((x - 0.40) / 0.001)[1] > 15


@pytest.mark.parametrize(("drift", "size"), [(False, 1.0), (False, 2.0), (True, 0.3), (True, 0.6)], ids=str)
def test_the_range_keeps_its_level(drift, size):
    rng = np.random.default_rng(11)
    hits = 0
    for _ in range(400):
        steps = np.maximum(0, np.arange(24) - 13)
        z = rng.standard_normal(24) + size * (steps if drift else steps > 0)
        found = beginning(z, centre=0.0, sd=1.0)
        hits += found.first <= 14 <= found.last
    # 400 draws: a true coverage of 95 % falls below 92 % once in 300 runs.
    assert hits / 400 > 0.92


def held_where_a_sum_signals(runs, seed, *, shift, level, begin=30, most=80):
    """Share of ranges that hold the true beginning of a step, the series cut where a CUSUM signals, as in use."""
    rng, chart, held, used = np.random.default_rng(seed), Cusum(reference=0.5, decision=4.77), 0, 0
    while used < runs:
        x = rng.standard_normal(most) + shift * (np.arange(most) >= begin)
        signals = cusum_series(x, chart, centre=0, sd=1).signals
        if not signals or signals[0].at < begin:
            continue
        used += 1
        found = beginning(x[: signals[0].at + 1], centre=0, sd=1, level=level)
        held += found.first <= begin <= found.last
    return held / runs


@pytest.mark.parametrize("shift", [1.0, 2.0])
def test_the_range_holds_the_true_point_where_a_sum_signals(shift):
    level, runs = 0.9, 300
    least = level - 3 * math.sqrt(level * (1 - level) / runs)
    assert held_where_a_sum_signals(runs, 43, shift=shift, level=level) > least


@pytest.mark.full
@pytest.mark.parametrize("shift", [0.75, 1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_range_holds_the_true_point_where_a_sum_signals_at_length(shift, level):
    runs = 5000
    least = level - 3 * math.sqrt(level * (1 - level) / runs)
    assert held_where_a_sum_signals(runs, 44, shift=shift, level=level) > least


def test_several_coordinates_are_fitted_together_by_least_squares():
    z = np.random.default_rng(3).standard_normal((15, 3)) + np.outer(np.arange(15) >= 9, [4.0, 0.0, -3.0])
    own = [gains(column) for column in z.T]
    step, drift = (sum(one[k] for one in own) for k in (0, 1))
    found = joint_beginning(z)
    best = drift if drift.max() > step.max() else step
    assert found.most_likely == int(np.argmax(best))
    either = np.maximum(step, drift)
    kept = np.flatnonzero(either >= either.max() + math.log(1 - math.sqrt(0.95)))
    assert (found.first, found.last) == (kept[0], kept[-1])
    assert found.course is Course.STEP
    assert found.now == pytest.approx(z[found.most_likely :].mean(axis=0))


@pytest.mark.parametrize(("drift", "size"), [(False, 1.0), (True, 0.3)], ids=str)
def test_the_range_keeps_its_level_for_eight_coordinates(drift, size):
    # The smallest changes are the worst case: 95 to 96 % with 1500 draws, 98 to 99 % for larger ones or fewer sections.
    rng = np.random.default_rng(12)
    steps = np.maximum(0, np.arange(24) - 13)
    hits = 0
    for _ in range(400):
        z = rng.standard_normal((24, 8))
        z[:, 0] += size * (steps if drift else steps > 0)
        found = joint_beginning(z)
        hits += found.first <= 14 <= found.last
    assert hits / 400 > 0.92


def test_bad_input_is_refused():
    with pytest.raises(EstimationError, match="level 1"):
        beginning([1.0], centre=0.0, sd=1.0, level=1.0)
    with pytest.raises(EstimationError, match="standard deviation of 0"):
        beginning([1.0], centre=0.0, sd=0.0)
    with pytest.raises(InputError, match="point 2"):
        beginning([1.0, math.nan], centre=0.0, sd=1.0)
