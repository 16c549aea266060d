"""T² across sections and its moving-average form: distributions, published run lengths, the sections
named.
"""

import math

import numpy as np
import pytest
from scipy import stats

from repeatab.base.errors import EstimationError, InputError, StudyError
from repeatab.control.charts import Ewma
from repeatab.control.ewma import ewma_series
from repeatab.control.mewma import mewma_limit, mewma_run_length, mewma_series
from repeatab.control.multivariate import drivers, joint_base
from repeatab.control.robust_covariance import robust_covariance
from repeatab.control.run_length import average_run_length

MIX = np.array([[1.0, 0.8, 0.3], [0.0, 0.6, 0.5], [0.0, 0.0, 0.7]])


def runs(n, seed, p=3):
    return 0.4 + 0.01 * np.random.default_rng(seed).standard_normal((n, p)) @ MIX[:p, :p]


def test_one_section_is_students_t():
    x = runs(25, 1, p=1)
    found = joint_base(x, false_alarm=0.01)
    assert found.new_limit == pytest.approx(stats.t.isf(0.005, 24) ** 2 * (1 + 1 / 25), rel=1e-9)
    z = (x[:, 0] - x.mean()) / x.std(ddof=1)
    assert found.values == pytest.approx(z**2, rel=1e-9)
    # Thompson (1935): a studentised deviation of the base itself, turned into Student's t with n − 2.
    t = stats.t.isf(0.005, 23)
    assert found.base_limit == pytest.approx(24**2 / 25 * t**2 / (23 + t**2), rel=1e-9)


def test_base_values_add_up_and_are_free_of_units():
    x = runs(30, 2)
    found = joint_base(x)
    assert found.values.sum() == pytest.approx(29 * 3, rel=1e-9)
    turned = joint_base(x * np.array([1.0, 1000.0, 0.01]) + 5)
    assert turned.values == pytest.approx(found.values, rel=1e-8)
    mixed = joint_base(x @ np.array([[1.0, 2, 0], [0, 1, 1], [1, 0, 1]]))
    assert mixed.values == pytest.approx(found.values, rel=1e-6)


def test_limits_keep_their_false_alarms():
    rng, base, new = np.random.default_rng(3), 0, 0
    for _ in range(1500):
        x = rng.standard_normal((14, 4))
        found = joint_base(x, false_alarm=0.05)
        base += int((found.values > found.base_limit).sum())
        new += int((found.t2(rng.standard_normal((10, 4))) > found.new_limit).sum())
    # Values of one base share their estimates, so the error is larger than that of independent ones: twice
    # allowed.
    assert base / 21_000 == pytest.approx(0.05, abs=0.01)
    assert new / 15_000 == pytest.approx(0.05, abs=0.012)


def test_a_section_far_off_is_named():
    base = joint_base(runs(40, 4))
    sd = np.sqrt(np.diag(base.covariance))
    found = drivers(base.centre + np.array([0, 0, 6.0]) * sd, base)
    assert found.sections == (2,)
    assert found.alone == pytest.approx([0, 0, 6.0], abs=1e-9)
    assert int(np.argmax(found.given_others)) == 2
    assert found.t2 > found.limit


def test_sections_out_of_line_with_each_other_are_named_though_each_is_within_its_own_limits():
    rng = np.random.default_rng(5)
    common = rng.standard_normal((60, 1))
    base = joint_base(common + 0.2 * rng.standard_normal((60, 4)))
    sd = np.sqrt(np.diag(base.covariance))
    found = drivers(base.centre + np.array([0, -2.0, 0, 0]) * sd, base)
    assert np.abs(found.alone).max() < 2.5
    assert found.t2 > found.limit
    assert found.sections == (1,)


def test_no_signal_has_no_drivers_and_many_sections_are_taken_one_by_one():
    base = joint_base(runs(40, 6))
    assert drivers(base.centre, base).sections == ()
    wide = joint_base(np.random.default_rng(7).standard_normal((60, 14)))
    shifted = wide.centre.copy()
    shifted[[3, 9]] += 15
    assert drivers(shifted, wide).sections == (3, 9)


# Prabhu & Runger (1997), J. Quality Technology 29, 8-15, weight 0.1, in-control run length 200; printed
# values from memory. They come from a Markov chain good to about 0.3 %.
@pytest.mark.parametrize(
    ("sections", "limit", "printed"),
    [
        (2, 8.64, {0.5: 28.07, 1.0: 10.15, 1.5: 6.11, 2.0: 4.42, 3.0: 2.93}),
        (4, 12.73, {0.5: 35.11, 1.0: 12.17, 1.5: 7.22, 2.0: 5.19, 3.0: 3.41}),
    ],
)
def test_moving_average_run_lengths_as_published(agrees, sections, limit, printed):
    assert mewma_limit(sections, weight=0.1, in_control=200) == pytest.approx(limit, abs=0.011)
    for shift, value in printed.items():
        found = mewma_run_length(sections, weight=0.1, limit=limit, shift=shift)
        assert agrees(found, value, digits=2), (shift, found)


@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_one_section_is_the_ewma_chart(shift):
    found = mewma_run_length(1, weight=0.2, limit=2.8**2, shift=shift)
    assert found == pytest.approx(average_run_length(Ewma(weight=0.2, limit=2.8), shift=shift), rel=1e-9)


