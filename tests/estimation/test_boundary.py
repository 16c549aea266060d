"""The edges: zero components, no scatter, one run each, two levels, too little for the question."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

import repeatab
from repeatab.base.errors import EstimationError, InputError, LayoutError, NotSeparableError, StudyError
from repeatab.base.notes import NoteKind
from repeatab.cells import reduce_to_cells
from repeatab.estimation.minimise import minimise, minimise_from_several_starts, starting_values
from repeatab.estimation.moments import moments

BOUNDARY = ("dyestuff2", "gauge_rig_zero", "relocation_boundary", "handbook_ten_parts")


def crossed(*, rigs="ABC", sets=4, runs=2, seed=1, rig_sd=0.0, set_sd=0.01, error_sd=0.004):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(list(product(rigs, range(sets), range(runs))), columns=["rig", "pad_set", "run"])
    rig = dict(zip(rigs, rng.standard_normal(len(rigs)) * rig_sd, strict=True))
    offsets = rng.standard_normal(sets) * set_sd
    frame["mu"] = 0.4 + frame["rig"].map(rig) + offsets[frame["pad_set"]]
    frame["mu"] += error_sd * rng.standard_normal(len(frame))
    return frame


def fit_of(frame, **options):
    return repeatab.fit_components(frame, **{"result": "mu", "random": ["rig", "pad_set"], **options})


@pytest.mark.parametrize("name", BOUNDARY)
def test_zero_components_are_found_from_every_start(variance_case, name):
    """Starts inside, at the optimum of others, far out, and with the wrong components at zero."""
    case = variance_case(name)
    system = case.fit(method="reml").blocks[0].system
    best = minimise_from_several_starts(system)
    rng = np.random.default_rng(4)
    starts = [starting_values(system)[0], *rng.lognormal(-1, 2, size=(10, best.theta.shape[1]))]
    wrong = np.where(best.theta[0] > 0, 0.0, 1.0)
    wrong[-1] = best.theta[0, -1]
    starts.append(wrong)
    for start in starts:
        found = minimise(system, start[None])
        np.testing.assert_allclose(found.theta, best.theta, rtol=1e-8, atol=1e-10)
    zero = best.theta[0] == 0
    assert zero.any()
    assert np.all(moments(system, best.theta).gradient[0][zero] > 0)


@pytest.mark.parametrize("name", BOUNDARY)
def test_a_zero_component_is_noted_and_its_lower_limit_is_zero(variance_case, name):
    case = variance_case(name)
    fit = case.fit(method="reml")
    for term in case.expected["estimates"]["reml"]["on_boundary"]:
        row = fit.components.loc[case.names[term]]
        assert (row["variance"], row["sd"], row["sd_lower"], row["share"]) == (0, 0, 0, 0)
        assert row["sd_upper"] > 0
        noted = [n for n in fit.notes if n.kind is NoteKind.ZERO_COMPONENT]
        assert case.names[term] in {source for note in noted for source in note.sources}


def test_between_rig_scatter_below_zero_is_kept_raw_and_reported_as_zero(variance_case):
    rig = variance_case("gauge_rig_zero").fit().components.loc["rig"]
    assert rig["raw_variance"] < 0
    assert rig["variance"] == 0
    assert rig["sd_lower"] == 0


@pytest.mark.parametrize("method", ["auto", "reml"])
@pytest.mark.parametrize("level", [0.0, 0.4, 196.3, 1e6])
def test_all_results_equal(method, level):
    frame = crossed().assign(mu=level)
    with pytest.raises(EstimationError) as caught:
        _ = fit_of(frame, method=method).components
    for part in (f"all results are equal (to {level:.6g})", "resolution", "result column"):
        assert part in str(caught.value)


@pytest.mark.parametrize("method", ["auto", "reml"])
@pytest.mark.parametrize("level", [0.0, 0.4, 1e6])
def test_repeats_agree_exactly(method, level):
    frame = crossed(error_sd=0.0, rig_sd=0.01)
    rng = np.random.default_rng(8)
    cell = frame.groupby(["rig", "pad_set"]).ngroup()
    frame["mu"] += level + 0.01 * rng.standard_normal(12)[cell]
    terms = ["rig", "pad_set", ("rig", "pad_set")]
    with pytest.raises(EstimationError) as caught:
        _ = fit_of(frame, random=terms, method=method).components
    for part in ("repeats agree exactly", "more digits", "finest term"):
        assert part in str(caught.value)


def test_an_analysis_of_variance_without_repeatability_is_refused_as_well():
    frame = crossed(error_sd=0.0, rig_sd=0.01)
    with pytest.raises(EstimationError, match="repeats agree exactly"):
        _ = fit_of(frame).anova


@pytest.mark.parametrize("unbalanced", [False, True])
def test_the_section_without_scatter_is_named(unbalanced):
    good, flat = crossed(seed=2), crossed(seed=3).assign(mu=0.41)
    exact = crossed(seed=4, error_sd=0.0)
    for bad, words in ((flat, "all results are equal"), (exact, "repeats agree exactly")):
        both = pd.concat([good.assign(section="cold"), bad.assign(section="hot")])
        if unbalanced:
            both = both[~((both["rig"] == "A") & (both["pad_set"] == 0) & (both["run"] == 1))]
        fit = fit_of(both, by=["section"])
        with pytest.raises(EstimationError, match=f"^section hot: .*{words}"):
            _ = fit.components


def test_a_covariate_that_goes_with_the_rig_in_one_section_only_is_found_there():
    """What can be told apart depends on the covariate's values, which differ from section to section."""
    rng = np.random.default_rng(12)
    cold = crossed(rigs="AB", seed=5).assign(section="cold")
    cold["temperature"] = 100 + rng.standard_normal(len(cold))
    hot = crossed(rigs="AB", seed=6).assign(section="hot")
    hot["temperature"] = np.where(hot["rig"] == "A", 300.0, 310.0)
    with pytest.raises(NotSeparableError, match=r"^section hot: the covariate 'temperature'.*'rig B'"):
        fit_of(
            pd.concat([cold, hot]),
            random=["pad_set"],
            fixed=["rig"],
            covariates=["temperature"],
            by=["section"],
        )


