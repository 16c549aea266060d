"""Lots against a specification, and in percent of the reference lot: the rules at their boundaries.

The uncertainty of a mean is checked against tests/reference/standards/reproducibility_as_uncertainty.json
(ISO 21748:2017); the decision rule is that of ISO 14253-1:2017, written out. The runs are invented.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.jobs.lot_comparison import compare_lots
from repeatab.jobs.lots.question import StatedUncertainty
from repeatab.jobs.questions import Analysis, Tolerance
from repeatab.outcome.verdict import Verdict

TEN = Margin(size=10, unit=MarginUnit.PERCENT)
SCORES = stats.norm.ppf((np.arange(6) + 0.5) / 6)
SCORES = SCORES / SCORES.std(ddof=1)


def lots(l1: float = 0.40, l2: float = 0.40, *, sd: float = 0.002) -> pd.DataFrame:
    """Six sets of each lot on one rig, means and standard deviations exact, run in turn."""
    return pd.DataFrame(
        {
            "pad_lot": ["L1"] * 6 + ["L2"] * 6,
            "pad_set": [*range(6)] * 2,
            "time": [f"2026-05-{i + 1:02d}" for i in range(6)] * 2,
            "mu": np.concatenate([l1 + sd * SCORES, l2 + sd * SCORES[::-1]]),
        }
    ).astype({"pad_set": str})


def compare(frame: pd.DataFrame, **more):
    return compare_lots(frame, lots=["L2"], reference="L1", margin=TEN, result="mu", time="time", **more)


def verdict_of(outcome, lot: str) -> Verdict:
    found = [j for j in outcome.judgements if j.subject == f"result, {lot} against its specification"]
    return found[0].verdict


# Source: ISO 21748:2017, clause 7; the example is recomputed in the reference file.
def test_uncertainty_of_a_mean_from_reproducibility_and_repeatability(reference_folder):
    stored = json.loads((reference_folder / "standards" / "reproducibility_as_uncertainty.json").read_text())
    example = stored["expected"]["example"]
    stated = StatedUncertainty(reproducibility=example["s_R"], repeatability=example["s_r"])
    assert stated.of_mean(3) == pytest.approx(example["u_mean_of_3"], rel=1e-9)
    assert stated.of_mean(1) == pytest.approx(example["s_R"], rel=1e-12)
    alone = StatedUncertainty(reproducibility=example["s_R"])
    assert alone.of_mean(3) == alone.of_mean(1) == example["s_R"]
    both = StatedUncertainty(reproducibility=0.03, standard_uncertainty=0.04)
    assert both.of_mean(5) == pytest.approx(0.05, rel=1e-12)


# ISO 14253-1:2017: guard band 1.645 u at 95 % (one-sided). The lots' own t limit is narrower here:
# 2.015 × 0.002 / sqrt(6) = 0.0016 against 0.0082.
@pytest.mark.parametrize(
    ("distance", "expected"),
    [(1.02, Verdict.CONFORMS), (0.98, Verdict.UNDECIDED), (-0.98, Verdict.UNDECIDED),
     (-1.02, Verdict.DOES_NOT_CONFORM)],
)  # fmt: skip
@pytest.mark.parametrize("side", ["lower", "upper"])
def test_the_guard_band_decides_at_either_limit(distance, expected, side):
    guard = StatedUncertainty(standard_uncertainty=0.005)
    inside = stats.norm.ppf(0.95) * 0.005 * distance
    limits = (
        Tolerance(lower=0.40 - inside, upper=None)
        if side == "lower"
        else Tolerance(lower=None, upper=0.40 + inside)
    )
    outcome = compare(lots(), specification=limits, guard=guard)
    assert verdict_of(outcome, "L2") is expected
    row = outcome.table("specification").to_frame().iloc[0]
    assert row["guard"] == pytest.approx(1.6448536269514722 * 0.005, rel=1e-12)
    assert row["basis"] == "stated uncertainty"


def test_sets_that_scatter_more_than_the_stated_uncertainty_widen_the_guard_band():
    guard = StatedUncertainty(standard_uncertainty=0.001)
    outcome = compare(lots(sd=0.01), specification=Tolerance(lower=0.395, upper=None), guard=guard)
    row = outcome.table("specification").to_frame().iloc[0]
    assert row["guard"] == pytest.approx(stats.t.ppf(0.95, 5) * 0.01 / np.sqrt(6), rel=1e-9)
    assert row["basis"] == "scatter of the lot's own sets"
    assert verdict_of(outcome, "L2") is Verdict.UNDECIDED
    assert (
        "within the guard band" in next(j for j in outcome.judgements if "specification" in j.subject).reason
    )


def test_a_guard_band_as_wide_as_the_specification_is_said():
    outcome = compare(
        lots(),
        specification=Tolerance(lower=0.395, upper=0.405),
        guard=StatedUncertainty(reproducibility=0.008),
    )
    reason = next(j for j in outcome.judgements if "specification" in j.subject).reason
    assert "takes up the whole specification" in reason


def test_a_lot_outside_its_specification_stands_in_the_headline_of_equal_lots():
    outcome = compare(
        lots(),
        specification=Tolerance(lower=0.45, upper=None),
        guard=StatedUncertainty(reproducibility=0.008),
    )
    assert outcome.headline.verdict is Verdict.EQUIVALENT
    assert "L2 and L1 do not conform to their specifications in result" in outcome.headline.reason


def test_one_set_does_not_judge_its_lot():
    frame = lots()
    outcome = compare(
        frame[(frame["pad_lot"] == "L1") | (frame["pad_set"] == "0")],
        specification=Tolerance(lower=0.30, upper=None),
        guard=StatedUncertainty(reproducibility=0.008),
    )
    assert verdict_of(outcome, "L2") is Verdict.UNDECIDED
    assert verdict_of(outcome, "L1") is Verdict.CONFORMS


def test_limits_are_of_the_result_in_a_ratio_analysis_too():
    more = {
        "specification": Tolerance(lower=0.38, upper=0.42),
        "guard": StatedUncertainty(reproducibility=0.004),
    }
    outcome = compare(lots(), analysis=Analysis.RATIO, **more)
    assert outcome.table("specification").to_frame()["mean"].tolist() == pytest.approx([0.40, 0.40], rel=1e-9)
    assert verdict_of(outcome, "L1") is Verdict.CONFORMS


def test_lots_on_rigs_of_their_own_are_still_held_against_their_specification():
    frame = lots().assign(rig=lambda f: np.where(f["pad_lot"] == "L1", "R1", "R2"))
    guard = StatedUncertainty(reproducibility=0.004)
    outcome = compare(frame, rig="rig", specification=Tolerance(lower=0.38, upper=None), guard=guard)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert verdict_of(outcome, "L2") is Verdict.CONFORMS


# --- percentage comparison ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mean", "within", "shown"),
    [
        (0.40, "yes", "inside"),
        (0.3401, "yes", "undecided"),
        (0.3399, "no", "undecided"),
        (0.30, "no", "outside"),
    ],
)
def test_percentage_comparison(mean, within, shown):
    outcome = compare(lots(l2=mean), percent_of_reference=15)
    row = outcome.table("percentage").to_frame().iloc[0]
    assert (row["mean_within"], row["shown"]) == (within, shown)
    assert row["percent"] == pytest.approx(100 * mean / 0.40, rel=1e-9)
    text = " ".join(outcome.table("percentage").remarks)
    assert "UN Regulation 90" in text
    assert "not an approval" in text


def test_percentage_comparison_on_logarithms_is_of_geometric_means():
    outcome = compare(lots(l2=0.36), percent_of_reference=15, analysis=Analysis.RATIO)
    row = outcome.table("percentage").to_frame().iloc[0]
    frame = lots(l2=0.36)
    means = np.log(frame["mu"]).groupby(frame["pad_lot"]).mean()
    assert row["percent"] == pytest.approx(100 * np.exp(means["L2"] - means["L1"]), rel=1e-9)
    assert row["lower"] < row["percent"] < row["upper"]


# --- bad input ---------------------------------------------------------------------------------------------------


def test_a_specification_without_a_guard_band_asks_for_one():
    with pytest.raises(StudyError, match=r"guard_band: is missing.*s_R from the laboratory's gauge study"):
        compare(lots(), specification=Tolerance(lower=0.3, upper=None))


@pytest.mark.parametrize(
    ("stated", "says"),
    [
        ({}, "expected reproducibility"),
        ({"reproducibility": -0.01}, "guard_band.reproducibility: found -0.01"),
        ({"reproducibility": 0.005, "repeatability": 0.006}, "which contains it"),
        ({"standard_uncertainty": 0.005, "repeatability": 0.006}, "which contains it"),
    ],
)
def test_uncertainties_that_make_no_sense_are_refused(stated, says):
    with pytest.raises(StudyError, match=says):
        StatedUncertainty(**stated)


def test_a_percentage_needs_a_reference_and_a_sensible_size():
    with pytest.raises(StudyError, match="needs a reference_lot"):
        compare_lots(lots(), lots=["L1", "L2"], margin=TEN, result="mu", percent_of_reference=15)
    with pytest.raises(StudyError, match="expected a percentage such as 15"):
        compare(lots(), percent_of_reference=150)
