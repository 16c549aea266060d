"""Relocation and lot comparison: shift and difference recovered, messy places as the truth says."""

import math

import pandas as pd
import pytest


def lots(demo) -> pd.DataFrame:
    return pd.read_csv(demo.folder / "lot_comparison.csv", sep="\t")


def test_relocation_difference_of_differences_recovers_the_shift(demo):
    truth, frame = demo.truth("relocation"), pd.read_csv(demo.folder / "relocation.csv")
    visits = frame.groupby(["section", "rig", "phase", "visit"])["mu"].mean()
    change = visits.groupby(["section", "rig", "phase"]).mean().unstack("phase")
    change = (change["after"] - change["before"]).unstack("rig")
    for section, shift in truth["shift_of_R2_by_the_move"].items():
        found = change.loc[section, "R2"] - (change.loc[section, "R1"] + change.loc[section, "R3"]) / 2
        drift = truth["sd"]["rig x visit (ordinary drift)"][section]
        of_visit = drift**2 + truth["sections"][section]["sd_of_section_mean_with_fresh_sets"] ** 2 / 3
        assert found == pytest.approx(shift, abs=demo.errors * math.sqrt(of_visit * (1 / 4 + 1 / 2) * 1.5))


def test_relocation_lacks_what_the_truth_says_and_phases_do_not_overlap(demo):
    frame = pd.read_csv(demo.folder / "relocation.csv")
    assert demo.messy("relocation", "missing run")["pad_set"] not in set(frame["pad_set"])
    place = demo.messy("relocation", "missing section")
    assert place["section"] not in set(frame[frame["pad_set"] == place["pad_set"]]["section"])
    assert len(frame) == 3 * 6 * 3 * 4 - 4 - 1
    dates = frame.groupby("phase")["date"].agg(["min", "max"])
    assert dates.loc["before", "max"] < dates.loc["after", "min"]


def test_lots_differ_in_one_section_only_and_by_the_stated_amount(demo):
    truth, frame = demo.truth("lot_comparison"), lots(demo)
    runs = frame[frame["run_of_set"] == 1].groupby(["section", "rig", "lot", "pad_set"])["mu"].mean()
    cells = runs.groupby(["section", "rig", "lot"]).mean()
    means = cells.groupby(["section", "lot"]).mean().unstack()
    for lot, differences in truth["difference_to_P2511"].items():
        for section, difference in differences.items():
            sd = truth["sections"][section]["sd_of_section_mean_with_fresh_sets"]
            bound = demo.errors * sd * math.sqrt(1 / 10 + 1 / 6)
            assert means.loc[section, lot] - means.loc[section, "P2511"] == pytest.approx(
                difference, abs=bound
            )
    nonzero = [(lot, section) for lot, found in truth["difference_to_P2511"].items() for section in found
               if found[section]]  # fmt: skip
    assert nonzero == [("P2601", "fade 1")]


def test_lot_sets_repeat_their_labels_run_twice_and_lose_stops_where_stated(demo):
    frame = lots(demo)
    assert (frame.groupby("pad_set")["lot"].nunique() >= 2).all()
    assert (frame.groupby(["lot", "pad_set"])["rig"].nunique() == 1).all()
    first, last = demo.messy("lot_comparison", "second runs of worn sets")["rows"]
    second = frame.index[frame["run_of_set"] == 2]
    assert (second[0] + 2, second[-1] + 2, len(second)) == (first, last, last - first + 1)
    for place in demo.messy("lot_comparison", "missing stops")["where"]:
        rows = frame[(frame["run"] == place["run"]) & (frame["section"] == place["section"])]
        assert len(rows) > 0
        assert not rows["stop"].between(*place["stops"]).any()