def test_cells_are_asked_for_the_covariate_that_is_named():
    rng = np.random.default_rng(13)
    frame = crossed().assign(first=lambda f: rng.standard_normal(len(f)))
    frame["second"] = rng.standard_normal(len(frame))
    cells = reduce_to_cells(frame, result="mu", factors=["rig", "pad_set"], covariates=["first", "second"])
    found = repeatab.fit_components(cells, random=["pad_set"], covariates=["second"]).fixed
    pd.testing.assert_frame_equal(found, fit_of(frame, random=["pad_set"], covariates=["second"]).fixed)
    with pytest.raises(InputError, match="no value 'third'"):
        repeatab.fit_components(cells, random=["pad_set"], covariates=["third"])


def test_a_single_run_everywhere_still_gives_the_scatter_of_runs():
    frame = crossed(rigs="A", sets=6, runs=1)
    fit = fit_of(frame)
    assert fit.components.loc["repeatability", "sd"] == pytest.approx(frame["mu"].std(), rel=1e-12)
    assert fit.components.drop("repeatability")["sd"].isna().all()
    mixed = {note.sources for note in fit.notes if note.kind is NoteKind.MIXED_TOGETHER}
    assert mixed == {("pad_set", "repeatability"), ("rig",)}


def test_one_result_is_refused():
    with pytest.raises(LayoutError, match=r"1 result\(s\) for 1 fixed number"):
        fit_of(crossed().head(1))


def test_anova_on_an_unbalanced_layout_is_refused_with_the_way_out():
    with pytest.raises(LayoutError) as caught:
        fit_of(crossed().iloc[:-1], method="anova")
    for part in ("'anova'", "not balanced", "'reml'", "'auto'"):
        assert part in str(caught.value)


def test_an_unknown_method_is_refused():
    with pytest.raises(StudyError, match=r"method: found 'ml', expected one of 'anova', 'reml', 'auto'"):
        fit_of(crossed(), method="ml")


@pytest.mark.parametrize("level", [0, 1, 95, -0.5])
def test_a_confidence_in_percent_is_refused(level):
    with pytest.raises(StudyError, match="between 0 and 1"):
        fit_of(crossed(), level=level)


class TestContrastRefusals:
    fit = fit_of(crossed(rig_sd=0.01), random=["pad_set"], fixed=["rig"])

    def test_unknown_level(self):
        with pytest.raises(StudyError, match=r"rig: there is no level 'D'.*'A', 'B', 'C'"):
            self.fit.contrast("rig", "D", reference="A")

    def test_unknown_reference(self):
        with pytest.raises(StudyError, match="there is no level 'a'"):
            self.fit.contrast("rig", "A", reference="a")

    def test_factor_that_is_not_fixed(self):
        with pytest.raises(StudyError, match=r"'pad_set' is not a fixed effect.*'rig'"):
            self.fit.contrast("pad_set", 0, reference=1)

    def test_number_given_as_text(self):
        fit = fit_of(crossed(), random=["rig"], fixed=["pad_set"])
        with pytest.raises(StudyError, match="type int, not str"):
            fit.contrast("pad_set", "1", reference=0)

    def test_section_without_the_rig_is_named(self):
        frame = pd.concat([crossed().assign(section="cold"), crossed(rigs="AB").assign(section="hot")])
        fit = fit_of(frame, random=["pad_set"], fixed=["rig"], by=["section"])
        with pytest.raises(StudyError, match=r"^section hot: rig: there is no level 'C'"):
            fit.contrast("rig", "C", reference="A")

    def test_interaction_with_a_missing_combination(self):
        frame = crossed(rigs="AB", runs=4).assign(phase=lambda f: np.where(f["run"] < 2, "after", "before"))
        frame = frame[~((frame["rig"] == "B") & (frame["phase"] == "before"))]
        fit = fit_of(frame, random=["pad_set"], fixed=["rig", "phase", ("rig", "phase")])
        with pytest.raises(NotSeparableError, match="no result for rig B × phase before"):
            fit.contrast("rig", "B", reference="A")


