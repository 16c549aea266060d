"""Capability: the handbook's example by analysis of variance, ratios and their limits, unbalanced layouts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from repeatab.cells import reduce_to_cells
from repeatab.estimation.components import fit_cells
from repeatab.estimation.pivotal import pivotal_components
from repeatab.judgement import capability as module
from repeatab.judgement.capability import Source, SourceRole, capabilities
from repeatab.judgement.equal_scatter import equality_of_scatter
from repeatab.judgement.intraclass import one_way, two_way_agreement, two_way_consistency
from repeatab.judgement.measures import categories_of_ratio, distinct_categories, percent_of_tolerance
from repeatab.layout.terms import model_of

ROLES = {
    "appraiser": SourceRole.REPRODUCIBILITY,
    "rig": SourceRole.REPRODUCIBILITY,
    "judge": SourceRole.REPRODUCIBILITY,
    "part": SourceRole.PART,
    "pad_set": SourceRole.PART,
    "subject": SourceRole.PART,
    "batch": SourceRole.PART,
}


def judged(case, random=None, seed=1):
    model = model_of(random=random or case.random)
    cells = reduce_to_cells(case.frame, result=case.result, factors=list(model.keys))
    fit = fit_cells(cells, model).blocks[0]
    sources = [
        Source(
            names=(term.name,),
            role=ROLES[term.factors[0]] if len(term.factors) == 1 else SourceRole.INTERACTION,
        )
        for term in fit.layout.model.random
    ]
    sources.append(Source(names=("repeatability",), role=SourceRole.REPEATABILITY))
    return fit, capabilities(fit, sources, generators=[np.random.default_rng(seed)])[0]


@pytest.mark.parametrize("how", ["pooled", "constrained"])
def test_handbook_example_by_analysis_of_variance(variance_case, how):
    # Source: automotive measurement-systems handbook, worked example: the interaction is not significant and
    # is pooled with repeatability (78 df). With the interaction kept, its component held at zero is the same
    # thing.
    case = variance_case("handbook_ten_parts")
    expected = case.expected["pooled_anova"]
    _, found = judged(case, random=["appraiser", "part"] if how == "pooled" else None)
    # Closed form where pooled; otherwise REML, settled to about 1e-9 of the total.
    rel = 1e-11 if how == "pooled" else 1e-7
    assert found.repeatability.sd == pytest.approx(expected["EV"], rel=rel)
    assert found.reproducibility.sd == pytest.approx(expected["AV"], rel=rel)
    assert found.grr.sd == pytest.approx(expected["GRR"], rel=rel)
    assert found.parts.sd == pytest.approx(expected["PV"], rel=rel)
    assert found.total.sd == pytest.approx(expected["TV"], rel=rel)
    assert found.total_percent.value == pytest.approx(expected["grr_percent"], rel=rel)
    assert distinct_categories(found.parts.sd, found.grr.sd) == int(expected["distinct_categories_unrounded"])
    remembered = case.expected["published_from_memory"]["values"]
    assert found.repeatability.sd == pytest.approx(remembered["pooled_EV"]["remembered"], abs=6e-7)
    assert found.parts.sd == pytest.approx(remembered["pooled_PV"]["remembered"], abs=6e-7)


def test_negative_component_is_kept_raw_and_shown_as_zero(variance_case):
    case = variance_case("handbook_ten_parts")
    _, found = judged(case)
    raw = dict(zip([s.name for s in found.sources], found.raw, strict=True))
    expected = case.expected["anova"]["moment_variances"]
    assert raw["appraiser × part"] == pytest.approx(expected["appraiser:part"], rel=1e-10)
    assert found.interaction.sd == 0
    assert found.interaction.interval.lower == 0


def test_intervals_of_components_are_those_of_the_reference(variance_case):
    # Source: Graybill & Wang (1980); Ting et al. (1990): limits of variances as computed for the reference
    # case.
    case = variance_case("handbook_ten_parts")
    _, found = judged(case)
    limits = case.expected["ci"]["modified_large_sample_variance"]
    assert found.total.interval.upper**2 == pytest.approx(limits["total"]["upper"], rel=1e-9)
    assert found.parts.interval.lower**2 == pytest.approx(limits["part"]["lower"], rel=1e-9)
    assert found.reproducibility.interval.upper**2 == pytest.approx(limits["appraiser"]["upper"], rel=1e-9)
    exact = case.expected["ci"]["residual_chi_square"]["sd"]
    assert found.repeatability.interval.lower == pytest.approx(exact["lower"], rel=1e-9)


def test_agreement_and_consistency_are_the_two_way_coefficients(variance_case):
    # Source: Shrout & Fleiss (1979), forms (2,1) and (3,1). The pivotal limits of (3,1) are exact, up to the
    # draws.
    case = variance_case("judges_subjects")
    ms = case.expected["intraclass"]["mean_squares"]
    _, found = judged(case)
    agreement = two_way_agreement(ms["subject"], ms["judge"], ms["residual"], subjects=6, judges=4)
    consistency = two_way_consistency(ms["subject"], ms["residual"], subjects=6, judges=4)
    assert found.agreement.value == pytest.approx(agreement.value, rel=1e-10)
    assert found.consistency.value == pytest.approx(consistency.value, rel=1e-10)
    # 100 000 draws place a 2.5 % quantile to about 0.0005 in probability.
    assert found.consistency.interval.lower == pytest.approx(consistency.interval.lower, abs=0.01)
    assert found.consistency.interval.upper == pytest.approx(consistency.interval.upper, abs=0.003)


def test_one_way_layout_gives_the_exact_limits_of_the_one_way_form(variance_case):
    # Source: Davies & Goldsmith (1972), six batches; exact F limits of Shrout & Fleiss (1979), form (1,1).
    case = variance_case("dyestuff")
    fit, found = judged(case)
    between, within = fit.mean_squares.ms[0]
    exact = one_way(between, within, subjects=6, each=5)
    assert found.agreement.value == pytest.approx(exact.value, rel=1e-10)
    assert found.agreement.interval.lower == pytest.approx(exact.interval.lower, abs=0.01)
    assert found.agreement.interval.upper == pytest.approx(exact.interval.upper, abs=0.005)


def test_pivots_of_a_balanced_layout_are_those_of_its_mean_squares(variance_case):
    # The unbalanced route must end in the balanced one: the same law, compared as two samples.
    case = variance_case("gauge_balanced")
    fit, _ = judged(case)
    drawn = pivotal_components(fit, 0, draws=4000, rng=np.random.default_rng(3))
    analysis = fit.mean_squares
    ms = (
        analysis.ms[0]
        * analysis.df
        / np.random.default_rng(4).chisquare(analysis.df, (4000, len(analysis.df)))
    )
    direct = ms @ analysis.combination.T
    for k in range(drawn.shape[1]):
        assert stats.ks_2samp(drawn[:, k], direct[:, k]).pvalue > 1e-3, k


def test_limits_hardly_move_when_a_few_runs_are_lost(variance_case):
    # The same rows with 15 % lost: a continuous method cannot jump when the layout stops being balanced.
    _, whole = judged(variance_case("gauge_balanced"))
    _, lost = judged(variance_case("gauge_missing"))
    for name in ("grr", "parts", "total", "repeatability"):
        a, b = getattr(whole, name), getattr(lost, name)
        assert b.interval.lower / b.sd == pytest.approx(a.interval.lower / a.sd, rel=0.12), name
        assert b.interval.upper / b.sd == pytest.approx(a.interval.upper / a.sd, rel=0.2), name


def test_unbalanced_estimates_are_those_of_the_reference_fit(variance_case):
    case = variance_case("gauge_missing")
    variances = case.expected["estimates"]["reml"]["variances"]
    _, found = judged(case)
    grr = variances["rig"] + variances["rig:pad_set"] + variances["residual"]
    assert found.grr.sd**2 == pytest.approx(grr, rel=1e-6)
    assert found.total_percent.value == pytest.approx(
        100 * (grr / (grr + variances["pad_set"])) ** 0.5, rel=1e-6
    )
    assert found.total_percent.interval.lower < found.total_percent.value < found.total_percent.interval.upper


@pytest.mark.parametrize("name", ["gauge_balanced", "gauge_missing"])
def test_capability_follows_shift_and_scale(variance_case, name):
    case = variance_case(name)
    _, found = judged(case)
    moved = type(case)(case.name)
    moved.__dict__["frame"] = case.frame.assign(**{case.result: 50 + 1000 * case.frame[case.result]})
    _, scaled = judged(moved)
    assert scaled.grr.sd == pytest.approx(1000 * found.grr.sd, rel=1e-7)
    assert scaled.grr.interval.upper == pytest.approx(1000 * found.grr.interval.upper, rel=1e-6)
    assert scaled.total_percent.interval.upper == pytest.approx(found.total_percent.interval.upper, rel=1e-6)


def test_a_source_that_holds_set_scatter_makes_an_upper_bound(variance_case):
    case = variance_case("dyestuff")
    cells = reduce_to_cells(case.frame, result=case.result, factors=["batch"])
    fit = fit_cells(cells, model_of(random=["batch"])).blocks[0]
    sources = [
        Source(names=("rig",), role=SourceRole.REPRODUCIBILITY),
        Source(names=("pad set", "repeatability"), role=SourceRole.REPEATABILITY, bounds=True),
    ]
    found = capabilities(fit, sources, generators=[np.random.default_rng(0)])[0]
    assert found.upper_bound
    assert found.parts is None
    assert found.total_percent is None
    assert found.agreement is None


def test_categories_and_percentages_agree():
    # Source: handbook, chapter III: 1.41 PV / R&R, truncated.
    assert distinct_categories(3.0, 1.0) == 4
    assert distinct_categories(0.1, 1.0) == 1
    assert categories_of_ratio(100 / 10**0.5) == pytest.approx(1.41 * 3, rel=1e-12)
    assert percent_of_tolerance(0.01, 0.2, multiplier=5.15) == pytest.approx(25.75, rel=1e-12)


def test_equality_of_scatter_is_bartletts_test():
    # One cell per rig: the sums of squares are those of three samples, which scipy tests directly.
    rng = np.random.default_rng(11)
    samples = [rng.normal(0, sd, size) for sd, size in ((1, 9), (2, 7), (1.5, 12))]
    ss = np.array([((x - x.mean()) ** 2).sum() for x in samples])
    df = np.array([len(x) - 1.0 for x in samples])
    found = equality_of_scatter(ss, df, level=0.95)
    expected = stats.bartlett(*samples)
    assert found.statistic == pytest.approx(expected.statistic, rel=1e-12)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-12)
    assert equality_of_scatter(ss[:1], df[:1], level=0.95) is None
    assert equality_of_scatter(np.array([0.0, 1.0]), np.array([3.0, 3.0]), level=0.95) is None


def test_number_of_draws_is_enough_for_the_digits_shown(variance_case):
    # Percentages are shown with one decimal: two generators must agree to a few tenths where the verdict
    # looks.
    _, first = judged(variance_case("gauge_balanced"), seed=1)
    _, second = judged(variance_case("gauge_balanced"), seed=2)
    assert module.PIVOT_DRAWS >= 100_000
    gap = abs(first.total_percent.interval.upper - second.total_percent.interval.upper)
    assert gap < 0.3
