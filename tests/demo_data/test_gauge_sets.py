"""Gauge studies and the folder of run files: components recovered, messy places as the truth says."""

import math

import pandas as pd
import pytest


def gauge_sheet(demo) -> pd.DataFrame:
    place = demo.truth("gauge_study")["workbook"]
    sheet = pd.read_excel(
        demo.folder / "gauge_study.xlsx",
        sheet_name=place["sheet"],
        header=place["header_row"] - 1,
        skiprows=[3],
    )
    assert place["units_row"] == 4
    return sheet


def test_balanced_gauge_study_is_balanced_and_holds_its_components(demo):
    truth = demo.truth("gauge_study_balanced")
    frame = pd.read_csv(demo.folder / "gauge_study_balanced.csv", encoding="utf-8-sig")
    assert set(frame.groupby(["rig", "pad_set", "section"]).size()) == {3}
    for section, rows in frame.groupby("section"):
        within = rows.groupby(["rig", "pad_set"])["mu"].var().mean() ** 0.5
        s_r = truth["sd"]["repeatability"][section]
        # 48 degrees of freedom: the SD is known to about 1 / sqrt(96) of itself.
        assert within == pytest.approx(s_r, rel=demo.errors / math.sqrt(96))
        for role, interaction_levels, runs in (("rig", 8, 24), ("pad_set", 3, 9)):
            found = rows.groupby(role)["mu"].mean().sub(rows["mu"].mean())
            real = pd.Series({key: value[section] for key, value in truth["realised"][role].items()})
            bound = math.hypot(
                truth["sd"]["rig x pad_set"][section] / math.sqrt(interaction_levels), s_r / runs**0.5
            )
            assert (found - (real - real.mean())).abs().max() < demo.errors * bound


def test_gauge_workbook_lacks_what_the_truth_says(demo):
    sheet = gauge_sheet(demo)
    stored = set(zip(sheet["pad set"], sheet["run of set"], strict=True))
    missing = {
        (place["pad set"], place["run of set"])
        for place in demo.messy("gauge_study", "missing runs")["where"]
    }
    assert not stored & missing
    assert len(sheet) == 3 * 2 * 6 * 2 - len(missing)
    empty = sheet[sheet[["characteristic", "pressure sensitivity", "recovery"]].isna().any(axis=1)]
    place = demo.messy("gauge_study", "empty cell")
    assert empty[["pad set", "run of set"]].to_numpy().tolist() == [[place["pad set"], place["run of set"]]]
    assert empty[place["section"]].isna().all()


def test_gauge_workbook_wears_from_run_to_run(demo):
    truth, sheet = demo.truth("gauge_study"), gauge_sheet(demo)
    for section in ("characteristic", "pressure sensitivity", "recovery"):
        effects = {role: {key: value[section] for key, value in levels.items()}
                   for role, levels in truth["realised"].items()}  # fmt: skip
        rest = sheet[section] - sheet["rig"].map(effects["rig"]) - sheet["operator"].map(effects["operator"])
        rest -= sheet["pad set"].map(effects["pad_set"])
        age = sheet["run of set"] - sheet["run of set"].mean()
        slope = (age * rest).sum() / (age**2).sum()
        sd = math.hypot(truth["sd"]["repeatability"][section], truth["sd"]["rig x pad_set"][section])
        assert slope == pytest.approx(truth["wear_per_run"], abs=demo.errors * sd / math.sqrt((age**2).sum()))


def test_run_files_carry_header_lines_degree_signs_and_their_name(demo):
    files = sorted((demo.folder / "runs").iterdir())
    assert len(files) == 12
    for path in files:
        run, rig, lot, pad = path.stem.split("_")
        assert b"\xb0C" in path.read_bytes()
        lines = path.read_bytes().decode("cp1252").split("\r\n")
        head = dict(line.split("\t") for line in lines[1:9])
        assert (head["Test no.:"], head["Rig:"], head["Pad lot:"], head["Pad set:"]) == (
            run,
            rig.upper(),
            lot,
            pad,
        )


def test_run_files_are_messy_where_the_truth_says(demo):
    names = {int(path.stem.split("_")[0]): path for path in (demo.folder / "runs").iterdir()}
    lower = demo.messy("runs", "rig in lower case in the file name only")["run"]
    assert [run for run, path in names.items() if "_r" in path.name] == [lower]
    texts = {run: path.read_bytes().decode("cp1252") for run, path in names.items()}
    unnamed = demo.messy("runs", "operator not filled in")["run"]
    assert [run for run, text in texts.items() if "Operator:\t\r\n" in text] == [unnamed]
    short = demo.messy("runs", "missing stops")
    stops = {run: text.count("\nrecovery\t") for run, text in texts.items()}
    full = demo.truth("runs")["sections"]["recovery"]["stops"]
    assert [run for run, count in stops.items() if count != full] == [short["run"]]
    assert stops[short["run"]] == short["stops"][0] - 1
