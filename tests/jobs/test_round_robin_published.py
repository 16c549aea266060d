"""Round robins from the literature through the public entrance, to the printed and the recomputed digits.

Sources: ISO 5725-2:1994, annex B, clauses B.1 (sulfur in coal) and B.2 (softening point of pitch); ASTM E691, table 1
(glucose in serum). What is printed and what was recomputed stands in the json beside each data file.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import repeatab as rb

SULFUR = ("iso5725_2_sulfur_in_coal", "level", "sulfur_percent")
SOFTENING = ("iso5725_2_softening_point_of_pitch", "level", "softening_point_C")
GLUCOSE = ("e691_serum_glucose", "material", "glucose_mg_per_dL")
# The files carry ten significant digits; the exact zero of equal results stands there as 5e-16.
TIGHT = {"rel": 1e-8, "abs": 1e-12}


def case(folder: Path, name: str) -> dict[str, Any]:
    return json.loads((folder / "standards" / f"{name}.json").read_text(encoding="utf-8"))


def frame(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(folder / "standards" / f"{name}.csv")


def analysed(folder: Path, example: tuple[str, str, str], **options: Any) -> Any:
    name, level, result = example
    return rb.round_robin(frame(folder, name), result=result, laboratory="laboratory", level=level, **options)


@pytest.mark.parametrize("example", [SULFUR, SOFTENING, GLUCOSE], ids=lambda example: example[0])
def test_everything_that_was_recomputed(reference_folder: Path, example: tuple[str, str, str]) -> None:
    found = analysed(reference_folder, example)
    recomputed = case(reference_folder, example[0])["recomputed"]
    for level in found.precision.index:
        expected = recomputed[str(level)]
        row = found.precision.loc[level]
        assert [row.laboratories, row.results] == [len(expected["n"]), sum(expected["n"])]
        assert row["mean"] == pytest.approx(expected["general_mean"], **TIGHT)
        for name in ("s_r", "s_L", "s_R"):
            assert row[name] == pytest.approx(expected[name], **TIGHT)
        assert row.r_limit == pytest.approx(2.8 * row.s_r)
        assert row.R_limit == pytest.approx(2.8 * row.s_R)
        cells = found.consistency[found.consistency.level == level].set_index("laboratory")
        assert list(cells.index) == expected["laboratories"]
        assert cells.h.tolist() == pytest.approx(expected["h"], **TIGHT)
        assert cells.k.tolist() == pytest.approx(expected["k"], **TIGHT)
        tests = found.outlier_tests[found.outlier_tests.level == level].set_index("test")
        assert tests.loc["Cochran", "statistic"] == pytest.approx(expected["cochran_C"], **TIGHT)
        assert tests.loc["Cochran", "laboratory"] == expected["cochran_laboratory"]
        for ours, theirs in (
            ("Grubbs, lowest", "single_low"),
            ("Grubbs, highest", "single_high"),
            ("Grubbs, two lowest", "pair_low"),
            ("Grubbs, two highest", "pair_high"),
        ):
            assert tests.loc[ours, "statistic"] == pytest.approx(expected["grubbs"][theirs], **TIGHT)


@pytest.mark.parametrize(
    ("example", "level", "decimals"),
    [(SULFUR, 1, 3), (SULFUR, 2, 3), (SULFUR, 3, 3), (SULFUR, 4, 3), (SOFTENING, 1, 2), (SOFTENING, 2, 2)],
)
def test_what_the_standard_prints(
    reference_folder: Path, example: tuple[str, str, str], level: int, decimals: int
) -> None:
    """Levels 3 and 4 of the softening point: tests/interlab/test_published_examples.py says why they differ."""
    row = analysed(reference_folder, example).precision.loc[level]
    printed = case(reference_folder, example[0])["expected"]["per_level"][str(level)]
    assert round(row["mean"], decimals) == printed["m"]
    assert round(row.s_r, 3) == printed["s_r"]
    assert round(row.s_R, 3) == printed["s_R"]


def test_the_single_result_of_the_example_is_left_out_as_there_and_counts_when_asked(
    reference_folder: Path,
) -> None:
    found = analysed(reference_folder, SOFTENING)
    assert found.precision.loc[2, "laboratories"] == 15
    assert any("laboratory '5' is left out" in note for note in found.notes)
    counted = analysed(reference_folder, SOFTENING, single_results="counted")
    assert counted.precision.loc[2, ["laboratories", "results"]].tolist() == [16, 31]
    assert counted.precision.loc[2, "s_r"] == pytest.approx(found.precision.loc[2, "s_r"])


def test_decisions_are_those_of_the_critical_values(reference_folder: Path) -> None:
    """E691 material E: laboratory 2's scatter lies beyond the 1 % value; the branch goes on without."""
    found = analysed(reference_folder, GLUCOSE)
    row = found.outlier_tests.query("test == 'Cochran' and level == 'E'").iloc[0]
    assert row.laboratory == 2
    assert row.decision == "statistical outlier"
    assert row.statistic > row.critical_1 > row.critical_5
    # ISO 5725-2:1994, table 4, p = 8, n = 3.
    assert (round(row.critical_5, 3), round(row.critical_1, 3)) == (0.516, 0.615)
    assert found.precision.loc["E", "laboratories"] == 8
    assert found.precision_with_exclusion.loc["E", "laboratories"] == 7
    assert found.precision_with_exclusion.loc["A"].equals(found.precision.loc["A"])
    steps = found.steps[found.steps.level == "E"]
    assert steps.step.tolist() == list(range(1, len(steps) + 1))
    assert steps.branch.tolist() == ["all cells"] * 5 + ["with exclusion"] * 5
    assert steps["without"].tolist() == [()] * 5 + [(2,)] * 5


