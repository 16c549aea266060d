"""When the scatter within visits began to change: the likelihood itself, clear cases, what range and limits cover."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from repeatab.base.errors import EstimationError, InputError
from repeatab.control.scatter_beginning import scatter_beginning

DISTANCE = -math.log(1 - math.sqrt(0.95))


def log_likelihood(squares, df, base, base_df, t, log_before, log_ratio):
    """Of the base period and the visits, each sum of squares a variance times χ²: the densities, written out."""
    variance = np.where(np.arange(squares.size) >= t, math.exp(log_before + log_ratio), math.exp(log_before))
    s, n = np.append(squares, base * base_df), np.append(df, base_df)
    v = np.append(variance, math.exp(log_before))
    return float((stats.chi2.logpdf(s / v, n) - np.log(v)).sum())


def best_for(squares, df, base, base_df, t, limit=None, rising=True):
    """The largest log likelihood of a step at t, found by searching; given that the last visit broke its limit."""

    def loss(at):
        before, ratio = math.log(base) + at[0], at[1]
        if limit is not None:
            ratio = abs(ratio) if rising else -abs(ratio)  # a change to the side of the signal
        value = log_likelihood(squares, df, base, base_df, t, before, ratio)
        if limit is not None:
            x = limit**2 * df[-1] / math.exp(before + ratio)
            value -= stats.chi2.logsf(x, df[-1]) if rising else stats.chi2.logcdf(x, df[-1])
        return -value

    starts = ([0.0, 0.5], [0.0, 2.0]) if rising else ([0.0, -0.5], [0.0, -2.0])
    options = {"xatol": 1e-6, "fatol": 1e-8, "maxiter": 4000}
    return -min(optimize.minimize(loss, at, method="Nelder-Mead", options=options).fun for at in starts)


def case(seed, *, ratio=2.5, runs=(2, 3, 4), visits=12, change=7, base_df=9):
    rng = np.random.default_rng(seed)
    df = rng.choice(np.array(runs) - 1, visits).astype(float)
    sd = np.where(np.arange(visits) >= change, ratio, 1.0) * 0.003
    return sd**2 * rng.chisquare(df), df, 0.003**2 * rng.chisquare(base_df) / base_df, float(base_df)


@pytest.mark.parametrize(("ends", "seed"), [("anywhere", 0), ("above", 1), ("below", 2)])
def test_the_range_is_that_of_the_chi_square_likelihood(ends, seed):
    squares, df, base, base_df = case(seed, ratio=0.4 if ends == "below" else 2.5, visits=9, change=5)
    limit = {"anywhere": None, "above": 0.8, "below": 1.3}[ends]
    if limit is not None:
        limit *= math.sqrt(squares[-1] / df[-1])
    rising = ends != "below"
    found = scatter_beginning(squares, df, base_variance=base, base_df=base_df, limit=limit, rising=rising)
    places = range(squares.size)
    gain = plain = np.array([best_for(squares, df, base, base_df, t, rising=rising) for t in places])
    if limit is not None:
        gain = np.array([best_for(squares, df, base, base_df, t, limit, rising) for t in places])
    assert found.most_likely == int(np.argmax(plain))
    # The search ends within 1e-6 of the height; no visit lies so near the edge of the range.
    apart = gain - (gain.max() - DISTANCE)
    assert np.abs(apart).min() > 1e-4
    kept = np.flatnonzero(apart > 0)
    assert (found.first, found.last) == (min(kept[0], found.most_likely), max(kept[-1], found.most_likely))


def test_the_limits_are_those_of_two_variances_wherever_in_the_range_it_began():
    # Exact for each beginning: M1/M0 over the ratio of variances is F (textbook); half of the 5 % is for the beginning.
    squares, df, base, base_df = case(1)
    found = scatter_beginning(squares, df, base_variance=base, base_df=base_df)
    low, high = [], []
    for t in range(found.first, found.last + 1):
        n, m = df[t:].sum(), base_df + df[:t].sum()
        f = squares[t:].sum() / n / ((base * base_df + squares[:t].sum()) / m)
        low.append(math.sqrt(f / stats.f.isf(0.0125, n, m)))
        high.append(math.sqrt(f / stats.f.ppf(0.0125, n, m)))
    assert (found.lower, found.upper) == pytest.approx((min(low), max(high)), rel=1e-9)


def test_in_a_long_history_the_change_is_sought_in_the_latest_200_visits():
    rng = np.random.default_rng(8)
    df = np.full(1000, 2.0)
    squares = rng.chisquare(df) * np.where(np.arange(1000) >= 990, 9.0, 1.0)
    found = scatter_beginning(squares, df, base_variance=1.0, base_df=40.0)
    pooled = (40.0 + squares[:800].sum()) / 1640.0
    short = scatter_beginning(squares[800:], df[800:], base_variance=pooled, base_df=1640.0)
    places = (800 + short.most_likely, 800 + short.first, 800 + short.last)
    assert (found.most_likely, found.first, found.last) == places
    size = (short.ratio, short.lower, short.upper)
    assert (found.ratio, found.lower, found.upper) == pytest.approx(size, rel=1e-9)
    assert abs(found.most_likely - 990) < 3


def test_with_a_known_base_it_is_the_closed_form():
    # n (r - 1 - ln r)/2 with r the mean square since a visit over the known variance: derived on paper from the
    # density, the criterion of Samuel, Pignatiello & Calvin (1998) for a variance (from memory).
    squares, df, _, _ = case(5)
    found = scatter_beginning(squares, df, base_variance=0.003**2, base_df=1e6)
    count = np.cumsum(df[::-1])[::-1]
    r = np.cumsum(squares[::-1])[::-1] / count / 0.003**2
    gain = count * (r - 1 - np.log(r)) / 2
    assert found.most_likely == int(np.argmax(gain))
    kept = np.flatnonzero(gain >= gain.max() - DISTANCE)
    assert (found.first, found.last) == (kept[0], kept[-1])
    # A million degrees of freedom are not quite for ever: the visits before the step move the base by 1e-5.
    assert found.ratio == pytest.approx(math.sqrt(r[found.most_likely]), rel=1e-4)


@pytest.mark.parametrize(("ratio", "change"), [(6.0, 15), (1 / 6, 15), (6.0, 0), (6.0, 19)], ids=str)
def test_a_large_change_is_found_exactly(ratio, change):
    # Every visit scatters by exactly its standard deviation.
    df = np.full(20, 4.0)
    squares = df * np.where(np.arange(20) >= change, ratio, 1.0) ** 2
    found = scatter_beginning(squares, df, base_variance=1.0, base_df=40)
    assert found.most_likely == change
    assert found.ratio == pytest.approx(ratio, rel=1e-12)
    assert found.lower < ratio < found.upper
    assert (found.lower > 1) == (ratio > 1)
    assert (found.upper < 1) == (ratio < 1)


@settings(max_examples=25, deadline=None)
@given(
    sd=st.lists(st.floats(0.001, 0.02), min_size=1, max_size=12), unit=st.sampled_from([1e-3, 9.81, 1e6]),
    base_df=st.floats(1, 200),
)  # fmt: skip
def test_the_unit_does_not_matter(sd, unit, base_df):
    s, df = 2 * np.square(sd), np.full(len(sd), 2.0)
    one = scatter_beginning(s, df, base_variance=0.004**2, base_df=base_df)
    other = scatter_beginning(s * unit**2, df, base_variance=(0.004 * unit) ** 2, base_df=base_df)
    assert one.lower <= one.ratio * (1 + 1e-9)
    assert one.ratio <= one.upper * (1 + 1e-9)
    assert one.first <= one.most_likely <= one.last
    assert (other.ratio, other.lower, other.upper) == pytest.approx(
        (one.ratio, one.lower, one.upper), rel=1e-8
    )


MOST_WAITED = 200


def hits(draws, *, ratio, runs, base_visits, change, points, seed):
    """How often range and limits hold the truth; `points` after the change, or None for data up to the first signal.

    Of rigs whose base period happens to be so wide that no signal comes within 200 visits nothing is asked.
    """
    rng = np.random.default_rng(seed)
    df, base_df = float(runs - 1), float(base_visits * (runs - 1))
    limit = stats.f.isf(2 * stats.norm.sf(3), df, base_df)
    counted, done = np.zeros(2, dtype=int), 0
    while done < draws:
        base = rng.chisquare(base_df) / base_df
        before, after = rng.chisquare(df, change), ratio**2 * rng.chisquare(df, points or MOST_WAITED)
        if points is None:
            given = np.flatnonzero(after / df > limit * base)
            if not given.size:
                continue
            after = after[: given[0] + 1]
        s = np.concatenate([before, after])
        broken = math.sqrt(limit * base) if points is None else None
        found = scatter_beginning(s, np.full(s.size, df), base_variance=base, base_df=base_df, limit=broken)
        counted += [found.first <= change <= found.last, found.lower <= ratio <= found.upper]
        done += 1
    return counted / draws


@pytest.mark.parametrize(("ratio", "points"), [(2.0, 6), (2.0, None)], ids=str)
def test_range_and_limits_keep_their_level(ratio, points):
    # 300 draws: a true coverage of 95 % falls below 91.5 % once in 300 runs.
    assert hits(300, ratio=ratio, runs=3, base_visits=12, change=13, points=points, seed=3).min() > 0.915


@pytest.mark.full
@pytest.mark.parametrize("runs", [2, 3, 6], ids="{} runs".format)
@pytest.mark.parametrize("base_visits", [6, 12, 30], ids="{} base visits".format)
@pytest.mark.parametrize("change", [0, 3, 13], ids="after {}".format)
@pytest.mark.parametrize(
    ("ratio", "points"),
    [(0.4, 8), (1.5, 10), (2.0, 1), (2.0, 6), (4.0, 3), (1.5, None), (2.0, None), (4.0, None)],
)
def test_range_and_limits_keep_their_level_long(runs, base_visits, change, ratio, points):
    # 4000 draws: a true coverage of 95 % falls below 94 % once in 500 cells. Seen on 2026-11-28 in the 216 cells (scipy
    # 1.17.1): the range holds the truth in 96.8 % or more, the limits of the ratio in 96.2 % or more.
    found = hits(4000, ratio=ratio, runs=runs, base_visits=base_visits, change=change, points=points, seed=17)
    print(f"{runs} {base_visits} {change} {ratio} {points} {found[0]:.4f} {found[1]:.4f}")
    assert found.min() > 0.94


def test_bad_input_is_refused():
    def ask(squares, df, *, base_variance=1.0, base_df=5.0, level=0.95):
        return scatter_beginning(squares, df, base_variance=base_variance, base_df=base_df, level=level)

    with pytest.raises(EstimationError, match="level 1"):
        ask([1.0], [1.0], level=1.0)
    with pytest.raises(EstimationError, match="standard deviation of 0"):
        ask([1.0], [1.0], base_variance=0.0)
    with pytest.raises(EstimationError, match="2 sums of squares and 1 degrees of freedom"):
        ask([1.0, 2.0], [1.0])
    with pytest.raises(EstimationError, match="visit of one run"):
        ask([1.0, 2.0], [1.0, 0.0])
    with pytest.raises(EstimationError, match="sum of squares of -1"):
        ask([-1.0, 2.0], [1.0, 1.0])
    with pytest.raises(EstimationError, match="last visit are all equal"):
        ask([1.0, 0.0], [1.0, 1.0])
    with pytest.raises(InputError, match="point 2"):
        ask([1.0, math.nan], [1.0, 1.0])
