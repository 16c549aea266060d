"""The same fits by general-purpose libraries: statsmodels (MixedLM, anova_lm) and pingouin.

MixedLM searches with a quasi-Newton method that stops at a gradient of about 1e-5 of its own scale; so its
criterion at our variances is compared tightly, and its estimates only to 1e-3 of the total.
"""

from __future__ import annotations

import warnings
from itertools import product

import numpy as np
import pandas as pd
import pytest

import repeatab

smf = pytest.importorskip("statsmodels.formula.api")


def invented(*, balanced, seed=21):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(list(product("ABCDEF", "xy", range(4))), columns=["batch", "phase", "run"])
    batch = dict(zip("ABCDEF", 0.02 * rng.standard_normal(6), strict=True))
    pair = dict(zip(product("ABCDEF", "xy"), 0.012 * rng.standard_normal(12), strict=True))
    frame["mu"] = (
        0.4 + frame["batch"].map(batch) + 0.01 * (frame["phase"] == "y")
        + [pair[key] for key in zip(frame["batch"], frame["phase"], strict=True)]
        + 0.006 * rng.standard_normal(len(frame))
    )  # fmt: skip
    return frame if balanced else frame[rng.random(len(frame)) < 0.75]


def mixed_lm(formula, frame, **options):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        # The result in units of about one: the library's own stopping rule is absolute.
        scaled = frame.assign(mu=(frame["mu"] - 0.4) * 100)
        return smf.mixedlm(formula, scaled, **options).fit(reml=True, method=["lbfgs", "bfgs"], gtol=1e-8)


@pytest.mark.parametrize("balanced", [True, False])
def test_one_way_against_mixed_lm(balanced):
    frame = invented(balanced=balanced)
    theirs = mixed_lm("mu ~ 1", frame, groups=frame["batch"])
    ours = repeatab.fit_components(frame, result="mu", random=["batch"], method="reml")
    n = len(frame)
    # -2 log L of a result multiplied by 100: (n - 1) log 100^2 more.
    shift = (n - 1) * 2 * np.log(100)
    assert -2 * ours.log_likelihood + shift == pytest.approx(-2 * theirs.llf, abs=1e-5)
    total = ours.components["variance"].sum()
    found = ours.components["variance"].to_numpy()
    wanted = np.array([float(theirs.cov_re.iloc[0, 0]), theirs.scale]) / 100**2
    np.testing.assert_allclose(found, wanted, atol=1e-3 * total)
    intercept = ours.fixed.loc["intercept"]
    assert (intercept["estimate"] - 0.4) * 100 == pytest.approx(theirs.fe_params["Intercept"], abs=1e-4)


@pytest.mark.parametrize("balanced", [True, False])
def test_nested_with_fixed_phase_against_mixed_lm(balanced):
    frame = invented(balanced=balanced)
    theirs = mixed_lm(
        "mu ~ phase", frame, groups=frame["batch"], re_formula="1", vc_formula={"pair": "0 + C(phase)"}
    )
    ours = repeatab.fit_components(
        frame, result="mu", random=["batch", ("batch", "phase")], fixed=["phase"], method="reml"
    )
    shift = (len(frame) - 2) * 2 * np.log(100)
    assert -2 * ours.log_likelihood + shift == pytest.approx(-2 * theirs.llf, abs=1e-4)
    total = ours.components["variance"].sum()
    wanted = np.array([float(theirs.cov_re.iloc[0, 0]), theirs.vcomp[0], theirs.scale]) / 100**2
    np.testing.assert_allclose(ours.components["variance"], wanted, atol=2e-3 * total)
    contrast = ours.contrast("phase", "y", reference="x")
    assert contrast.estimate * 100 == pytest.approx(theirs.fe_params["phase[T.y]"], abs=1e-3)


def test_fixed_tables_against_anova_lm():
    from statsmodels.stats.anova import anova_lm

    frame = invented(balanced=True)
    theirs = anova_lm(smf.ols("mu ~ C(batch) * C(phase)", frame).fit())
    ours = repeatab.fit_components(
        frame, result="mu", random=[], fixed=["batch", "phase", ("batch", "phase")]
    ).anova.set_index("source")
    pairs = {"batch": "C(batch)", "phase": "C(phase)", "batch × phase": "C(batch):C(phase)"}
    for name, their_name in {**pairs, "repeatability": "Residual"}.items():
        assert ours.loc[name, "df"] == theirs.loc[their_name, "df"]
        assert ours.loc[name, "ss"] == pytest.approx(theirs.loc[their_name, "sum_sq"], rel=1e-9)
    for name, their_name in pairs.items():
        assert ours.loc[name, "f"] == pytest.approx(theirs.loc[their_name, "F"], rel=1e-9)
        assert ours.loc[name, "p"] == pytest.approx(theirs.loc[their_name, "PR(>F)"], rel=1e-8)


