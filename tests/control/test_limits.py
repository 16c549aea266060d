"""Limits from a base period: the handbook's charts, trial prediction limits, screening, refusals."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.special import ndtr

from repeatab.base.errors import EstimationError, InputError
from repeatab.control.factors import chart_factors
from repeatab.control.limits import LimitKind, individual_limits, nominal_rate
from repeatab.control.scatter import ScatterMethod, base_scatter, median_sd
from repeatab.control.scatter_distribution import prediction_factor
from repeatab.control.subgroup_limits import Spread, subgroup_limits

# Ten batch values of NIST/SEMATECH e-Handbook, 6.3.2.2 (individuals chart), which are the points 11 to 20 of
# its EWMA example; printed limits 55.8041 and 45.8159 from a mean moving range of 1.8778 (from memory).
NIST_PRINTED = {"centre": 50.81, "mean_range": 1.8778, "upper": 55.8041, "lower": 45.8159}


def normal(n, seed=1, centre=0.38, sd=0.01):
    return centre + sd * np.random.default_rng(seed).standard_normal(n)


def test_moving_ranges_of_the_handbook(published):
    x = np.array([float(row["x"]) for row in published.rows("ewma_twenty_points")])[10:]
    found = base_scatter(x, np.ones(10, dtype=bool), ScatterMethod.MOVING_RANGE)
    assert found.centre == pytest.approx(NIST_PRINTED["centre"], abs=0.005)
    # The handbook divides by 1.128, d2 of two to three decimals.
    assert found.sd * chart_factors(2).d2 == pytest.approx(NIST_PRINTED["mean_range"], abs=5e-5)
    assert found.centre + 3 * found.sd == pytest.approx(NIST_PRINTED["upper"], abs=0.002)
    assert found.centre - 3 * found.sd == pytest.approx(NIST_PRINTED["lower"], abs=0.002)


def test_twenty_results_give_control_limits_and_nineteen_trial_limits():
    x = normal(20)
    full, few = individual_limits(x), individual_limits(x[:19])
    assert (full.kind, full.factor) == (LimitKind.CONTROL, 3.0)
    assert few.kind is LimitKind.TRIAL
    assert few.factor > 3
    assert "trial prediction limits" in str(few)
    assert "19 base results" in str(few)
    assert "fewer than 20" in str(few)
    assert "trial" not in str(full)


def test_trial_limits_from_the_standard_deviation_are_prediction_limits():
    x = normal(10)
    found = individual_limits(x, scatter=ScatterMethod.STANDARD_DEVIATION, limit=1.959964)
    # Hahn & Meeker (1991), factor for one future value, n = 10, 95 %: 2.37 (from memory); t × √(1 + 1/n).
    assert found.factor == pytest.approx(2.37, abs=0.005)
    assert found.factor == pytest.approx(stats.t.ppf(0.975, 9) * math.sqrt(1.1), rel=1e-6)
    assert found.upper - found.centre == pytest.approx(found.factor * x.std(ddof=1), rel=1e-12)


@pytest.mark.parametrize("count", [6, 10, 19])
@pytest.mark.parametrize("method", list(ScatterMethod))
def test_trial_limits_keep_the_false_alarms_they_state(count, method):
    rng = np.random.default_rng(21)
    x = rng.standard_normal((20_000, count))
    if method is ScatterMethod.MOVING_RANGE:
        centre, sd = x.mean(axis=1), np.abs(np.diff(x, axis=1)).mean(axis=1) / chart_factors(2).d2
        df, variance = None, 1 / count
    elif method is ScatterMethod.STANDARD_DEVIATION:
        centre, sd = x.mean(axis=1), x.std(axis=1, ddof=1)
        df, variance = float(count - 1), 1 / count
    else:
        centre, sd = np.median(x, axis=1), np.array([median_sd(row) for row in x])
        base = base_scatter(x[0], np.ones(count, dtype=bool), method)
        df, variance = base.df, base.centre_variance
    factor = prediction_factor(0.0027, df=df, count=count, centre_variance=variance)
    rates = ndtr(centre - factor * sd) + ndtr(-centre - factor * sd)
    error = rates.std() / math.sqrt(rates.size)
    if method is ScatterMethod.MEDIAN_DEVIATION:
        # Student's t with the degrees of freedom of its variance is cautious here, not exact.
        assert 0.0004 < rates.mean() < 0.0027 + 4 * error
    else:
        assert rates.mean() == pytest.approx(0.0027, abs=4 * error)


def test_median_scatter_has_no_bias_for_normal_results():
    # Croux & Rousseeuw (1992): the small-sample factors leave less than 1 %.
    rng = np.random.default_rng(22)
    for n in (4, 5, 7, 9, 12, 31):
        found = np.mean([median_sd(row) for row in rng.standard_normal((8000, n))])
        assert found == pytest.approx(1.0, abs=0.025), n


def test_one_wild_result_hardly_moves_robust_limits():
    x = normal(30)
    wild = x.copy()
    wild[7] = 0.60
    robust = [individual_limits(v, scatter=ScatterMethod.MEDIAN_DEVIATION) for v in (x, wild)]
    plain = [individual_limits(v, scatter=ScatterMethod.STANDARD_DEVIATION) for v in (x, wild)]
    assert robust[1].sd < 1.2 * robust[0].sd
    assert plain[1].sd > 3 * plain[0].sd


@pytest.mark.parametrize("method", list(ScatterMethod))
@pytest.mark.parametrize("count", [12, 40])
def test_screening_logs_what_it_leaves_out(method, count):
    x = normal(count, seed=4)
    x[4] += 0.12
    plain = individual_limits(x, scatter=method)
    found = individual_limits(x, scatter=method, screening=True)
    first = found.removed[0]
    assert (first.index, first.value, first.round) == (4, x[4], 1)
    assert first.value > first.upper
    assert found.count == count - len(found.removed)
    assert found.sd < plain.sd
    assert not plain.removed
    assert not found.screening_stopped


def test_moving_ranges_do_not_span_a_gap():
    x = np.array([0.0, 1.0, 50.0, 0.0, 1.0, 0.0])
    kept = np.array([True, True, False, True, True, True])
    found = base_scatter(x, kept, ScatterMethod.MOVING_RANGE)
    assert found.sd == pytest.approx(1.0 / chart_factors(2).d2)


def test_screening_stops_when_there_was_no_stable_base_period():
    x = np.cumsum(np.full(30, 1.0)) + normal(30, sd=0.05)
    found = individual_limits(x, screening=True)
    assert found.screening_stopped
    assert len(found.removed) == 10


@given(shift=st.floats(-5, 5), scale=st.floats(0.01, 100))
def test_limits_follow_the_unit(shift, scale):
    x = normal(25, centre=0, sd=1)
    for method in ScatterMethod:
        one, other = (
            individual_limits(x, scatter=method),
            individual_limits(x * scale + shift, scatter=method),
        )
        assert other.upper == pytest.approx(one.upper * scale + shift, rel=1e-9, abs=1e-9)
        assert other.standardised(x * scale + shift) == pytest.approx(one.standardised(x), abs=1e-7)


@pytest.mark.parametrize("spread", list(Spread))
def test_subgroup_limits_are_those_of_the_factors(spread):
    x = normal(100, seed=5).reshape(25, 4)
    found, f = subgroup_limits(x, spread=spread), chart_factors(4)
    own = np.ptp(x, axis=1) if spread is Spread.RANGE else x.std(axis=1, ddof=1)
    a, low, high = (f.A2, f.D3, f.D4) if spread is Spread.RANGE else (f.A3, f.B3, f.B4)
    assert found.means.upper - found.means.centre == pytest.approx(a * own.mean(), rel=1e-10)
    assert found.spread_centre == pytest.approx(own.mean(), rel=1e-10)
    assert found.spread_upper == pytest.approx(high * own.mean(), rel=1e-10)
    assert found.spread_lower == pytest.approx(low * own.mean(), rel=1e-10, abs=1e-15)
    assert found.means.kind is LimitKind.CONTROL


@pytest.mark.parametrize("spread", list(Spread))
def test_robust_subgroup_limits_have_no_bias(spread):
    x = np.random.default_rng(6).standard_normal((20_000, 5))
    found = subgroup_limits(x, spread=spread, robust=True)
    assert found.within_sd == pytest.approx(1.0, abs=0.012)
    assert found.ratio_of_means == pytest.approx(1.0, abs=0.02)


def test_few_subgroups_give_prediction_limits():
    x = normal(40, seed=7).reshape(10, 4)
    found = subgroup_limits(x)
    assert found.means.kind is LimitKind.TRIAL
    assert found.means.df == 30
    pooled = math.sqrt(x.var(axis=1, ddof=1).mean())
    half = stats.t.isf(nominal_rate(3) / 2, 30) * pooled * math.sqrt(1 / 4 * (1 + 1 / 10))
    assert found.means.upper == pytest.approx(x.mean() + half, rel=1e-10)


def test_subgroup_screening_names_what_was_judged():
    x = normal(100, seed=8).reshape(25, 4)
    x[3] += 0.05
    x[9, 0] += 0.09
    found = subgroup_limits(x, screening=True)
    assert {(r.index, r.judged) for r in found.means.removed} >= {(3, "mean"), (9, "range")}


def test_visits_that_differ_show_in_the_ratio_of_means():
    rng = np.random.default_rng(9)
    x = rng.standard_normal((200, 4)) + 1.5 * rng.standard_normal((200, 1))
    assert subgroup_limits(x).ratio_of_means == pytest.approx(math.sqrt(1 + 4 * 1.5**2), rel=0.1)


@pytest.mark.parametrize(
    ("ask", "kind", "part"),
    [
        (lambda: individual_limits([0.3, 0.4]), EstimationError, "found 2 values, expected at least 3"),
        (lambda: individual_limits([0.3] * 25), EstimationError, "is zero"),
        (lambda: individual_limits([0.3, float("nan"), 0.4]), InputError, "point 2: found nan"),
        (lambda: individual_limits([[0.3, 0.4]]), InputError, "2 dimensions"),
        (lambda: individual_limits([0.3, 0.4, 0.35]), EstimationError, "moving ranges of 3 base results"),
        (lambda: individual_limits(normal(25), limit=0), EstimationError, "found 0"),
        (lambda: subgroup_limits(normal(25).reshape(25, 1)), EstimationError, "single results"),
        (lambda: subgroup_limits(np.ones((25, 3))), EstimationError, "no scatter within"),
        (lambda: subgroup_limits(normal(25)), InputError, "one row per point"),
    ],
)
def test_what_gives_no_limits_is_said(ask, kind, part):
    with pytest.raises(kind, match=part):
        ask()


@pytest.mark.parametrize(("size", "df"), [(2, 0.876), (3, 1.815), (4, 2.738), (5, 3.623), (8, 6.031)])
def test_the_mean_range_is_worth_as_many_degrees_of_freedom_as_published(size, df):
    # Source: degrees of freedom added by each further subgroup in the table of d2* (Duncan, Quality Control and
    # Industrial Statistics, table D3, also in the automotive handbook); values from memory.
    values = normal(30 * size).reshape(30, size)
    assert subgroup_limits(values).within_df == pytest.approx(30 * df, abs=30 * 0.002)


@pytest.mark.parametrize("size", [2, 4, 9])
def test_the_mean_standard_deviation_is_worth_nearly_those_of_the_runs(size):
    # By its definition: the standard deviation of n runs has mean c4 and variance 1 - c4², for σ = 1.
    found = subgroup_limits(normal(25 * size).reshape(25, size), spread=Spread.STANDARD_DEVIATION)
    c4 = chart_factors(size).c4
    assert found.within_df == pytest.approx(25 * c4**2 / (2 * (1 - c4**2)), rel=1e-12)
    assert 0.85 * 25 * (size - 1) < found.within_df < 25 * (size - 1)
