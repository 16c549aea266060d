"""Chart factors against the published tables, and to ten digits against their definitions."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from repeatab.base.errors import EstimationError
from repeatab.control.factors import chart_factors, sd_bias

# ASTM MNL 7, table of factors, and ISO 7870-2:2013, table 2; entries from memory.
PRINTED = {
    5: {"A": 1.342, "B5": 0, "B6": 1.964, "D1": 0, "D2": 4.918, "E2": 1.290},
    10: {"A": 0.949, "B5": 0.276, "B6": 1.669, "D1": 0.687, "D2": 5.469, "E2": 0.975},
    20: {
        "A2": 0.180,
        "A3": 0.680,
        "B3": 0.510,
        "B4": 1.490,
        "c4": 0.9869,
        "d2": 3.735,
        "d3": 0.729,
        "D3": 0.415,
    },
    25: {
        "A2": 0.153,
        "A3": 0.606,
        "B3": 0.565,
        "B4": 1.435,
        "c4": 0.9896,
        "d2": 3.931,
        "d3": 0.708,
        "D4": 1.541,
    },
}


def test_factors_agree_with_the_published_table(published):
    table = published.case("chart_factors_n2_to_n15")["expected"]["published"]
    assert len(table) == 10
    for n, row in table.items():
        found = chart_factors(int(n))
        for name, printed in row.items():
            # Range factors from a small-print d3 differ by 1 in the last digit between tables; c4 has four
            # digits.
            tolerance = 0.00005 if name == "c4" else 0.001 if name in ("D3", "D4") else 0.0005
            assert getattr(found, name) == pytest.approx(printed, abs=tolerance * 1.0001), (n, name)


def test_factors_agree_with_the_integrated_table(published):
    rows = published.rows("chart_factors_n2_to_n15")
    assert [int(row["n"]) for row in rows] == list(range(2, 16))
    for row in rows:
        found = chart_factors(int(row["n"]))
        for name in ("A2", "A3", "B3", "B4", "D3", "D4", "c4", "d2", "d3"):
            assert getattr(found, name) == pytest.approx(float(row[name]), abs=5.01e-6), (row["n"], name)


@pytest.mark.parametrize("n", sorted(PRINTED))
def test_the_other_factors_and_larger_subgroups(n):
    found = chart_factors(n)
    for name, printed in PRINTED[n].items():
        digits = 0.00005 if name == "c4" else 0.0005
        # D2 of 10 is printed from d2 and d3 already rounded.
        assert getattr(found, name) == pytest.approx(printed, abs=0.001 if name[0] == "D" else digits), name


def test_two_and_three_results_have_closed_forms():
    two, three = chart_factors(2), chart_factors(3)
    assert two.d2 == pytest.approx(2 / math.sqrt(math.pi), rel=1e-12)
    assert two.d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), rel=1e-12)
    assert three.d2 == pytest.approx(3 / math.sqrt(math.pi), rel=1e-12)
    # Printed 2.660 comes from d2 rounded to 1.128.
    assert 3 / round(two.d2, 3) == pytest.approx(2.660, abs=0.0005)
    assert abs(two.E2 - 3 * math.sqrt(math.pi) / 2) < 1e-12
    assert two.c4 == pytest.approx(math.sqrt(2 / math.pi), rel=1e-12)


@pytest.mark.parametrize("n", [4, 7, 13, 25, 60, 400])
def test_mean_range_satisfies_its_definition(n):
    # Tippett (1925): E R = ∫ 1 − Φⁿ − (1 − Φ)ⁿ dx; an integral of another form than the one used.
    def integrand(x):
        return 1 - stats.norm.cdf(x) ** n - stats.norm.sf(x) ** n

    value, _ = integrate.quad(integrand, -12, 12, epsabs=1e-13, limit=400, points=[0])
    assert chart_factors(n).d2 == pytest.approx(value, rel=1e-10)


@pytest.mark.parametrize("n", [3, 6, 15])
def test_scatter_of_the_range_agrees_with_the_known_distribution(n):
    # The studentised range with infinitely many degrees of freedom is the range itself.
    r, w = np.polynomial.legendre.leggauss(60)
    r, w = 5.5 * (r + 1), 5.5 * w
    beyond = stats.studentized_range.sf(r, n, np.inf)
    mean, square = w @ beyond, w @ (2 * r * beyond)
    assert chart_factors(n).d3 == pytest.approx(math.sqrt(square - mean**2), rel=1e-6)


def test_mean_of_a_standard_deviation_is_that_of_the_chi_distribution():
    for df in (1, 4, 24, 500):
        assert sd_bias(df) == pytest.approx(stats.chi.mean(df) / math.sqrt(df), rel=1e-10)


@pytest.mark.parametrize("n", [1, 0, -3, 2.5, True])
def test_no_subgroup_is_refused(n):
    with pytest.raises(EstimationError, match="at least 2"):
        chart_factors(n)