def test_two_levels_of_a_random_factor_give_wide_limits_and_few_degrees_of_freedom():
    """With two rigs the mean of the rigs has one degree of freedom between them, however many runs there are."""
    frame = crossed(rigs="AB", sets=10, runs=3, rig_sd=0.02, set_sd=0.0)
    for method in ("anova", "reml"):
        fit = fit_of(frame, method=method)
        rig = fit.components.loc["rig"]
        assert rig["sd_upper"] > 10 * rig["sd"]
        assert fit.fixed.loc["intercept", "df"] == pytest.approx(1, abs=0.05)


def test_one_way_limits_with_two_levels_are_those_of_one_degree_of_freedom():
    """Ting et al. (1990) with large n within: the upper limit tends to that of chi-square with 1 df."""
    from scipy import stats

    frame = crossed(rigs="AB", sets=1, runs=4000, rig_sd=1.0, error_sd=0.01)
    rig = fit_of(frame, random=["rig"]).components.loc["rig"]
    assert rig["sd_upper"] == pytest.approx(rig["sd"] / np.sqrt(stats.chi2.ppf(0.025, 1)), rel=1e-3)
    assert rig["sd_lower"] == pytest.approx(rig["sd"] / np.sqrt(stats.chi2.ppf(0.975, 1)), rel=1e-3)


@pytest.mark.parametrize("ratio", [1e2, 1e4, 1e6])
def test_components_that_differ_by_many_orders_are_found(ratio):
    """Rigs apart by up to a million repeatabilities: the optimum stays that of the ANOVA."""
    frame = crossed(rigs="ABCD", sets=5, set_sd=0.0, error_sd=1.0)
    frame["mu"] += frame["rig"].map(dict(zip("ABCD", np.array([0, 1, 3, 4]) * ratio, strict=True)))
    anova, reml = (fit_of(frame, random=["rig"], method=m).components for m in ("anova", "reml"))
    scale = anova["variance"].sum()
    np.testing.assert_allclose(reml["variance"], anova["variance"], rtol=1e-7, atol=1e-9 * scale)


def test_almost_no_information_on_a_source_settles():
    """One set of thirty ran twice: set scatter and repeatability are told apart by a single difference."""
    frame = crossed(rigs="A", sets=30, runs=1, set_sd=0.01)
    again = frame.iloc[[4]].assign(mu=frame["mu"].iloc[4] + 0.003)
    fit = fit_of(pd.concat([frame, again]), random=["pad_set"])
    row = fit.components.loc["repeatability"]
    assert 0 < row["sd_lower"] < row["sd"] < row["sd_upper"]
    total = fit.components["variance"].sum()
    assert total == pytest.approx(frame["mu"].var(), rel=0.1)


def test_a_fixed_factor_with_one_level_changes_nothing():
    """A section that one rig ran: the table has no row for a difference that cannot be."""
    frame = crossed(rigs="A", sets=5, runs=3)
    with_rig = fit_of(frame, random=["pad_set"], fixed=["rig"])
    without = fit_of(frame, random=["pad_set"])
    pd.testing.assert_frame_equal(with_rig.components, without.components)
    pd.testing.assert_frame_equal(with_rig.anova, without.anova)
    assert list(with_rig.fixed.index) == ["intercept"]


def test_mixed_together_rows_are_empty_and_the_last_carries_the_number():
    frame = crossed(rigs="ABC", sets=5, runs=1, rig_sd=0.01)
    fit = fit_of(frame, random=["rig", "pad_set", ("rig", "pad_set")])
    assert fit.components.loc["rig × pad_set"].isna().all()
    alone = fit_of(frame)
    pd.testing.assert_series_equal(fit.components.loc["repeatability"], alone.components.loc["repeatability"])


def test_renaming_the_index_of_one_fit_leaves_the_next_as_it_was():
    first = fit_of(crossed(), random=["rig", "pad_set"]).components
    first.index.name, first.columns.name = "another", "name"
    second = fit_of(crossed(), random=["rig", "pad_set"]).components
    assert (second.index.name, second.columns.name) == ("source", None)
