"""Paths, globs and folders; one file per run; wide tables."""

from __future__ import annotations

import hashlib

import pytest

from repeatab.base.errors import InputError
from repeatab.intake.options import ReadOptions, Shape
from repeatab.intake.reading import read_results
from repeatab.intake.run_files import NamePattern
from repeatab.intake.sources import find_files


def refusal(*args, **named) -> str:
    with pytest.raises(InputError) as caught:
        read_results(*args, **named)
    return str(caught.value)


def test_glob_list_and_folder_read_the_same_files_in_a_fixed_order(write, lines, columns, tmp_path):
    write(lines, "b.csv")
    write([line.replace("R1", "R3") for line in lines], "a.csv")
    write("nothing", ".hidden.csv")
    write("nothing", "~$a.xlsx")
    write("nothing", "notes.md")
    ways = [str(tmp_path / "*.csv"), tmp_path, [tmp_path / "a.csv", tmp_path / "b.csv"]]
    frames = [read_results(way, columns=columns).to_frame() for way in ways]
    assert frames[0]["source_file"].tolist() == ["a.csv"] * 4 + ["b.csv"] * 4
    for frame in frames[1:]:
        assert frame.equals(frames[0])


def test_names_are_relative_and_fingerprints_are_those_of_the_bytes(write, lines, columns, tmp_path):
    path = write(lines, "data/🔥 runs.csv")
    (tmp_path / "study").mkdir()
    results = read_results("../data/🔥 runs.csv", columns=columns, relative_to=tmp_path / "study")
    assert results.inputs[0].name == "../data/🔥 runs.csv"
    assert results.inputs[0].sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert results.inputs[0].rows == 4
    assert read_results(path, columns=columns).inputs[0].name == "🔥 runs.csv"


def test_a_file_named_like_a_pattern_is_read(write, lines, columns):
    assert read_results(write(lines, "runs[1].csv"), columns=columns).row_count == 4


def test_missing_file_names_the_nearest(write, lines, columns, tmp_path):
    write(lines, "runs.csv")
    text = refusal(tmp_path / "run.csv", columns=columns)
    for part in ("run.csv", "no such file", "Did you mean 'runs.csv'?"):
        assert part in text


def test_glob_without_a_match_folder_without_a_table_and_no_source(tmp_path, columns):
    assert "no file matches" in refusal(str(tmp_path / "*.csv"), columns=columns)
    text = refusal(tmp_path, columns=columns)
    for part in ("folder without a table", ".xlsx", "Name the file itself"):
        assert part in text
    assert "at least one path" in refusal([], columns=columns)


def test_a_folder_that_looks_like_a_file(tmp_path, columns):
    (tmp_path / "runs.csv").mkdir()
    assert "is a folder" in refusal(tmp_path / "runs.csv", columns=columns)
    assert "is a folder" in refusal([tmp_path / "runs.csv"], columns=columns)


def test_kinds_that_are_not_read(write, columns):
    text = refusal(write(b"x", "runs.xls"), columns=columns)
    for part in ("runs.xls", "'.xls'", "Save the table as .xlsx"):
        assert part in text


def test_a_path_that_cannot_be_one(columns):
    assert "no such file" in refusal("nowhere/at/all.csv", columns=columns)
    assert "no such file" in refusal("a\0b.csv", columns=columns)


def test_progress_is_told(write, lines, columns):
    seen = []
    read_results(write(lines), columns=columns, progress=lambda *step: seen.append(step))
    assert seen[0] == ("reading", 0, 1)
    assert seen[-1] == ("reading", 1, 1)


def test_files_are_found_once(write, lines, tmp_path):
    write(lines, "a.csv")
    files = find_files([tmp_path / "a.csv", str(tmp_path / "*.csv")], relative_to=None)
    assert [file.name for file in files] == ["a.csv"]


# One file per run

STOPS = ["Section;Stop;mu", "fade;1;0,385", "fade;2;0,391"]
RUN_COLUMNS = {"section": "Section", "stop": "Stop", "result": "mu"}


@pytest.mark.parametrize(
    "heading",
    [
        ["Rig: R1", "Rig type: old", "Pad set = S1", "Ambient: 21,5"],
        ["Rig;R1", "Pad set:;S1", "Ambient:;21,5"],
        ["Rig : R1;;", "Pad set: S1;;", "", "Ambient: 21,5;;"],
    ],
)
def test_values_from_header_lines(write, heading):
    options = ReadOptions(header_values={"rig": "Rig", "pad_set": "Pad set", "ambient": "Ambient"})
    results = read_results(write([*heading, *STOPS]), columns=RUN_COLUMNS, options=options)
    frame = results.to_frame()
    assert frame["rig"].tolist() == ["R1", "R1"]
    assert frame["pad_set"].tolist() == ["S1", "S1"]
    assert frame["ambient"].tolist() == [21.5, 21.5]
    assert results.covariates == ("ambient",)
    assert results.original_columns["rig"] == "Rig"


def test_a_missing_header_line_lists_the_lines(write):
    text = refusal(
        write(["Rig: R1", "Lot: L1", *STOPS]),
        columns=RUN_COLUMNS,
        options=ReadOptions(header_values={"pad_set": "Set"}),
    )
    for part in ("runs.csv", "'Set:'", "'Rig: R1'", "'Lot: L1'", "header_values"):
        assert part in text


