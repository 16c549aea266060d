"""Correlation check and crossover: offsets and wear are recovered, messy places are where the truth says."""

import math

import pandas as pd
import pytest


def monthly(demo) -> pd.DataFrame:
    return pd.read_csv(demo.folder / "monthly_correlation.csv", sep=";", decimal=",")


def test_monthly_offsets_are_recovered(demo):
    truth, frame = demo.truth("monthly_correlation"), monthly(demo)
    excluded = demo.messy("monthly_correlation", "run to exclude")["run"]
    runs = frame[frame["run"] != excluded].groupby(["section", "rig", "run"])["mu"].mean()
    assert runs["characteristic"].groupby("rig").size().to_dict() == {"R1": 8, "R2": 7}
    means = runs.groupby(["section", "rig"]).mean().unstack()
    for section, offset in truth["offset_R2_minus_R1"].items():
        sd = truth["sections"][section]["sd_of_section_mean_with_fresh_sets"]
        bound = demo.errors * sd * math.sqrt(1 / 8 + 1 / 7)
        assert means.loc[section, "R2"] - means.loc[section, "R1"] == pytest.approx(offset, abs=bound)
        assert means.loc[section, "R1"] == pytest.approx(truth["sections"][section]["level"], abs=bound)


def test_monthly_offset_stands_in_two_sections_only(demo):
    offsets = demo.truth("monthly_correlation")["offset_R2_minus_R1"]
    assert {section for section, offset in offsets.items() if offset} == {"fade 1", "recovery"}


def test_monthly_faulty_run_is_off_and_stands_in_the_stated_rows(demo):
    fault, frame = demo.messy("monthly_correlation", "run to exclude"), monthly(demo)
    first, last = fault["rows"]
    # Row 1 is the header, so file row n is frame row n - 2.
    assert set(frame.iloc[first - 2 : last - 1]["run"]) == {fault["run"]}
    assert (frame["run"] == fault["run"]).sum() == last - first + 1
    ordinary = frame[(frame["section"] == "characteristic") & (frame["run"] != fault["run"])]
    faulty = frame[(frame["section"] == "characteristic") & (frame["run"] == fault["run"])]
    assert faulty["mu"].mean() - ordinary["mu"].mean() == pytest.approx(fault["added_to_mu"], abs=0.02)
    assert faulty["start_temp_C"].std() > 3 * ordinary["start_temp_C"].std()


def test_monthly_lost_stops_and_the_missing_set_are_absent(demo):
    frame = monthly(demo)
    stored = set(zip(frame["run"], frame["section"], frame["stop"], strict=True))
    where = demo.messy("monthly_correlation", "missing stops")["where"]
    assert not stored & {(place["run"], place["section"], place["stop"]) for place in where}
    full = sum(section["stops"] for section in demo.truth("monthly_correlation")["sections"].values())
    assert len(frame) == 16 * full - len(where)
    assert demo.messy("monthly_correlation", "missing run")["pad_set"] not in set(frame["pad_set"])


def test_monthly_order_of_rigs_alternates_and_operators_work_on_both(demo):
    frame = monthly(demo).drop_duplicates("run")
    assert (frame.groupby(frame["run_order"].sub(1).floordiv(2))["rig"].nunique().iloc[:7] == 2).all()
    assert (frame.groupby("operator")["rig"].nunique() == 2).all()


def test_crossover_offset_and_wear_are_recovered_within_sets(demo):
    truth = demo.truth("crossover_correlation")
    frame = pd.read_csv(demo.folder / "crossover_correlation.csv")
    first_rig = frame[frame["run_order"] == 1].drop_duplicates("pad_set").set_index("pad_set")["rig"]
    assert first_rig.value_counts().to_dict() == {"R1": 5, "R2": 5}
    for section, rows in frame.groupby("section"):
        wide = rows.pivot(index="pad_set", columns="rig", values="mu")
        step = (wide["R2"] - wide["R1"]).groupby(first_rig).mean()
        bound = demo.errors * truth["sections"][section]["repeatability_of_section_mean"] * math.sqrt(1 / 5)
        offset, wear = (step["R1"] + step["R2"]) / 2, (step["R1"] - step["R2"]) / 2
        assert offset == pytest.approx(truth["offset_R2_minus_R1"][section], abs=bound)
        assert wear == pytest.approx(truth["change_of_second_run"][section], abs=bound)