@pytest.mark.parametrize("shift", [0.0, 1.5])
def test_all_weight_on_the_last_run_is_t2_itself(shift):
    limit = stats.chi2.isf(0.005, 3)
    expected = 1 / (stats.ncx2.sf(limit, 3, shift**2) if shift else 0.005)
    assert mewma_run_length(3, weight=1.0, limit=limit, shift=shift) == pytest.approx(expected, rel=1e-9)


def test_a_vanishing_shift_leads_to_the_run_length_in_control():
    # Two quadratures of different kinds: along the length alone, and along and across the shift.
    zero = mewma_run_length(3, weight=0.15, limit=10.5)
    assert mewma_run_length(3, weight=0.15, limit=10.5, shift=1e-9) == pytest.approx(zero, rel=1e-5)


def simulate(replicates, seed):
    rng, weight, limit, shift = np.random.default_rng(seed), 0.2, 10.0, 1.0
    z, found = np.zeros((replicates, 3)), np.zeros(replicates, dtype=int)
    step = np.array([shift / math.sqrt(3)] * 3)
    for t in range(1, 400):
        z += weight * (rng.standard_normal((replicates, 3)) + step - z)
        out = (z**2).sum(axis=1) * (2 - weight) / weight > limit
        found[(found == 0) & out] = t
    assert found.min() > 0
    computed = mewma_run_length(3, weight=weight, limit=limit, shift=shift)
    assert computed == pytest.approx(found.mean(), abs=4 * found.std() / math.sqrt(replicates))


def test_simulated_run_length():
    simulate(5000, 8)


@pytest.mark.full
def test_simulated_run_length_at_length():
    simulate(300_000, 9)


def test_moving_averages_of_sections_are_those_of_each_section():
    x = runs(20, 10)
    base = joint_base(runs(50, 11))
    found = mewma_series(x, centre=base.centre, covariance=base.covariance, weight=0.3, limit=10)
    for j in range(3):
        one = ewma_series(x[:, j], Ewma(weight=0.3, limit=3), centre=float(base.centre[j]), sd=1.0)
        assert found.averages[:, j] == pytest.approx(one.average - base.centre[j], abs=1e-12)
    inverse = np.linalg.inv(base.covariance * 0.3 / 1.7)
    assert found.t2 == pytest.approx([a @ inverse @ a for a in found.averages], rel=1e-9)
    assert found.signals == tuple(np.flatnonzero(found.t2 > 10))


@pytest.mark.parametrize(
    ("ask", "kind", "part"),
    [
        (lambda: joint_base(runs(4, 1)), EstimationError, "4 base runs for 3 sections, expected at least 5"),
        (
            lambda: joint_base(np.c_[runs(20, 1), runs(20, 1)[:, 0] * 2]),
            EstimationError,
            "combination of the others",
        ),
        (lambda: joint_base(np.c_[runs(20, 1), np.ones(20)]), EstimationError, "section 4 does not scatter"),
        (lambda: joint_base(runs(20, 1), false_alarm=0), EstimationError, "rate of 0"),
        (lambda: joint_base(runs(20, 1)).t2(np.ones((2, 4))), InputError, "4 sections"),
        (lambda: mewma_limit(2, weight=0, in_control=200), StudyError, "weight: found 0"),
        (lambda: mewma_limit(2, weight=0.1, in_control=1), StudyError, "found 1"),
        (lambda: mewma_run_length(2, weight=0.1, limit=-1), EstimationError, "limit -1"),
        (lambda: mewma_run_length(2, weight=0.001, limit=9), EstimationError, "too small"),
    ],
)
def test_what_cannot_be_charted_is_said(ask, kind, part):
    with pytest.raises(kind, match=part):
        ask()


def test_robust_covariance_is_that_of_a_general_library_up_to_its_scale():
    """Against statsmodels.robust.covariance.cov_ogk (median distances, two rounds), which scales it otherwise."""
    pytest.importorskip("statsmodels", minversion="0.15")
    from statsmodels.robust.covariance import cov_ogk

    x = np.random.default_rng(4).standard_normal((40, 3)) @ MIX
    centre, covariance = robust_covariance(x)
    expected = cov_ogk(x)
    assert centre == pytest.approx(expected.mean, abs=1e-12)
    ratio = covariance / expected.cov
    assert ratio == pytest.approx(np.full((3, 3), ratio[0, 0]), rel=1e-10)
    # The scale by its definition: the median squared distance is that of normal results.
    away = x - centre
    squared = np.einsum("ij,jk,ik->i", away, np.linalg.inv(covariance), away)
    assert np.median(squared) == pytest.approx(stats.chi2.ppf(0.5, 3), rel=1e-10)


def test_wild_runs_do_not_move_the_robust_covariance_and_its_limit_keeps_the_rate():
    rng = np.random.default_rng(5)
    x = rng.standard_normal((40, 3))
    wild = x.copy()
    wild[:6, 0] += 30
    robust, plain = (joint_base(wild, robust=one) for one in (True, False))
    assert np.sqrt(robust.covariance[0, 0]) < 2
    assert np.sqrt(plain.covariance[0, 0]) > 8
    assert (robust.values[:6] > robust.base_limit).all()
    beyond = []
    for _ in range(100):
        base = joint_base(rng.standard_normal((40, 3)), false_alarm=0.02, robust=True)
        beyond.append((base.t2(rng.standard_normal((400, 3))) > base.new_limit).mean())
    # 100 base periods leave 8 % on the rate, and so do the 500 of the limit.
    assert np.mean(beyond) == pytest.approx(0.02, rel=0.3)