def test_header_lines_that_contradict_each_other(write):
    text = refusal(
        write(["Rig: R1", "Rig: R2", *STOPS]),
        columns=RUN_COLUMNS,
        options=ReadOptions(header_values={"rig": "Rig"}),
    )
    for part in ("'Rig' stands 2 times", "'R1', 'R2'"):
        assert part in text


def test_values_from_file_names(write, tmp_path):
    write(STOPS, "R1_L1_S1_1.csv")
    write(STOPS, "R2_L1_S2_1.csv")
    options = ReadOptions(name_pattern="{rig}_{pad_lot}_{pad_set}_{run}.csv")
    frame = read_results(tmp_path, columns=RUN_COLUMNS, options=options).to_frame()
    assert frame[["rig", "pad_lot", "pad_set", "run"]].drop_duplicates().to_numpy().tolist() == [
        ["R1", "L1", "S1", "1"],
        ["R2", "L1", "S2", "1"],
    ]


def test_values_from_folders(write, tmp_path):
    write(STOPS, "R1/S1.csv")
    write(STOPS, "R2/S2.csv")
    options = ReadOptions(name_pattern="{rig}/{pad_set}.csv")
    results = read_results(str(tmp_path / "*" / "*.csv"), columns=RUN_COLUMNS, options=options)
    assert results.levels("rig") == ("R1", "R2")


def test_a_name_that_does_not_fit_or_fits_twice(write):
    options = ReadOptions(name_pattern="{rig}_{pad_set}.csv")
    text = refusal(write(STOPS, "R1-S1.csv"), columns=RUN_COLUMNS, options=options)
    for part in ("R1-S1.csv", "{rig}_{pad_set}.csv", "'rig', 'pad_set'"):
        assert part in text
    text = refusal(write(STOPS, "R_1_S1.csv"), columns=RUN_COLUMNS, options=options)
    for part in ("R_1_S1.csv", "in two ways", "'R', '1_S1'", "'R_1', 'S1'"):
        assert part in text


@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        ("runs.csv", "once in braces"),
        ("{rig}_{rig}.csv", "once in braces"),
        ("{rig}{run}.csv", "nothing between them"),
    ],
)
def test_patterns_that_cannot_work(pattern, said):
    with pytest.raises(InputError, match=said):
        NamePattern(pattern)


def test_a_role_from_two_places(write, lines, columns):
    text = refusal(write(lines), columns=columns, options=ReadOptions(header_values={"rig": "Rig"}))
    assert "'rig' is read from two places" in text


# Wide tables

WIDE = ["Rig;Set;fade mu;cold mu;remark", "R1;S1;0,385;0,301;", "R2;S2;0,402;;late"]


def wide_options(**more):
    return ReadOptions(shape=Shape.WIDE, section_columns={"fade": "fade mu", "cold": "cold mu"}, **more)


def test_wide_table_gives_a_row_per_section_in_the_order_of_the_file(write):
    results = read_results(write(WIDE), columns={"rig": "Rig", "pad_set": "Set"}, options=wide_options())
    frame = results.to_frame()
    assert frame[["rig", "section", "result", "source_row"]].to_numpy().tolist() == [
        ["R1", "fade", 0.385, 2],
        ["R1", "cold", 0.301, 2],
        ["R2", "fade", 0.402, 3],
    ]
    assert next((f.check, f.rows) for f in results.findings) == ("missing result", (3,))
    assert results.factors == ("rig", "pad_set", "section")


def test_wide_table_names_the_column_of_a_bad_number(write):
    text = refusal(
        write([*WIDE, "R1;S3;0,3;oops;"]), columns={"rig": "Rig", "pad_set": "Set"}, options=wide_options()
    )
    for part in ("runs.csv, row 4", "'cold mu'", "'oops'"):
        assert part in text


def test_wide_table_without_one_of_its_columns(write):
    text = refusal(
        write([WIDE[0].replace("cold mu", "cold my"), *WIDE[1:]]),
        columns={"rig": "Rig"},
        options=wide_options(),
    )
    for part in ("runs.csv", "'section cold'", "'cold mu'", "Did you mean 'cold my'?"):
        assert part in text


def test_wide_units_that_differ(write):
    text = refusal(
        write([WIDE[0], ";;[-];[%];", *WIDE[1:]]),
        columns={"rig": "Rig", "pad_set": "Set"},
        options=wide_options(),
    )
    for part in ("runs.csv", "'fade mu' in '[-]'", "'cold mu' in '[%]'"):
        assert part in text


def test_wide_options_are_checked():
    with pytest.raises(InputError, match="needs section_columns"):
        ReadOptions(shape=Shape.WIDE)
    with pytest.raises(InputError, match="belong to a wide table"):
        ReadOptions(section_columns={"fade": "x"})


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"rig": "Rig"}, "No column is named for the result"),
        ({"result": "mu", "source_row": "x"}, "kept for bookkeeping"),
        ({"result": "mu", "rig": " "}, "expected the name of a column"),
    ],
)
def test_mappings_that_cannot_work(write, lines, columns, said):
    assert said in refusal(write(lines), columns=columns)


def test_a_declared_covariate_needs_a_column(write, lines, columns):
    text = refusal(write(lines), columns=columns, options=ReadOptions(covariates=("stopp",)))
    for part in ("'stopp'", "Did you mean 'stop'?"):
        assert part in text