def test_unbalanced_fixed_effects_with_covariate_against_least_squares():
    frame = invented(balanced=False)
    frame = frame.assign(temperature=100 + 5 * np.random.default_rng(3).standard_normal(len(frame)))
    theirs = smf.ols("mu ~ C(phase) + temperature", frame).fit()
    ours = repeatab.fit_components(
        frame, result="mu", random=[], fixed=["phase"], covariates=["temperature"]
    ).fixed
    np.testing.assert_allclose(ours["estimate"], theirs.params, rtol=1e-9)
    np.testing.assert_allclose(ours["se"], theirs.bse, rtol=1e-9)
    np.testing.assert_allclose(ours["df"], theirs.df_resid, rtol=1e-9)
    np.testing.assert_allclose(ours["p"], theirs.pvalues, rtol=1e-7, atol=1e-300)
    np.testing.assert_allclose(ours[["lower", "upper"]], theirs.conf_int(), rtol=1e-8)


def test_a_contrast_beside_an_interaction_counts_each_level_of_the_other_factor_alike():
    """The difference of unweighted means of cell means, by plain averages; its error from least squares."""
    frame = invented(balanced=False)
    frame["rig"] = np.where(frame["batch"] < "D", "R1", "R2")
    ours = repeatab.fit_components(
        frame, result="mu", random=[], fixed=["rig", "phase", ("rig", "phase")]
    ).contrast("rig", "R2", reference="R1")
    means = frame.groupby(["rig", "phase"])["mu"].mean().unstack("rig")
    assert ours.estimate == pytest.approx((means["R2"] - means["R1"]).mean(), abs=1e-12)
    theirs = smf.ols("mu ~ C(rig) * C(phase)", frame).fit().t_test([0, 1, 0, 0.5])
    assert ours.estimate == pytest.approx(float(theirs.effect[0]), abs=1e-12)
    assert ours.se == pytest.approx(float(theirs.sd.item()), rel=1e-9)


def test_one_way_table_against_pingouin():
    pingouin = pytest.importorskip("pingouin")
    frame = invented(balanced=True)
    theirs = pingouin.anova(frame, dv="mu", between="batch", detailed=True).set_index("Source")
    ours = repeatab.fit_components(frame, result="mu", random=["batch"]).anova.set_index("source")
    for name, their_name in {"batch": "batch", "repeatability": "Within"}.items():
        assert ours.loc[name, "ss"] == pytest.approx(theirs.loc[their_name, "SS"], rel=1e-9)
        assert ours.loc[name, "df"] == theirs.loc[their_name, "DF"]
    assert ours.loc["batch", "f"] == pytest.approx(theirs.loc["batch", "F"], rel=1e-9)


def test_two_samples_against_the_t_test():
    """Fixed rig, one run per set: the contrast is Student's two-sample t with pooled scatter."""
    from scipy import stats

    rng = np.random.default_rng(5)
    a, b = 0.40 + 0.01 * rng.standard_normal(7), 0.41 + 0.01 * rng.standard_normal(4)
    frame = pd.DataFrame({"rig": ["A"] * 7 + ["B"] * 4, "mu": [*a, *b]})
    frame["pad_set"] = range(11)
    contrast = repeatab.fit_components(frame, result="mu", random=["pad_set"], fixed=["rig"]).contrast(
        "rig", "B", reference="A"
    )
    wanted = stats.ttest_ind(b, a)
    assert contrast.t == pytest.approx(wanted.statistic, rel=1e-10)
    assert contrast.df == pytest.approx(wanted.df, rel=1e-9)
    assert contrast.p == pytest.approx(wanted.pvalue, rel=1e-8)
    limits = wanted.confidence_interval(0.95)
    np.testing.assert_allclose([contrast.lower, contrast.upper], [limits.low, limits.high], rtol=1e-8)


def test_pairs_against_the_paired_t_test():
    """Every set once on both rigs: the contrast is the paired t."""
    from scipy import stats

    rng = np.random.default_rng(6)
    sets = 0.01 * rng.standard_normal(8)
    a, b = 0.40 + sets + 0.003 * rng.standard_normal(8), 0.402 + sets + 0.003 * rng.standard_normal(8)
    frame = pd.DataFrame({"rig": ["A"] * 8 + ["B"] * 8, "pad_set": [*range(8)] * 2, "mu": [*a, *b]})
    contrast = repeatab.fit_components(
        frame, result="mu", random=["pad_set", ("rig", "pad_set")], fixed=["rig"]
    ).contrast("rig", "B", reference="A")
    wanted = stats.ttest_rel(b, a)
    assert contrast.t == pytest.approx(wanted.statistic, rel=1e-8)
    assert contrast.df == pytest.approx(7, rel=1e-8)
