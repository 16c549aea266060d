"""The worked examples of the precision standards, to the printed digit and to the recomputed ones.

Sources: ISO 5725-2:1994, annex B, clauses B.1 (sulfur in coal) and B.2 (softening point of pitch); ASTM
E691, table 1 (glucose in serum; data also in the public NIST file GLUCOSE.DAT). The json beside each data
file says what was printed and what was recomputed from the data.
"""

import numpy as np
import pytest

from repeatab.interlab.consistency import h_indicator, k_indicator, mandel
from repeatab.interlab.level import LevelCells
from repeatab.interlab.outlier_tests import cochran, grubbs, grubbs_pair
from repeatab.interlab.precision import precision

# The files carry ten significant digits; the exact zero of three equal results stands there as 5e-16.
TIGHT = {"rel": 1e-8, "abs": 1e-12}


def check_recomputed(level: LevelCells, expected: dict) -> None:
    found = precision(level)
    assert list(level.laboratories) == expected["laboratories"]
    assert level.count.tolist() == expected["n"]
    assert level.mean == pytest.approx(expected["cell_means"], **TIGHT)
    assert level.sd == pytest.approx(expected["cell_s"], **TIGHT)
    assert found.mean == pytest.approx(expected["general_mean"], **TIGHT)
    for name in ("s_r", "s_L", "s_R"):
        assert getattr(found, name) == pytest.approx(expected[name], **TIGHT)
    rows = mandel(level)
    assert [row.h for row in rows] == pytest.approx(expected["h"], **TIGHT)
    assert [row.k for row in rows] == pytest.approx(expected["k"], **TIGHT)
    worst = cochran(level)
    assert worst.statistic == pytest.approx(expected["cochran_C"], **TIGHT)
    assert worst.laboratory == expected["cochran_laboratory"]
    for name, test in (("single", grubbs), ("pair", grubbs_pair)):
        assert test(level, high=False).statistic == pytest.approx(expected["grubbs"][f"{name}_low"], **TIGHT)
        assert test(level, high=True).statistic == pytest.approx(expected["grubbs"][f"{name}_high"], **TIGHT)


@pytest.mark.parametrize("level", ["1", "2", "3", "4"])
def test_sulfur_in_coal_with_unequal_cells(published, sulfur, level):
    case = published.case("iso5725_2_sulfur_in_coal")
    printed = case["expected"]["per_level"][level]
    found = precision(sulfur[level])
    assert round(found.mean, 3) == printed["m"]
    assert round(found.s_r, 3) == printed["s_r"]
    assert round(found.s_R, 3) == printed["s_R"]
    check_recomputed(sulfur[level], case["recomputed"][level])


@pytest.mark.parametrize("level", ["1", "2", "3", "4"])
def test_softening_point_recomputed_from_the_data(published, softening, level):
    case = published.case("iso5725_2_softening_point_of_pitch")
    check_recomputed(softening[level], case["recomputed"][level])


@pytest.mark.parametrize("level", ["1", "2"])
def test_softening_point_as_printed(published, softening, level):
    printed = published.case("iso5725_2_softening_point_of_pitch")["expected"]["per_level"][level]
    found = precision(softening[level])
    assert round(found.mean, 2) == printed["m"]
    assert round(found.s_r, 3) == printed["s_r"]
    assert round(found.s_R, 3) == printed["s_R"]


