"""Which interval a component gets, and what it is where no table prints one.

What the reference cases print (chi-square, modified large-sample, profile) is held in test_reference_anova and
test_reference_fits; coverage is measured in tests/assurance.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from repeatab.base.interval import IntervalMethod
from repeatab.base.notes import NoteKind
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.component_limits import balanced_limits, pivotal_limits, within_reach
from repeatab.estimation.components import fit_components
from repeatab.estimation.even_draws import EvenDraws
from repeatab.estimation.intervals import combination_limits
from repeatab.estimation.pivotal import pivotal_components
from repeatab.estimation.small_sample_profile import own_degrees, small_sample_limits
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.simulate import planned_block, simulate_block

CROSSED = model_of(random=["rig", "set", ("rig", "set")])


def fit_of(rows, factors, model, sds, *, draws=1, seed=5, method=Method.AUTO):
    block = planned_block({name: [row[i] for row in rows] for i, name in enumerate(factors)})
    layout = layout_of(block, model)
    drawn = simulate_block(block, layout, np.square(sds), 0.4, draws, np.random.default_rng(seed))
    return BlockFit(block=drawn, layout=layout, method=method, level=0.95)


def gauge(draws=1, *, lost=0, sds=(0.006, 0.012, 0.004, 0.005), seed=5):
    rows = list(product(range(3), range(6), range(2)))
    kept = [rows[i] for i in sorted(np.random.default_rng(1).permutation(len(rows))[lost:])]
    return fit_of(kept, ("rig", "set", "run"), CROSSED, sds, draws=draws, seed=seed)


@pytest.mark.parametrize("df", [1, 2, 9, 60])
def test_even_draws_have_the_distribution_they_stand_for(df):
    source = EvenDraws()
    for _ in range(6):
        values = source.chisquare(df, 2048)
        for share in (0.01, 0.025, 0.5, 0.975, 0.99):
            # A share of 2.5 % is met to a twentieth of itself; random draws would be wrong by a seventh.
            assert np.mean(values <= stats.chi2.ppf(share, df)) == pytest.approx(share, abs=0.00125)


def test_even_draws_give_the_limits_of_very_many_random_ones():
    fit = gauge(lost=8)
    drawn = pivotal_components(fit, 0, draws=200_000, rng=np.random.default_rng(3))
    low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
    lower, upper = pivotal_limits(fit, level=0.95)
    assert (fit.variances > 0).all()
    assert upper[0] == pytest.approx(high, rel=0.04)
    assert lower[0] == pytest.approx(np.maximum(low, 0), rel=0.04, abs=0.02 * fit.variances.sum())


def test_with_one_random_term_the_limits_are_those_of_wald():
    """Wald (1940), Ann. Math. Statist. 11, 96-100: with repeatability as good as known, the limits of the rig
    component are where sum of the standardised squared deviations stands on its chi-square points."""
    rows = [(rig, run) for rig, runs in enumerate((200, 400, 800, 1600)) for run in range(runs)]
    fit = fit_of(rows, ("rig",), model_of(random=["rig"]), (0.02, 0.05))
    assert fit.interval_methods == (IntervalMethod.GENERALISED, IntervalMethod.CHI_SQUARE)
    mean, count = fit.block.mean[0, :, 0], fit.block.count
    for limit, tail in zip((fit.limits[0][0, 0], fit.limits[1][0, 0]), (0.975, 0.025), strict=True):
        weight = 1 / (limit + fit.variances[0, 1] / count)
        centre = np.average(mean, weights=weight)
        statistic = float(weight @ (mean - centre) ** 2)
        # Repeatability is known to 1.3 % here, and makes a hundredth of the scatter between rigs.
        assert stats.chi2.cdf(statistic, 3) == pytest.approx(tail, abs=0.004)


def test_repeatability_is_exact_chi_square_in_an_unbalanced_layout():
    fit = gauge(lost=8)
    ss = sum(
        float(((values := fit.block.mean[0, cells, 0]) - values.mean()) @ (values - values.mean()))
        for pair in {tuple(row[:2]) for row in fit.block.codes}
        for cells in [np.flatnonzero((fit.block.codes[:, :2] == pair).all(axis=1))]
    )
    df = fit.block.rows - len({tuple(row[:2]) for row in fit.block.codes})
    wanted = [ss / stats.chi2.ppf(p, df) for p in (0.975, 0.025)]
    assert [side[0, -1] for side in fit.limits] == pytest.approx(wanted, rel=1e-9)


def test_without_a_random_term_repeatability_is_exact_chi_square():
    rows = [("A", run) for run in range(5)] + [("B", run) for run in range(3)]
    fit = fit_of(rows, ("rig", "run"), model_of(random=[], fixed=["rig"]), (0.005,))
    ss = sum(float(np.var(part) * len(part)) for part in np.split(fit.block.mean[0, :, 0], [5]))
    assert fit.limits[1][0, 0] == pytest.approx(ss / stats.chi2.ppf(0.025, 6), rel=1e-9)


def test_a_component_below_zero_gets_the_upper_limit_of_one_at_zero():
    fit = gauge(400, sds=(0.0, 0.012, 0.0, 0.005))
    analysis = fit.mean_squares
    lower, upper = balanced_limits(analysis, level=0.95)
    below = analysis.components[:, 0] < 0
    assert 50 < below.sum() < 350
    # Rig against rig by set: (MS - MS) / 12, the first raised to the second.
    level_with = analysis.ms.copy()
    level_with[:, 0] = level_with[:, 2]
    _, wanted = combination_limits(np.array([1, 0, -1, 0]) / 12, level_with, analysis.df, level=0.95)
    assert upper[below, 0] == pytest.approx(wanted[below], rel=1e-9)
    assert (lower[below, 0] == 0).all()
    # No interval is "0 to 0", and no limit jumps where an estimate passes zero.
    assert (upper > 0).all()
    _, plain = combination_limits(analysis.combination[0], analysis.ms, analysis.df, level=0.95)
    assert upper[~below, 0] == pytest.approx(plain[~below], rel=1e-12)


def test_no_unbalanced_interval_is_zero_to_zero():
    fit = gauge(100, lost=8, sds=(0.0, 0.012, 0.0, 0.005))
    assert (fit.limits[1] > 0).all()
    assert (fit.limits[0][fit.variances <= 0] == 0).all()


def test_a_large_layout_has_profile_limits_and_says_so():
    rows = [(rig, pad, run) for rig in range(3) for pad in range(400) for run in range(1 + (rig + pad) % 2)]
    fit = fit_of(rows, ("rig", "set"), model_of(random=["rig", "set"]), (0.006, 0.012, 0.005))
    assert not within_reach(fit.layout)
    assert set(fit.interval_methods) == {IntervalMethod.PROFILE}


def test_profile_limits_of_one_mean_square_are_exact_with_few_levels():
    """Three rigs so different that repeatability counts for nothing: the limits are those of chi-square with 2 df."""
    rows = [(rig, pad) for rig in range(3) for pad in range(700 + 100 * rig)]
    fit = fit_of(rows, ("rig",), model_of(random=["rig"]), (1.0, 0.001))
    lower, upper = small_sample_limits(fit.system, fit.minimum, fit.layout, level=0.95)
    estimate = fit.minimum.theta[0, 0]
    assert lower[0, 0] == pytest.approx(2 * estimate / stats.chi2.ppf(0.975, 2), rel=1e-4)
    assert upper[0, 0] == pytest.approx(2 * estimate / stats.chi2.ppf(0.025, 2), rel=1e-4)


def test_own_degrees_of_freedom_are_those_of_the_design():
    """Ranks of the columns of each term beside those of all terms that do not lie within it."""
    fit = gauge(lost=8)
    terms = [fit.layout.random[i] for i in fit.layout.estimated]
    columns = [np.eye(term.size)[term.codes] for term in terms]
    one = np.ones((len(fit.block.count), 1))
    for j, found in enumerate(own_degrees(fit.system, fit.layout)):
        beside = [columns[k] for k in range(3) if k != j and not terms[k].is_finer_than(terms[j])]
        rest = np.concatenate([one, *beside], axis=1)
        rank = np.linalg.matrix_rank(np.concatenate([rest, columns[j]], axis=1)) - np.linalg.matrix_rank(rest)
        assert found == rank


@pytest.mark.parametrize(
    ("lost", "method"),
    [(0, "modified large-sample"), (5, "generalised pivotal")],
    ids=["balanced", "unbalanced"],
)
def test_the_fit_says_how_its_limits_were_formed_and_where_levels_are_few(lost, method):
    rng = np.random.default_rng(8)
    rows = [
        (rig, pad, 0.4 + 0.01 * rng.standard_normal()) for rig in "ABC" for pad in range(6) for _ in range(2)
    ]
    table = pd.DataFrame(rows[: len(rows) - lost], columns=["rig", "pad_set", "mu"])
    notes = fit_components(table, result="mu", random=["rig", "pad_set"]).notes
    (limits,) = [note for note in notes if note.kind is NoteKind.INTERVAL]
    assert method in limits.text
    assert "exact chi-square for repeatability" in limits.text
    (few,) = [note for note in notes if note.kind is NoteKind.FEW_LEVELS]
    assert few.sources == ("rig",)
    # sqrt(2 / 7.378) and sqrt(2 / 0.0506): chi-square points of any table.
    assert "0.52 to 6.3 times" in few.text
    assert "more levels of rig do" in few.remedy
