"""Every reference case of tests/reference/variance through the public entrance (sources in its README).

Order as trust is built: the criterion at the reference variances, then the optimum, then what rests on it.
"""

from __future__ import annotations

import numpy as np
import pytest

from repeatab.cells import reduce_to_cells
from repeatab.estimation.moments import criterion, moments
from repeatab.estimation.system import build_system
from repeatab.layout.blocks import blocks_of
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of


def fitted_by_newton(case):
    """The StRD cases carry moment arithmetic on data whose digits are few; the others a refined optimum."""
    return not case.name.startswith("strd")


def has_contrasts(case):
    return "contrasts" in case.expected


def has_profile(case):
    return "profile_sd_reml" in case.expected.get("ci", {})


def system_of(case):
    model = model_of(random=case.random, fixed=case.fixed, covariates=case.covariates)
    cells = reduce_to_cells(case.frame, result=case.result, factors=model.keys, covariates=case.covariates)
    (block,) = blocks_of(cells)
    return build_system(block, layout_of(block, model))


def reference_variances(case):
    return np.array(list(case.expected["estimates"]["reml"]["variances"].values()))


def in_frame_units(system, value):
    """-2 log L of the scaled result as that of the result itself (uncentred covariates)."""
    return value + 2 * system.df * np.log(system.unit[0]) + 2 * np.log(system.scale[0]).sum()


@pytest.mark.of_cases
def test_criterion_at_the_reference_variances(case):
    system = system_of(case)
    theta = reference_variances(case) / system.unit[0] ** 2
    found = in_frame_units(system, criterion(system, theta[None])[0])
    wanted = case.expected["estimates"]["reml"]["minus2loglik"]
    assert found == pytest.approx(wanted, abs=case.tolerance["minus2loglik_absolute"])


@pytest.mark.of_cases(which=fitted_by_newton)
def test_criterion_is_stationary_at_the_reference_variances(case):
    """A zero variance has a derivative that pushes it towards zero; the others have none."""
    system = system_of(case)
    theta = reference_variances(case) / system.unit[0] ** 2
    here = moments(system, theta[None])
    # In units of the standard error of each variance. Printed digits leave 1e-13; seen: below 1e-11.
    slope = here.gradient[0] / np.sqrt(np.diag(here.expected[0]))
    assert np.all(slope[theta == 0] > 0)
    assert np.abs(slope[theta > 0]).max() < 1e-9


@pytest.mark.of_cases
def test_reml_optimum(case):
    fit = case.fit(method="reml")
    wanted = case.expected["estimates"]["reml"]
    total = sum(wanted["variances"].values())
    for name, variance in wanted["variances"].items():
        found = fit.components.loc[case.names[name], "variance"]
        if name in wanted["on_boundary"]:
            assert found == 0
        else:
            # A component far below the total is known to the tolerance of the total (reference README).
            assert found == pytest.approx(
                variance, rel=case.tolerance["variances"], abs=case.tolerance["variances"] * total
            )
    absolute = case.tolerance["minus2loglik_absolute"]
    assert -2 * fit.log_likelihood == pytest.approx(wanted["minus2loglik"], abs=absolute)


@pytest.mark.of_cases(which=lambda case: "kenward_roger" in case.tolerance)
def test_fixed_effects_with_kenward_roger(case):
    fit = case.fit()
    for name, wanted in case.expected["estimates"]["reml"]["fixed"].items():
        row = fit.fixed.loc[name.replace("[", " ").rstrip("]")]
        close = case.tolerance["kenward_roger"]
        assert abs(row["estimate"] - wanted["estimate"]) <= case.tolerance["fixed"] * wanted["se"]
        assert row["se"] == pytest.approx(wanted["se_kr"], rel=close)
        assert row["df"] == pytest.approx(wanted["df_kr"], rel=close)


@pytest.mark.of_cases(which=has_contrasts)
def test_contrasts(case):
    fit = case.fit()
    for wanted in case.expected["contrasts"]:
        found, name = contrast_or_slope(fit, wanted)
        close = case.tolerance["kenward_roger"]
        assert abs(found.estimate - wanted["estimate"]) <= case.tolerance["fixed"] * wanted["se_kr"], name
        assert found.se == pytest.approx(wanted["se_kr"], rel=close), name
        assert found.df == pytest.approx(wanted["df_kr"], rel=close), name
        assert found.p == pytest.approx(wanted["p_kr"], rel=20 * close, abs=1e-12), name
        limits = (found.lower, found.upper)
        np.testing.assert_allclose(limits, wanted["ci95_kr"], atol=10 * close * wanted["se_kr"], err_msg=name)


def contrast_or_slope(fit, wanted):
    if "level" in wanted:
        found = fit.contrast(wanted["factor"], wanted["level"], reference=wanted["reference"])
        return found, f"{wanted['factor']} {wanted['level']}"
    return fit.fixed.loc[wanted["covariate"]], wanted["covariate"]


@pytest.mark.of_cases(which=has_profile)
def test_profile_limits(case):
    (part,) = case.fit(method="reml").blocks
    total = np.sqrt(reference_variances(case).sum())
    sources = part.layout.sources
    names = [*(sources[i] for i in part.layout.estimated), sources[-1]]
    for name, wanted in case.expected["ci"]["profile_sd_reml"].items():
        k = names.index(case.names[name])
        for side, limits in zip(("lower", "upper"), part.profiled, strict=True):
            found = np.sqrt(limits[0, k])
            assert found == pytest.approx(wanted[side], rel=case.tolerance["profile"], abs=1e-9 * total), (
                name,
                side,
            )


@pytest.mark.of_cases
def test_balance_is_recognised(case):
    assert case.fit().layout.balanced is case.expected["balanced"]


@pytest.mark.of_cases
def test_automatic_choice_is_anova_exactly_where_the_layout_is_balanced(case):
    fit = case.fit()
    assert (fit.anova is not None) is case.expected["balanced"]
    assert all(part.uses_anova is case.expected["balanced"] for part in fit.blocks)