def test_softening_point_level_3_as_printed_needs_one_other_digit(published):
    """The data of this example are from memory. With them level 3 gives s_R = 2.027 against the printed
    2.010.

    Of all changes of one single result by up to 5 degrees in steps of 0.1, one only reproduces printed m,
    s_r and s_R together: laboratory 11 with 93.6 and 93.9 instead of twice 93.6. So the printed values hold
    and the remembered result is off by this digit.
    """
    printed = published.case("iso5725_2_softening_point_of_pitch")["expected"]["per_level"]["3"]
    results = published.results(
        "iso5725_2_softening_point_of_pitch", level="level", value="softening_point_C"
    )["3"]
    assert results[11] == [93.6, 93.6]
    matching = set()
    for laboratory, pair in results.items():
        for kept, changed in (pair, pair[::-1]):
            for tenth in range(-50, 51):
                trial = {**results, laboratory: [kept, round(changed + tenth / 10, 1)]}
                found = precision(LevelCells.from_results(level="3", results=trial))
                if (round(found.mean, 2), round(found.s_r, 3), round(found.s_R, 3)) == tuple(
                    printed.values()
                ):
                    matching.add((laboratory, *trial[laboratory]))
    assert matching == {(11, 93.6, 93.9)}


def test_softening_point_level_4_agrees_in_mean_and_repeatability(published, softening):
    """s_R recomputes to 1.917 against a remembered 1.915; no change of one single result explains it.

    Mean, s_r and Cochran's C (printed 0.380, from memory) do agree, so either the remembered s_R is off or
    both results of one laboratory are; without the print this stays open.
    """
    printed = published.case("iso5725_2_softening_point_of_pitch")["expected"]["per_level"]["4"]
    found = precision(softening["4"])
    assert round(found.mean, 2) == printed["m"]
    assert round(found.s_r, 3) == printed["s_r"]
    assert found.s_R == pytest.approx(printed["s_R"], abs=0.003)
    assert round(cochran(softening["4"]).statistic, 3) == 0.380


@pytest.mark.parametrize("material", ["A", "B", "C", "D", "E"])
def test_serum_glucose(published, glucose, material):
    case = published.case("e691_serum_glucose")
    found = precision(glucose[material])
    # Printed values were computed from rounded cell means: they may differ by one unit of the fourth decimal.
    for name, value in (("xbar", found.mean), ("s_r", found.s_r), ("s_R", found.s_R)):
        assert round(value, 4) == pytest.approx(case["expected"][name][material], abs=1.01e-4)
    check_recomputed(glucose[material], case["recomputed"][material])


def test_serum_glucose_with_the_suspect_value(published):
    case = published.case("e691_serum_glucose")
    results = published.results("e691_serum_glucose", level="material", value="glucose_mg_per_dL")["C"]
    results[4] = [148.30 if value == 138.30 else value for value in results[4]]
    level = LevelCells.from_results(level="C", results=results)
    check_recomputed(level, case["recomputed"]["material_C_with_148.30"])
    # E691 prints 2.15 and 2.06 as critical values at 0.5 %; its h is two-sided, its k one-sided.
    assert h_indicator(8, alpha=0.005) == pytest.approx(
        case["recomputed"]["critical"]["h_p8_0.005"], rel=1e-8
    )
    assert k_indicator(8, 3, alpha=0.005) == pytest.approx(
        case["recomputed"]["critical"]["k_p8_n3_0.005"], rel=1e-8
    )
    rows = {row.laboratory: row for row in mandel(level)}
    assert rows[4].k > k_indicator(8, 3, alpha=0.005)
    assert rows[4].h < h_indicator(8, alpha=0.005)


def test_between_laboratory_variance_below_zero_is_kept_raw_and_reported_as_zero(glucose):
    found = precision(glucose["A"])
    assert found.raw_between_variance < 0
    assert found.s_L == 0
    assert found.s_R == found.s_r
    assert found.s_L_interval.lower == 0 < found.s_L_interval.upper


def test_average_over_levels_of_sulfur_in_coal(sulfur):
    # ISO 5725-2:1994, B.1.6: no dependence on the level is assumed; s_r = 0.022 and s_R = 0.045 on average.
    found = [precision(level) for level in sulfur.values()]
    assert round(float(np.mean([p.s_r for p in found])), 3) == 0.022
    assert round(float(np.mean([p.s_R for p in found])), 3) == 0.045
