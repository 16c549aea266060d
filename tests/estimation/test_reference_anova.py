"""The analysis of variance of every balanced reference case; sources in tests/reference/variance/README.md."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from repeatab.estimation.intervals import combination_limits

BALANCED = pytest.mark.of_cases(which=lambda case: case.expected["balanced"])


def named(case, name):
    """Our name of a row of the reference table: a random source, or a fixed term."""
    return case.names.get(name, name.replace(":", " × "))


@BALANCED
def test_table(case):
    table = case.fit().anova.set_index("source")
    close = case.tolerance["anova"]
    rows = case.expected["anova"]["rows"]
    assert sorted(table.index) == sorted(named(case, row["term"]) for row in rows)
    for row in rows:
        found = table.loc[named(case, row["term"])]
        assert found["df"] == row["df"]
        assert found["ss"] == pytest.approx(row["ss"], rel=close)
        assert found["ms"] == pytest.approx(row["ms"], rel=close)
        if "f" in row:
            assert found["f"] == pytest.approx(row["f"], rel=2 * close)
            assert found["p"] == pytest.approx(row["p"], rel=1e-8, abs=1e-300)
        else:
            assert np.isnan(found["f"])
            assert np.isnan(found["p"])


@BALANCED
def test_expected_mean_squares_and_denominators(case):
    fit = case.fit()
    (part,) = fit.blocks
    analysis = part.mean_squares
    sources = [name for name, random in zip(analysis.names, analysis.random, strict=True) if random]
    for row in case.expected["anova"]["rows"]:
        i = analysis.names.index(named(case, row["term"]))
        expected = {named(case, name): multiplier for name, multiplier in row["ems"].items()}
        assert {s: m for s, m in zip(sources, analysis.expected[i], strict=True) if m} == expected
        if "denominator" in row:
            wanted = {named(case, name): c for name, c in row["denominator"].items()}
            found = {n: c for n, c in zip(analysis.names, analysis.denominator[i], strict=True) if c}
            assert found == pytest.approx(wanted, rel=1e-12)
            assert analysis.denominator_df[0, i] == pytest.approx(row["denominator_df"], rel=1e-9)


@BALANCED
def test_moment_estimates_keep_their_sign(case):
    components = case.fit().components
    wanted = case.expected["anova"]["moment_variances"]
    total = sum(abs(v) for v in wanted.values())
    for name, variance in wanted.items():
        row = components.loc[named(case, name)]
        assert row["raw_variance"] == pytest.approx(
            variance, rel=case.tolerance["variances"], abs=case.tolerance["anova"] * total
        )
        assert row["variance"] == max(row["raw_variance"], 0)


@BALANCED
def test_repeatability_has_the_exact_chi_square_interval(case):
    row = case.fit().components.loc["repeatability"]
    wanted = case.expected["ci"]["residual_chi_square"]["sd"]
    # The interval is a multiple of the mean square; StRD cases lose digits in the mean square.
    close = max(1e-10, case.tolerance["anova"])
    assert row["sd_lower"] == pytest.approx(wanted["lower"], rel=close)
    assert row["sd_upper"] == pytest.approx(wanted["upper"], rel=close)


@pytest.mark.of_cases(which=lambda case: "modified_large_sample_variance" in case.expected.get("ci", {}))
def test_modified_large_sample_limits(case):
    fit = case.fit()
    (part,) = fit.blocks
    analysis = part.mean_squares
    for name, wanted in case.expected["ci"]["modified_large_sample_variance"].items():
        total = name == "total"
        combination = analysis.combination.sum(axis=0) if total else None
        if combination is None:
            k = [n for n, r in zip(analysis.names, analysis.random, strict=True) if r].index(
                named(case, name)
            )
            combination = analysis.combination[k]
        lower, upper = combination_limits(combination, analysis.ms, analysis.df, level=0.95)
        assert lower[0] == pytest.approx(wanted["lower"], rel=1e-8)
        assert upper[0] == pytest.approx(wanted["upper"], rel=1e-8)
        if not total:
            row = fit.components.loc[named(case, name)]
            assert row["sd_lower"] == pytest.approx(np.sqrt(max(wanted["lower"], 0)), rel=1e-8)
            if row["raw_variance"] >= 0:
                assert row["sd_upper"] == pytest.approx(np.sqrt(max(wanted["upper"], 0)), rel=1e-8)
            else:
                # The limit of a component estimated at zero; see test_component_limits.
                assert row["sd_upper"] > np.sqrt(max(wanted["upper"], 0))


@pytest.mark.parametrize(("n", "m"), [(2, 9), (5, 24), (3, 40)])
def test_limits_of_a_difference_are_zero_where_f_stands_on_its_points(n, m):
    """The defining property of Ting et al. (1990), J. Stat. Comput. Simul. 35, 135-143."""
    coefficients, df = np.array([0.2, -0.2]), np.array([float(n), float(m)])
    for tail, side in ((0.025, 0), (0.975, 1)):
        f = special.fdtri(n, m, 1 - tail)
        limits = combination_limits(coefficients, np.array([[f, 1.0]]), df, level=0.95)
        assert limits[side][0] == pytest.approx(0, abs=1e-7)


@pytest.mark.parametrize(("n", "m"), [(3, 3), (2, 9), (7, 30)])
def test_two_positive_terms_that_share_a_variance_count_as_one(n, m):
    """The defining property of the cross term of two positive mean squares in Ting et al. (1990): where both
    estimate one variance, each weighed by its degrees of freedom, and what is subtracted vanishes, the lower
    limit is that of chi-square with the degrees of freedom together. It serves F tests with combined
    denominators, such as rigs in a study of rigs, operators and sets."""
    coefficients, df = np.array([float(n), float(m), -1.0]), np.array([float(n), float(m), 12.0])
    lower, _ = combination_limits(coefficients, np.array([[1.0, 1.0, 1e-12]]), df, level=0.95)
    assert lower[0] == pytest.approx((n + m) ** 2 / special.chdtri(n + m, 0.025), rel=1e-9)
    _, upper = combination_limits(-coefficients, np.array([[1.0, 1.0, 1e-12]]), df, level=0.95)
    assert upper[0] == pytest.approx(-lower[0], rel=1e-9)
