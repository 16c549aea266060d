"""What few base results cost: exact distributions, the known 2.3 %, and simulated base periods."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.estimated_limits import estimated_limits
from repeatab.control.rule_batch import rule_run_lengths
from repeatab.control.rules import RunRule
from repeatab.control.run_length import average_run_length, run_length
from repeatab.control.scatter_distribution import rate_beyond, ratio_density, ratio_range


def test_ten_base_results_behind_moving_range_limits():
    # Mean of ten, three standard deviations from their mean moving range: a new normal result lies beyond
    # with probability 2.343 %, averaged over base periods, instead of 0.27 %.
    found = estimated_limits(Shewhart(), base=10)
    assert found.false_alarm == pytest.approx(0.023, abs=0.0005)
    rng = np.random.default_rng(31)
    x = rng.standard_normal((400_000, 10))
    sd = np.abs(np.diff(x, axis=1)).mean(axis=1) * math.sqrt(math.pi) / 2
    rate = 2 * ndtr(-3 * sd / math.sqrt(1.1))
    assert found.false_alarm == pytest.approx(rate.mean(), abs=4 * rate.std() / math.sqrt(rate.size))
    assert found.nominal_false_alarm == pytest.approx(0.0027, abs=5e-7)
    assert "2.34% of points beyond the limits instead of 0.27%" in str(found)


def test_two_results_have_a_closed_form():
    # One moving range is |difference|: the ratio is Student's t with one degree of freedom.
    ratio = 3 * math.sqrt(2) * math.sqrt(math.pi) / 2 / math.sqrt(1.5)
    found = rate_beyond(3, df=None, count=2, centre_variance=0.5)
    assert found == pytest.approx(2 * stats.t.sf(ratio, 1), rel=1e-6)


def test_three_results_by_a_double_integral():
    # Differences of three normal values are correlated −1/2; their mean moving range integrated directly.
    z = np.linspace(-9, 9, 1801)
    a, b = np.meshgrid(z * math.sqrt(2), z * math.sqrt(2), indexing="ij")
    density = stats.multivariate_normal([0, 0], [[2, -1], [-1, 2]]).pdf(np.dstack([a, b]))
    sd = (np.abs(a) + np.abs(b)) / 2 * math.sqrt(math.pi) / 2
    cell = (0.01 * math.sqrt(2)) ** 2
    direct = (density * 2 * ndtr(-3 * sd / math.sqrt(1 + 1 / 3))).sum() * cell
    # The integrand has a kink on the axes: steps of 0.014 leave 1e-5.
    assert rate_beyond(3, df=None, count=3, centre_variance=1 / 3) == pytest.approx(direct, rel=1e-4)


def nodes(df, count):
    low, high = ratio_range(df=df, count=count)
    unit, weight = np.polynomial.legendre.leggauss(120)
    ratio = (low + high) / 2 + (high - low) / 2 * unit
    return ratio, ratio_density(ratio, df=df, count=count) * weight * (high - low) / 2


@pytest.mark.parametrize("df", [9, 60])
def test_a_standard_deviation_gives_students_t(df):
    found = estimated_limits(Shewhart(limit=2.5), base=20, df=df)
    expected = 2 * stats.t.sf(2.5 / math.sqrt(1.05), df)
    assert found.false_alarm == pytest.approx(expected, rel=1e-12)
    # The quadrature that gives the run lengths must give the same rate.
    ratio, weight = nodes(df, 20)
    assert weight @ (2 * ndtr(-2.5 * ratio / math.sqrt(1.05))) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("count", [8, 10, 25, 80])
def test_distribution_of_the_mean_moving_range(count):
    ratio, weight = nodes(None, count)
    assert weight @ ratio == pytest.approx(1.0, abs=2e-5)
    assert weight.sum() == pytest.approx(1.0, abs=2e-5)
    # Kamat (1953), Biometrika 40, 116-127: the variance of the mean successive difference, from the
    # correlation of neighbouring differences (−1/2) through E|X Y| of the bivariate normal distribution.
    m = count - 1
    own = math.pi / 2 - 1
    joint = (math.sqrt(3) / 2 + math.asin(0.5) / 2) - 1
    variance = (m * own + 2 * (m - 1) * joint) / m**2
    assert weight @ ratio**2 - 1 == pytest.approx(variance, rel=1e-3)


@pytest.mark.parametrize("df", [None, 11])
def test_run_lengths_of_simulated_base_periods(df):
    rng = np.random.default_rng(32)
    x = rng.standard_normal((60_000, 12))
    sd = (
        np.abs(np.diff(x, axis=1)).mean(axis=1) * math.sqrt(math.pi) / 2
        if df is None
        else x.std(axis=1, ddof=1)
    )
    centre = x.mean(axis=1)
    rate = ndtr(centre - 3 * sd) + ndtr(-centre - 3 * sd)
    found = estimated_limits(Shewhart(), base=12, df=df)
    assert found.one_in_ten == pytest.approx(np.quantile(1 / rate, 0.1), rel=0.03)
    assert found.typical == pytest.approx(np.quantile(1 / rate, 0.5), rel=0.03)
    assert found.below_half == pytest.approx(np.mean(1 / rate < 185.2), abs=0.01)
    assert np.mean((1 - rate) ** found.median) == pytest.approx(0.5, abs=0.005)


def test_a_cusum_of_simulated_base_periods():
    chart = Cusum(reference=0.5, decision=4)
    rng = np.random.default_rng(33)
    x = rng.standard_normal((1500, 30))
    averages = [
        average_run_length(chart, shift=-row.mean() / row.std(ddof=1), scale=1 / row.std(ddof=1)) for row in x
    ]
    found = estimated_limits(chart, base=30, df=29)
    # 1500 periods leave 5 % on a quantile of so wide a distribution.
    assert found.typical == pytest.approx(np.quantile(averages, 0.5), rel=0.08)
    assert found.one_in_ten == pytest.approx(np.quantile(averages, 0.1), rel=0.08)
    assert found.false_alarm is None
    assert found.nominal == pytest.approx(167.68, abs=0.01)


@pytest.mark.parametrize(
    "chart", [Shewhart(), Shewhart(rules=(RunRule.same_side(9),)), Ewma(weight=0.2, limit=2.86)], ids=str
)
def test_many_base_results_lead_back_to_true_limits(chart):
    few, many = (estimated_limits(chart, base=n, df=n - 1) for n in (15, 20_000))
    assert many.typical == pytest.approx(many.nominal, rel=0.02)
    assert many.one_in_ten == pytest.approx(many.nominal, rel=0.08)
    assert few.one_in_ten < many.one_in_ten
    assert many.below_half == pytest.approx(0, abs=1e-6)


RULES = (RunRule.same_side(9), RunRule.trend(6))


def first_signals(z):
    """First point at which a point lies beyond 3, nine in a row on one side, or six rise or fall; by counting."""
    steps = np.sign(np.diff(z, axis=1, prepend=z[:, :1]))
    side, way = np.sign(z), np.where(np.arange(z.shape[1]) == 0, 0, steps)
    found = np.full(z.shape[0], z.shape[1] + 1)
    run, rise = np.zeros(z.shape[0]), np.ones(z.shape[0])
    for t in range(z.shape[1]):
        run = np.where((t > 0) & (side[:, t] == side[:, t - 1]), run + 1, 1)
        rise = np.where((t > 0) & (way[:, t] == way[:, t - 1]), rise + 1, np.where(t > 0, 2, 1))
        given = (np.abs(z[:, t]) > 3) | (run >= 9) | (rise >= 6)
        found = np.where(given & (found > z.shape[1]), t + 1, found)
    return found


def base_periods(count, rng, size=24):
    x = rng.standard_normal((count, size))
    return x.mean(axis=1)[:, None], x.std(axis=1, ddof=1)[:, None]


def test_half_of_the_charts_with_several_rules_have_signalled():
    rng = np.random.default_rng(34)
    centre, sd = base_periods(6000, rng)
    points = first_signals((rng.standard_normal((6000, 120)) - centre) / sd)
    found = estimated_limits(Shewhart(rules=RULES), base=24, df=23)
    # 6000 charts leave 0.65 % on the share; one point more or less is another 1 %.
    assert np.mean(points <= found.median) == pytest.approx(0.5, abs=0.03)
    assert found.median < 0.75 * run_length(Shewhart(rules=RULES)).median


@pytest.mark.full
def test_run_lengths_of_charts_with_several_rules_vary_as_simulated():
    rng = np.random.default_rng(35)
    averages = []
    for centre, sd in zip(*base_periods(500, rng), strict=True):
        z = (rng.standard_normal((300, 1500)) - centre) / sd
        averages.append(np.minimum(first_signals(z), 1500).mean())
    found = estimated_limits(Shewhart(rules=RULES), base=24, df=23)
    # 500 base periods leave 5 to 8 % on quantiles of so wide a distribution, 300 runs each another 6 % on each value.
    assert found.typical == pytest.approx(np.quantile(averages, 0.5), rel=0.12)
    assert found.one_in_ten == pytest.approx(np.quantile(averages, 0.1), rel=0.12)
    assert found.below_half == pytest.approx(np.mean(np.array(averages) < found.nominal / 2), abs=0.06)


@pytest.mark.parametrize(
    "rules",
    [RULES, (RunRule.same_side(8), RunRule.one_side(2, of=3, sigmas=2.0)), (RunRule.alternating(14),)],
    ids=["rises", "zones", "alternating"],
)
def test_many_cases_at_once_are_those_one_by_one(rules):
    chart, shift, scale = Shewhart(rules=rules), np.array([0.0, 0.4, 0.1]), np.array([0.6, 1.0, 1.4])
    found = rule_run_lengths(chart, shift=shift, scale=scale)
    single = [run_length(chart, shift=float(s), scale=float(w)) for s, w in zip(shift, scale, strict=True)]
    # Six nodes in a zone of 1.7 standard deviations of the points; two to three digits better at the other scales.
    assert found.average == pytest.approx([one.average for one in single], rel=2e-5)
    for points in (1, 20, 300):
        expected = [one.without_signal(points) for one in single]
        assert found.without_signal(points) == pytest.approx(expected, rel=1e-4)


def test_too_few_results_are_refused():
    with pytest.raises(EstimationError, match="found 1 base points"):
        estimated_limits(Shewhart(), base=1, df=3)
    with pytest.raises(EstimationError, match="at least 8"):
        estimated_limits(Shewhart(), base=6)