def test_a_pair_test_that_the_order_leaves_out_is_shown_as_not_applied() -> None:
    values = [0.400, 0.401, 0.399, 0.402, 0.398, 0.400, 0.480]
    data = pd.DataFrame({"laboratory": np.repeat(range(7), 2), "result": np.repeat(values, 2)})
    data["result"] += np.tile([-0.002, 0.002], 7)
    found = rb.round_robin(data).outlier_tests.set_index("test")
    assert found.loc["Grubbs, highest", "decision"] == "statistical outlier"
    assert found.loc["Grubbs, two highest", "decision"] == "not applied"
    assert found.loc["Grubbs, two highest", "statistic"] < found.loc["Grubbs, two highest", "critical_1"]


def test_robust_precision_of_serum_glucose(reference_folder: Path) -> None:
    """Algorithm S recomputed (tests/reference); Algorithm A on the cell means by its own entrance."""
    found = analysed(reference_folder, GLUCOSE)
    expected = case(reference_folder, "algorithm_S_on_serum_glucose")["expected"]["s_star_r"]
    means = case(reference_folder, GLUCOSE[0])["recomputed"]
    for material, s_r in expected.items():
        row = found.robust.loc[material]
        centre = rb.algorithm_a(means[material]["cell_means"])
        assert row.s_r == pytest.approx(s_r, rel=1e-8)
        assert row["mean"] == pytest.approx(centre.mean, rel=1e-8)
        s_L2 = max(0.0, centre.sd**2 - s_r**2 / 3)
        assert row.s_R == pytest.approx(np.hypot(s_r, np.sqrt(s_L2)), rel=1e-8)
    assert list(found.robust.columns) == list(found.precision.columns)


def test_frames_have_the_promised_columns_and_labels(reference_folder: Path) -> None:
    found = analysed(reference_folder, SULFUR)
    assert list(found.precision.columns) == [
        "laboratories", "results", "mean", "s_r", "s_L", "s_R", "r_limit", "R_limit",
    ]  # fmt: skip
    assert found.precision.index.name == "level"
    assert found.precision.index.dtype == np.int64
    assert list(found.consistency.columns) == ["laboratory", "level", "h", "k"]
    assert list(found.outlier_tests.columns) == [
        "test", "level", "laboratory", "statistic", "critical_5", "critical_1", "decision",
    ]  # fmt: skip


def test_copper_in_flour_by_algorithm_a(reference_folder: Path) -> None:
    """AMC (1989), Analyst 114, 1693-1702; fixed point recomputed, tests/reference."""
    found = rb.algorithm_a(frame(reference_folder, "robust_copper_in_flour")["result"].to_numpy())
    expected = case(reference_folder, "robust_copper_in_flour")["expected"]["algorithm_A_fixed_point"]
    assert found.mean == pytest.approx(expected["x_star"], rel=1e-8)
    assert found.sd == pytest.approx(expected["s_star"], rel=1e-7)
    assert found.iterations > 5


@pytest.mark.parametrize(
    ("method", "name"),
    [("mandel-paule", "Mandel-Paule"), ("dersimonian-laird", "DerSimonian-Laird"), ("reml", "REML")],
)
def test_consensus_of_published_trials(reference_folder: Path, method: str, name: str) -> None:
    """Colditz et al. (1994); Viechtbauer (2010): values of a general meta-analysis library, tests/reference."""
    data = frame(reference_folder, "consensus_bcg_trials")
    found = rb.consensus(data["y"].to_numpy(), np.sqrt(data["variance"].to_numpy()), method=method)
    expected = case(reference_folder, "consensus_bcg_trials")["expected"][name]
    # Eight decimals stand in the file; the library's iterations for the other two stop at about 1e-5 in tau^2.
    loose = {"dersimonian-laird": 1.1e-8}.get(method, 3e-5)
    assert found.value == pytest.approx(expected["mean"], abs=loose)
    assert found.standard_uncertainty == pytest.approx(expected["se"], abs=loose)
    assert found.between_sd**2 == pytest.approx(expected["tau2"], abs=loose)


def test_components_agree_with_a_general_mixed_model(reference_folder: Path) -> None:
    """statsmodels MixedLM by REML; with equal numbers the analysis of variance is the REML estimate.

    Material A comes out below zero and so sits on the edge of the model, where it is left to the other tests.
    """
    import statsmodels.api as sm

    data = frame(reference_folder, GLUCOSE[0])
    found = analysed(reference_folder, GLUCOSE).precision
    for material in ("B", "C", "D", "E"):
        own = data[data.material == material]
        y = own.glucose_mg_per_dL.to_numpy()
        fit = sm.MixedLM(y, np.ones(y.size), groups=own.laboratory.to_numpy()).fit(
            reml=True, method=["bfgs"], gtol=1e-10
        )
        # The library stops at about 1e-6 relative.
        assert found.loc[material, "s_r"] ** 2 == pytest.approx(fit.scale, rel=1e-3)
        assert found.loc[material, "s_L"] ** 2 == pytest.approx(
            float(np.asarray(fit.cov_re).item()), rel=1e-2
        )
