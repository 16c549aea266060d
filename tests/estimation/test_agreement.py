"""Limits of agreement and concordance: the peak-flow example, the definitions of the limits' intervals, coverage."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.estimation.agreement import LimitInterval, agreement_limits, concordance, limits_of
from repeatab.estimation.concordance_limits import fisher_scale


@pytest.fixture
def peak_flow(reference_folder):
    """Bland & Altman (1986), table 1: first readings of two flow meters on 17 subjects, and what they printed."""
    folder = reference_folder / "standards"
    with (folder / "agreement_peak_flow.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    large, mini = (np.array([float(r[f"{name}_meter_1"]) for r in rows]) for name in ("large", "mini"))
    return large, mini, json.loads((folder / "agreement_peak_flow.json").read_text(encoding="utf-8"))


def test_peak_flow_limits_as_printed_in_1986(peak_flow):
    large, mini, reference = peak_flow
    printed = reference["expected"]["first_readings"]
    found = agreement_limits(large - mini, level=0.95, factor=2, method=LimitInterval.APPROXIMATE)
    assert found.mean == pytest.approx(printed["mean_difference"], abs=0.05)
    assert found.sd == pytest.approx(printed["s"], abs=0.05)
    # The paper rounds the mean and s before it forms limits: -2.1 - 2 * 38.8.
    assert [found.lower, found.upper] == pytest.approx(printed["limits"], abs=0.1)
    assert [found.mean_interval.lower, found.mean_interval.upper] == pytest.approx(
        printed["ci_mean"], abs=0.06
    )
    # The paper's intervals of the limits, -114.3 to -45.1 and 40.9 to 110.1 (from memory), rounded likewise.
    assert [found.lower_interval.lower, found.lower_interval.upper] == pytest.approx([-114.3, -45.1], abs=0.2)
    assert [found.upper_interval.lower, found.upper_interval.upper] == pytest.approx([40.9, 110.1], abs=0.2)


def test_peak_flow_recomputed_to_all_digits(peak_flow):
    large, mini, reference = peak_flow
    expected = reference["recomputed"]
    tight = {"rel": 1e-9}
    two, usual = (agreement_limits(large - mini, level=0.95, factor=k) for k in (2, 1.96))
    assert two.mean == pytest.approx(expected["mean_difference"], **tight)
    assert two.sd == pytest.approx(expected["s"], **tight)
    assert [two.lower, two.upper] == pytest.approx(expected["limits_factor_2"], **tight)
    # Recomputed with the exact normal point 1.959964, of which the file keeps more digits than 1.96 has.
    assert [usual.lower, usual.upper] == pytest.approx(expected["limits_1.96"], abs=2e-3)
    lin = concordance(large, mini, level=0.95)
    assert lin.correlation == pytest.approx(expected["r"], **tight)
    assert lin.coefficient == pytest.approx(expected["concordance_coefficient_Lin_n_divisor"], **tight)
    assert lin.correlation * lin.accuracy == pytest.approx(lin.coefficient, rel=1e-12)


@pytest.mark.parametrize("factor", [1.96, 2.0])
@pytest.mark.parametrize("sets", [2, 5, 17, 200])
def test_exact_interval_of_a_limit_is_where_noncentral_t_stands_on_its_points(sets, factor):
    d = np.random.default_rng(sets).normal(0.01, 0.02, sets)
    found = agreement_limits(d, level=0.90, factor=factor)
    for end, tail in ((found.upper_interval.lower, 0.95), (found.upper_interval.upper, 0.05)):
        # If the true limit mu + factor sigma stood at the lower end, a mean this near to it (or nearer, or
        # beyond) would be one in twenty; at the upper end, one this far from it.
        t = np.sqrt(sets) * (found.mean - end) / found.sd
        assert stats.nct.cdf(t, sets - 1, -factor * np.sqrt(sets)) == pytest.approx(tail, abs=1e-8)


def test_exact_interval_agrees_with_the_table_of_one_sided_tolerance_factors():
    # One-sided tolerance factors of ISO 16269-6 (table for unknown sigma), n = 10, content 0.95, confidence 0.95:
    # 2.911. Value from memory. It is the end, counted in s from the mean, of the interval of a limit at 1.645.
    d = np.random.default_rng(1).normal(size=10)
    found = agreement_limits(d, level=0.90, factor=float(stats.norm.ppf(0.95)))
    assert (found.upper_interval.upper - found.mean) / found.sd == pytest.approx(2.911, abs=6e-4)


def test_coverage_of_the_intervals_of_the_limits():
    # 4,000 studies of six sets; Monte Carlo error 0.0035. The approximate interval misses more, on the outside.
    rng = np.random.default_rng(4)
    data = rng.normal(0, 1, (4000, 6))
    hits = dict.fromkeys(LimitInterval, 0)
    for d in data:
        for method in LimitInterval:
            interval = agreement_limits(d, level=0.95, method=method).upper_interval
            hits[method] += not interval.excludes(1.96)
    assert hits[LimitInterval.EXACT] / 4000 == pytest.approx(0.95, abs=0.0105)
    assert hits[LimitInterval.APPROXIMATE] < hits[LimitInterval.EXACT]


def test_an_order_effect_costs_a_degree_of_freedom():
    plain = limits_of(0.0, 1.0, leverage=1 / 8, df=7, level=0.95)
    ordered = limits_of(0.0, 1.0, leverage=1 / 8, df=6, level=0.95)
    assert ordered.upper == plain.upper
    assert ordered.upper_interval.upper > plain.upper_interval.upper
    assert ordered.mean_interval.upper > plain.mean_interval.upper


def test_variance_of_the_coefficient_is_lins_formula_as_corrected(peak_flow):
    # Lin (1989) with the correction of 2000: variance of the transformed coefficient, formula from memory.
    large, mini, _ = peak_flow
    shifted = mini + 15.0
    found = concordance(large, shifted, level=0.95)
    n, c, r = len(large), found.coefficient, found.correlation
    u2 = (large.mean() - shifted.mean()) ** 2 / (large.std() * shifted.std())
    variance = (
        (1 - r**2) * c**2 / ((1 - c**2) * r**2)
        + 2 * c**3 * (1 - c) * u2 / (r * (1 - c**2) ** 2)
        - c**4 * u2**2 / (2 * r**2 * (1 - c**2) ** 2)
    ) / (n - 2)
    (aa, ab), (_, bb) = np.cov(large, shifted, ddof=0)
    z, se = fisher_scale(np.array([aa, bb, ab]), large.mean() - shifted.mean(), n)
    assert (float(z), float(se)) == pytest.approx((np.arctanh(c), np.sqrt(variance)), rel=1e-10)


def test_with_many_sets_the_interval_of_the_coefficient_is_lins_own():
    rng = np.random.default_rng(4)
    sets = rng.normal(0, 2, 4000)
    a, b = sets + rng.normal(0.3, 1, 4000), sets + rng.normal(0, 1, 4000)
    found = concordance(a, b, level=0.95)
    (aa, ab), (_, bb) = np.cov(a, b, ddof=0)
    z, se = fisher_scale(np.array([aa, bb, ab]), a.mean() - b.mean(), 4000)
    lower, upper = np.tanh(z + stats.norm.ppf(0.975) * se * np.array([-1, 1]))
    width = upper - lower
    assert found.interval.lower == pytest.approx(lower, abs=0.08 * width)
    assert found.interval.upper == pytest.approx(upper, abs=0.08 * width)


friction = st.lists(st.tuples(st.floats(0.2, 0.6), st.floats(-0.05, 0.05)), min_size=5, max_size=15)


@given(pairs=friction, scale=st.floats(0.1, 10), shift=st.floats(-1, 1))
def test_laws_of_agreement(pairs, scale, shift):
    a = np.array([p[0] for p in pairs])
    b = a + np.array([p[1] for p in pairs])
    if min(np.ptp(a), np.ptp(b), np.ptp(a - b)) < 1e-3:
        return
    plain, moved = (
        agreement_limits(k * (a - b), level=0.95, method=m)
        for k, m in ((1, LimitInterval.EXACT), (-scale, LimitInterval.EXACT))
    )
    assert moved.lower == pytest.approx(-scale * plain.upper, rel=1e-9, abs=1e-12)
    assert moved.upper_interval.upper == pytest.approx(
        -scale * plain.lower_interval.lower, rel=1e-9, abs=1e-12
    )
    one, other = concordance(a, b, level=0.9), concordance(scale * b + shift, scale * a + shift, level=0.9)
    assert other.coefficient == pytest.approx(one.coefficient, rel=1e-8, abs=1e-10)
    assert other.interval.lower == pytest.approx(one.interval.lower, rel=1e-6, abs=1e-8)
    assert -1 <= one.interval.lower <= one.coefficient <= one.interval.upper <= 1


def test_what_cannot_be_judged_is_refused_in_words():
    with pytest.raises(LayoutError, match=r"1 set\(s\) ran on both"):
        agreement_limits(np.array([0.1]), level=0.95)
    with pytest.raises(EstimationError, match="not copies"):
        agreement_limits(np.zeros(5), level=0.95)
    with pytest.raises(LayoutError, match="at least four"):
        concordance(np.arange(3.0), np.arange(3.0) + 0.1, level=0.95)
    with pytest.raises(EstimationError, match="no scatter"):
        concordance(np.ones(5), np.arange(5.0), level=0.95)
    with pytest.raises(EstimationError, match="agree exactly"):
        concordance(np.arange(5.0), np.arange(5.0), level=0.95)
