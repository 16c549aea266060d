"""The lot comparison from run results to its verdicts: what decides, what stays undecided and why. Invented data."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import repeatab as rb
from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.jobs.lot_comparison import compare_lots
from repeatab.jobs.lots.question import RigsAs, StatedUncertainty
from repeatab.jobs.questions import Analysis, RunCost, Tolerance
from repeatab.outcome.verdict import Qualifier, Verdict

ROOT = Path(__file__).parents[2]
FIVE = Margin(size=5, unit=MarginUnit.PERCENT)
OFFSET = {"L1": 0.0, "L2": 0.0, "L3": -0.04}
SPREAD = 0.004 * np.array([-1.2, -0.5, 0.1, 0.6, 1.0])


def lots(
    plan: dict[str, dict[str, int]], *, offset: dict[str, float] | None = None, rig_offset: float = 0.02
) -> pd.DataFrame:
    """plan: lot -> rig -> number of sets; the lots take turns day by day, every set runs once."""
    shift = OFFSET | (offset or {})
    rows = [
        {
            "pad_lot": lot, "rig": rig, "pad_set": f"{rig}-{i}", "time": f"2026-03-{i + 1:02d}",
            "mu": 0.40 + shift[lot] + rig_offset * (rig == "R2") + SPREAD[(i + place) % len(SPREAD)],
        }
        for place, (lot, rigs) in enumerate(plan.items()) for rig, n in rigs.items() for i in range(n)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def compare(frame: pd.DataFrame, names=("L2",), reference="L1", **more):
    columns = {"result": "mu"} | {
        name: name for name in ("rig", "section", "run", "run_order", "time") if name in frame.columns
    }
    return compare_lots(frame, lots=names, reference=reference, **({"margin": FIVE} | columns | more))


BOTH = {"R1": 5, "R2": 5}


def test_a_lot_that_differs_is_different_and_one_that_does_not_is_equivalent():
    outcome = compare(lots(dict.fromkeys(("L1", "L2", "L3"), BOTH)), ("L2", "L3"))
    by_subject = {judgement.subject: judgement for judgement in outcome.judgements}
    assert by_subject["result, L2 against L1"].verdict is Verdict.EQUIVALENT
    assert by_subject["result, L3 against L1"].verdict is Verdict.DIFFERENT
    assert by_subject["result, L3 against L1"].qualifier is Qualifier.IT_MATTERS
    assert by_subject["L2 against L1, all deciding sections"].verdict is Verdict.EQUIVALENT
    assert outcome.headline.verdict is Verdict.DIFFERENT
    assert "L3 differs from L1 in result" in outcome.headline.reason


def test_an_offset_between_rigs_cancels_whatever_the_numbers_of_sets_on_them():
    plan = {"L1": {"R1": 5, "R2": 3}, "L2": {"R1": 3, "R2": 5}}
    numbers = [
        dict(compare(lots(plan, rig_offset=offset), margin=0.02).numbers) for offset in (0.0, 0.02, 0.05)
    ]
    for key in ("estimate", "lower", "upper", "p"):
        values = [found[f"result: {key}"] for found in numbers]
        assert values == pytest.approx([values[0]] * 3, rel=1e-6, abs=1e-9)


def test_all_pairs_are_compared_without_a_reference():
    outcome = compare(lots(dict.fromkeys(("L1", "L2", "L3"), BOTH)), ("L1", "L2", "L3"), None)
    pairs = {row[1] for row in outcome.table("offsets").rows}
    assert pairs == {"L2 against L1", "L3 against L1", "L3 against L2"}
    assert outcome.headline.subject == "L1, L2 and L3"


# --- undecided always --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rigs", list(RigsAs))
def test_each_lot_on_a_rig_of_its_own_is_undecided_whatever_the_numbers(rigs):
    outcome = compare(lots({"L1": {"R1": 5}, "L3": {"R2": 5}}), ("L3",), rigs=rigs)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert all(judgement.verdict is Verdict.UNDECIDED for judgement in outcome.judgements)
    assert "rig 'R2' goes with L3 and 'R1' with L1 throughout" in outcome.headline.reason
    assert "Run sets of both lots with each rig" in outcome.headline.reason
    assert "leave that column out" not in outcome.headline.reason


@pytest.mark.parametrize("rigs", list(RigsAs))
def test_lots_on_several_rigs_of_their_own_are_undecided_too(rigs):
    outcome = compare(lots({"L1": {"R1": 3, "R3": 3}, "L3": {"R2": 3, "R4": 3}}), ("L3",), rigs=rigs)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "so rig and pad lot are one" in outcome.headline.reason


def test_a_lot_on_a_rig_of_its_own_does_not_keep_the_others_from_a_verdict():
    outcome = compare(lots({"L1": BOTH, "L2": {"R9": 5}, "L3": BOTH}), ("L2", "L3"))
    by_subject = {judgement.subject: judgement for judgement in outcome.judgements}
    assert by_subject["result, L2 against L1"].verdict is Verdict.UNDECIDED
    assert by_subject["L2 against L1, all deciding sections"].verdict is Verdict.UNDECIDED
    assert by_subject["result, L3 against L1"].verdict is Verdict.DIFFERENT
    assert outcome.headline.verdict is Verdict.DIFFERENT
    assert any("goes with L2" in sentence for sentence in outcome.cannot_tell)


def test_rigs_that_every_lot_ran_on_are_no_companion():
    outcome = compare(lots({"L1": {"R1": 5}, "L2": {"R1": 5}}))
    assert outcome.headline.verdict is Verdict.EQUIVALENT
    assert any("All runs are from one rig" in sentence for sentence in outcome.cannot_tell)


def test_each_lot_in_its_own_month_is_undecided():
    frame = lots({"L1": BOTH, "L3": BOTH})
    later = frame["pad_lot"] == "L3"
    frame.loc[later, "time"] = frame.loc[later, "time"].str.replace("-03-", "-04-")
    outcome = compare(frame, ("L3",))
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert outcome.headline.qualifier is Qualifier.CONFOUNDED
    assert "All runs of L1 came before all runs of L3" in outcome.headline.reason


def test_the_same_order_on_every_rig_is_undecided_although_the_dates_overlap():
    """R1 ran in March, R2 in April; on both, L1 came first."""
    frame = lots({"L1": BOTH, "L3": BOTH})
    day = np.where(frame["pad_lot"] == "L3", 15, 1)
    month = np.where(frame["rig"] == "R1", 3, 4)
    frame["time"] = [f"2026-{m:02d}-{d + i % 5:02d}" for i, (m, d) in enumerate(zip(month, day, strict=True))]
    outcome = compare(frame, ("L3",))
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "came before all runs of L3 on every rig" in outcome.headline.reason
    # The other way round on the second rig, time and lot are apart.
    turned = np.where((frame["rig"] == "R2") == (frame["pad_lot"] == "L3"), 1, 15)
    frame["time"] = [
        f"2026-{m:02d}-{d + i % 5:02d}" for i, (m, d) in enumerate(zip(month, turned, strict=True))
    ]
    assert compare(frame, ("L3",)).headline.verdict is Verdict.DIFFERENT


@pytest.mark.parametrize("runs", [1, 4])
def test_a_lot_with_a_single_set_is_undecided_however_often_the_set_ran(runs):
    frame = lots({"L1": BOTH, "L3": {"R1": 1}})
    again = pd.concat([frame[frame["pad_lot"] == "L3"].assign(mu=lambda f, k=k: f["mu"] + 0.001 * k)
                       for k in range(runs)])  # fmt: skip
    frame = pd.concat([frame[frame["pad_lot"] == "L1"], again], ignore_index=True)
    frame["run"] = range(len(frame))
    outcome = compare(frame, ("L3",))
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "L3 has a single pad set" in outcome.judgements[0].reason
    assert "Run more pad sets of L3" in outcome.judgements[0].reason


def test_one_set_of_each_lot_is_undecided_with_the_reason():
    outcome = compare(lots({"L1": {"R1": 1}, "L3": {"R1": 1}}).drop(columns="time"), ("L3",))
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "single pad set" in outcome.judgements[0].reason


def test_a_lot_with_a_single_set_does_not_keep_the_others_from_a_verdict():
    outcome = compare(lots({"L1": BOTH, "L2": {"R1": 1}, "L3": BOTH}), ("L2", "L3"))
    verdicts = {judgement.subject: judgement.verdict for judgement in outcome.judgements}
    assert verdicts["result, L2 against L1"] is Verdict.UNDECIDED
    assert verdicts["result, L3 against L1"] is Verdict.DIFFERENT


def test_with_random_rigs_the_verdict_must_hold_within_the_rigs_and_over_them():
    plan = {lot: {f"R{i}": 3 for i in range(1, 5)} for lot in ("L1", "L3")}
    frame = lots(plan, rig_offset=0.0)
    assert compare(frame, ("L3",), rigs=RigsAs.RANDOM).headline.verdict is Verdict.DIFFERENT
    # Rigs that rank the lots differently: clear within these rigs, open for rigs in general.
    tilt = {"R1": 0.05, "R2": -0.05, "R3": 0.09, "R4": 0.03}
    frame["mu"] += np.where(frame["pad_lot"] == "L3", frame["rig"].map(tilt), 0.0)
    outcome = compare(frame, ("L3",), rigs=RigsAs.RANDOM, margin=0.01, cost=RunCost(sets_at_hand=2))
    views = outcome.table("views").to_frame()
    assert views["df"].iloc[0] < 4 < views["df"].iloc[1]
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "By rigs: " in outcome.next_runs.sentence


# --- the wrong unit ----------------------------------------------------------------------------------------------


def test_the_demo_study_finds_what_is_true_and_shows_the_wrong_unit():
    truth = json.loads((ROOT / "demo_data" / "lot_comparison.truth.json").read_text(encoding="utf-8"))
    outcome = rb.run_study(rb.load_study(ROOT / "studies" / "lot_comparison.toml"))
    verdicts = {judgement.subject: judgement for judgement in outcome.judgements}
    for lot, offsets in truth["difference_to_P2511"].items():
        for section, offset in offsets.items():
            if lot == "P2511":
                continue
            found = verdicts[f"{section}, {lot} against P2511"]
            if offset:
                assert (found.verdict, found.qualifier) == (Verdict.DIFFERENT, Qualifier.IT_MATTERS)
            else:
                assert found.verdict in (Verdict.EQUIVALENT, Verdict.UNDECIDED)
    assert outcome.headline.verdict is Verdict.DIFFERENT
    trap = outcome.table("stop_by_stop").to_frame()
    wrong = trap[(trap["claim"] == "different") & (trap["verdict"] != "different")]
    assert len(wrong) >= 1
    assert (trap["sets"] < trap["stops"] / 4).all()
    assert any("A test on single stops would have claimed" in sentence for sentence in outcome.evidence)


def test_single_stops_are_refused_as_results():
    frame = lots({"L1": BOTH, "L2": BOTH}).assign(stop=1)
    results = rb.read_results(frame, columns={"result": "mu", "pad_lot": "pad_lot", "pad_set": "pad_set",
                                              "rig": "rig", "stop": "stop"})  # fmt: skip
    with pytest.raises(StudyError, match=r"single stops.*condense"):
        compare_lots(results, lots=["L2"], reference="L1", margin=FIVE)


# --- wear --------------------------------------------------------------------------------------------------------


def worn(*, again: dict[str, int], wear: float) -> pd.DataFrame:
    """Sets of both lots on one rig; of each lot some ran a second time, reading lower by `wear`."""
    frame = lots({"L1": {"R1": 5}, "L2": {"R1": 5}}).assign(run_order=1)
    second = pd.concat([frame[frame["pad_lot"] == lot].head(n) for lot, n in again.items()])
    ripple = 0.0005 * np.array([1, -1, 0.5, -0.5, 0.2, 0.1])[: len(second)]
    second = second.assign(run_order=2, mu=second["mu"] + wear + ripple)
    return pd.concat([frame, second], ignore_index=True).assign(run=lambda f: range(len(f)))


def test_wear_is_taken_out_where_second_runs_lie_unequally():
    wear = -0.012
    outcome = compare(worn(again={"L1": 0, "L2": 4}, wear=wear), margin=0.02)
    fresh = compare(worn(again={"L1": 0, "L2": 0}, wear=wear), margin=0.02)
    left_in = compare(worn(again={"L1": 0, "L2": 4}, wear=wear), margin=0.02, remove_wear=False)
    estimate = [dict(o.numbers)["result: estimate"] for o in (outcome, fresh, left_in)]
    assert estimate[0] == pytest.approx(estimate[1], abs=3e-4)
    assert abs(estimate[2] - estimate[1]) > 0.002
    assert any("Sets wear from run to run" in s and "is taken out" in s for s in outcome.evidence)
    assert any("wear was not to be taken out" in s for s in left_in.cannot_tell)
    assert outcome.table("wear").to_frame()["slope"].iloc[0] == pytest.approx(wear, abs=5e-4)


def test_wear_is_tested_and_left_where_it_cancels():
    outcome = compare(worn(again={"L1": 2, "L2": 2}, wear=-0.01), margin=0.02)
    assert outcome.table("wear").to_frame()["p"].iloc[0] < 0.01
    assert any("is not taken out" in sentence for sentence in outcome.evidence)


def test_wear_cannot_be_taken_out_where_no_order_is_recorded():
    frame = worn(again={"L1": 2, "L2": 2}, wear=-0.01).drop(columns=["run_order", "time"])
    outcome = compare(frame, margin=0.02, remove_wear=True)
    assert any("not in every one of 'result' did a set run more than once" in s for s in outcome.cannot_tell)
    with pytest.raises(KeyError):
        outcome.table("wear")


# --- sets and rigs -----------------------------------------------------------------------------------------------


def test_labels_of_sets_may_repeat_in_every_lot():
    frame = lots({"L1": BOTH, "L2": BOTH})
    assert set(frame.loc[frame["pad_lot"] == "L1", "pad_set"]) == set(
        frame.loc[frame["pad_lot"] == "L2", "pad_set"]
    )
    renamed = frame.assign(pad_set=frame["pad_lot"] + frame["pad_set"])
    assert dict(compare(frame).numbers) == pytest.approx(dict(compare(renamed).numbers), rel=1e-9)


def test_labels_that_repeat_on_every_rig_are_spoken_of():
    frame = lots({"L1": BOTH, "L2": BOTH})
    frame["pad_set"] = frame["pad_set"].str[3:]
    outcome = compare(frame)
    assert any("10 pad sets ran on several rigs" in sentence for sentence in outcome.evidence)


def test_the_evidence_counts_sets_and_runs():
    frame = worn(again={"L1": 2, "L2": 0}, wear=0.0)
    outcome = compare(frame)
    assert "5 pad sets of L2 (5 runs) and 5 of L1 (7 runs)" in outcome.evidence[0]


def test_ratio_analysis_and_a_block_of_discs():
    frame = lots({"L1": BOTH, "L2": BOTH}).assign(
        disc_batch=lambda f: np.where(np.arange(len(f)) % 2, "D1", "D2")
    )
    outcome = compare(frame, analysis=Analysis.RATIO, blocks=("disc_batch",))
    assert outcome.headline.verdict is Verdict.EQUIVALENT
    assert outcome.table("offsets").rows[0][8] == "%" or "%" in outcome.table("offsets").rows[0]


def test_a_block_that_goes_with_the_lot_is_undecided():
    frame = lots({"L1": BOTH, "L2": BOTH}).assign(
        disc_batch=lambda f: np.where(f["pad_lot"] == "L1", "D1", "D2")
    )
    outcome = compare(frame, blocks=("disc_batch",))
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "disc batch 'D2' goes with L2" in outcome.headline.reason


# --- bad input ---------------------------------------------------------------------------------------------------


def test_a_lot_that_is_not_there_is_named_with_its_nearest():
    with pytest.raises(StudyError, match=r"pad_lot: there is no 'L22' in the results.*Did you mean 'L2'\?"):
        compare(lots({"L1": BOTH, "L2": BOTH}), ("L22",))


def test_a_lot_of_another_type_is_named_as_such():
    frame = lots({"L1": BOTH, "L2": BOTH})
    frame = frame.assign(pad_lot=frame["pad_lot"].map({"L1": 2511, "L2": 2601}))
    assert compare(frame, (2601,), 2511).headline.verdict is Verdict.EQUIVALENT
    with pytest.raises(StudyError, match=r"there is no '2601'.*of type int, not str"):
        compare(frame, ("2601",), 2511)


def test_results_that_were_averaged_in_two_ways_allow_no_verdict_of_any_kind():
    frame = lots({"L1": BOTH, "L3": BOTH}).assign(averaging=["time", "distance"] * 10)
    roles = ("rig", "pad_lot", "pad_set", "time", "averaging")
    results = rb.read_results(frame, columns={"result": "mu"} | {role: role for role in roles})
    outcome = compare_lots(
        results, lots=["L3"], reference="L1", margin=FIVE, percent_of_reference=15,
        specification=Tolerance(lower=0.30, upper=None), guard=StatedUncertainty(reproducibility=0.005),
    )  # fmt: skip
    assert {judgement.verdict for judgement in (outcome.headline, *outcome.judgements)} == {Verdict.UNDECIDED}
    assert "averaged in different ways" in outcome.headline.reason
    assert outcome.table("percentage").to_frame()["shown"].iloc[0].startswith("undecided")
    assert outcome.table("specification").to_frame()["mean"].isna().all()


@pytest.mark.parametrize(
    ("margin", "says"),
    [
        (0.0, "expected a positive number"),
        (-0.02, "expected a positive number"),
        (5.0, "larger than the results"),
    ],
)
def test_margins_that_make_no_sense_are_refused(margin, says):
    with pytest.raises(StudyError, match=says):
        compare(lots({"L1": BOTH, "L2": BOTH}), margin=margin)


def test_a_block_without_a_column_is_refused():
    frame = lots({"L1": BOTH, "L2": BOTH})
    results = rb.read_results(frame, columns={"result": "mu", "pad_lot": "pad_lot", "pad_set": "pad_set"})
    with pytest.raises(StudyError, match="no column for 'disc_batch'"):
        compare_lots(results, lots=["L2"], reference="L1", margin=FIVE, blocks=("disc_batch",))


@pytest.mark.parametrize(
    ("names", "reference", "says"),
    [(("L2", "L2"), "L1", "names a lot twice"), (("L1",), None, "at least two lots")],
)
def test_lots_have_to_be_several_and_different(names, reference, says):
    with pytest.raises(StudyError, match=says):
        compare(lots({"L1": BOTH, "L2": BOTH}), names, reference)


def test_equal_results_are_undecided_with_the_reason():
    frame = lots({"L1": BOTH, "L2": BOTH}).assign(mu=0.4)
    outcome = compare(frame)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "equal" in outcome.judgements[0].reason


# --- what to run next --------------------------------------------------------------------------------------------


def test_what_to_run_next_spreads_sets_over_the_rigs_and_asks_for_more_when_scatter_is_wide():
    rng = np.random.default_rng(3)
    frame = lots({"L1": {"R1": 2, "R2": 2}, "L2": {"R1": 2, "R2": 2}})
    frame["mu"] = 0.40 + rng.normal(0, 0.010, len(frame))
    outcome = compare(frame)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert outcome.next_runs is not None
    needed = outcome.next_runs.table.to_frame()
    plain, wide = needed["further"].iloc[0], needed["further"].iloc[1]
    assert plain >= 1
    assert np.isnan(wide) or wide > plain
