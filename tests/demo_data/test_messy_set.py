"""The file with one of everything: each fault stands in the rows that the truth names."""

import pandas as pd


def test_messy_file_holds_every_stated_fault_in_its_rows(demo):
    frame = pd.read_csv(demo.folder / "messy_labels.csv", dtype=str, keep_default_na=False)
    usual = {"rig": {"R1", "R2"}, "section": {"characteristic", "fade 1", "recovery"}, "unit": {"-"},
             "averaging": {"time"}, "pad_lot": {"P2604"}}  # fmt: skip
    for column, values in usual.items():
        stated = {row for fault in demo.truth("messy_labels")["messy"] if fault["column"] == column
                  for row in fault["rows"]}  # fmt: skip
        found = {position + 2 for position, value in enumerate(frame[column]) if value not in values}
        assert found == stated
    numbers = pd.to_numeric(frame["result"], errors="coerce")
    odd = {position + 2 for position, value in enumerate(numbers) if not 0.2 < value < 0.6}
    faults = [fault for fault in demo.truth("messy_labels")["messy"] if fault["column"] == "result"]
    assert odd == {row for fault in faults for row in fault["rows"] if fault["what"] != "duplicate key"}


def test_messy_file_repeats_one_key_and_goes_back_in_time(demo):
    frame = pd.read_csv(demo.folder / "messy_labels.csv", dtype=str)
    twice = frame.index[frame.duplicated(["rig", "pad_set", "run", "section"], keep=False)] + 2
    assert twice.tolist() == demo.messy("messy_labels", "duplicate key")["rows"]
    back = frame.index[frame["date"] < frame["date"].shift()] + 2
    assert set(demo.messy("messy_labels", "times out of order")["rows"]) <= set(back)
