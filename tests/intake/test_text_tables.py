"""Text tables: what is detected, and what each kind of unwelcome file is told."""

from __future__ import annotations

import pytest

from repeatab.base.errors import InputError, RepeatabError
from repeatab.intake.options import Encoding, ReadOptions, Separator, UnitsRow
from repeatab.intake.reading import read_results


def refusal(*args, **named) -> str:
    with pytest.raises(RepeatabError) as caught:
        read_results(*args, **named)
    assert isinstance(caught.value, InputError)
    return str(caught.value)


@pytest.mark.parametrize("separator", [";", "\t", ","])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_separator_decimal_and_encoding_are_found_and_told(write, lines, columns, separator, encoding):
    lines[1] = lines[1].replace("R1", "Prüfstand 1")
    text = "\n".join(lines) + "\n"
    if separator == ",":
        text = text.replace(",", ".")
    results = read_results(write(text.replace(";", separator).encode(encoding)), columns=columns)
    frame = results.to_frame()
    assert frame["result"].tolist() == [0.385, 0.391, 0.402, 0.398]
    assert frame["rig"].tolist() == ["Prüfstand 1", "R1", "R2", "R2"]
    assert frame["source_row"].tolist() == [2, 3, 4, 5]
    assert set(frame["source_file"]) == {"runs.csv"}
    told = " ".join(results.detected)
    word = {";": "semicolon", "\t": "tab", ",": "comma"}[separator]
    assert f"{word} between values" in told
    assert ("decimal point" if separator == "," else "decimal comma") in told
    assert encoding.removesuffix("-sig") in told


def test_title_lines_units_row_and_blank_rows_keep_the_row_numbers_of_a_spreadsheet(write, lines, columns):
    lines = ["Monthly check; June", "", lines[0], ";;;;;[-]", lines[1], "", ";;;;;", *lines[2:]]
    results = read_results(write(lines), columns=columns)
    assert results.to_frame()["source_row"].tolist() == [5, 8, 9, 10]
    assert any(
        "header in row 3" in sentence and "units in row 4" in sentence for sentence in results.detected
    )


def test_a_header_over_two_lines_and_a_cell_with_a_line_break_keep_the_row_numbers(write):
    text = 'Rig;"mu\n[-]"\nR1;0,4\n"R\n2";0,41\nR3;0,42\n'
    results = read_results(write(text), columns={"rig": "Rig", "result": "mu\n[-]"})
    frame = results.to_frame()
    assert frame["rig"].tolist() == ["R1", "R\n2", "R3"]
    assert frame["source_row"].tolist() == [2, 3, 4]


def test_a_rig_named_like_a_unit_is_no_units_row(write):
    text = "Rig;Set;mu\nC;N;\nC;S2;0,4\nK;S3;0,41\n"
    results = read_results(write(text), columns={"rig": "Rig", "pad_set": "Set", "result": "mu"})
    assert not any("units" in sentence for sentence in results.detected) or results.row_count == 2
    declared = read_results(
        write(text),
        columns={"rig": "Rig", "pad_set": "Set", "result": "mu"},
        options=ReadOptions(units_row=UnitsRow.NONE),
    )
    assert [finding.rows for finding in declared.findings if finding.check == "missing result"] == [(2,)]


def test_lines_that_end_in_a_carriage_return_alone(write, lines, columns):
    results = read_results(write("\r".join(lines)), columns=columns)
    assert results.to_frame()["source_row"].tolist() == [2, 3, 4, 5]


def test_labels_of_text_files_stay_text(write):
    text = "Rig,Set,mu\n01,1e3,0.4\n1,1000,0.41\n"
    frame = read_results(write(text), columns={"rig": "Rig", "pad_set": "Set", "result": "mu"}).to_frame()
    assert frame["rig"].tolist() == ["01", "1"]
    assert frame["pad_set"].tolist() == ["1e3", "1000"]


def test_empty_file(write, columns):
    text = refusal(write(""), columns=columns)
    assert "runs.csv" in text
    assert "is empty" in text


@pytest.mark.parametrize("rest", ["", "\n", "\n\n\n"])
def test_header_only(write, lines, columns, rest):
    text = refusal(write(lines[0] + rest), columns=columns)
    for part in ("runs.csv", "found a header", "'Rig'", "no row under it"):
        assert part in text


@pytest.mark.parametrize(
    ("row", "found"), [("R1;S1;1;fade;3", "5 values"), ("R1;S1;1;fade;3;0,4;9", "7 values")]
)
def test_ragged_row_is_named(write, lines, columns, row, found):
    text = refusal(write([*lines[:3], "", row, *lines[3:]]), columns=columns)
    for part in ("runs.csv, row 5", found, "expected 6"):
        assert part in text


def test_ragged_row_is_named_below_titles_and_far_down(write, lines, columns):
    body = lines[1:] * 20_000
    text = refusal(write(["title", lines[0], *body, "R1;S1"]), columns=columns)
    assert f"row {len(body) + 3}:" in text


def test_duplicate_column_name(write, columns):
    text = refusal(write("Rig;Set;Run;Section;Stop;mu;mu\nR1;S1;1;fade;1;0,4;0,5\n"), columns=columns)
    for part in ("runs.csv, row 1", "'mu'", "2 times", "columns 6 and 7"):
        assert part in text


def test_duplicate_names_of_columns_that_are_not_used_do_no_harm(write):
    results = read_results(write("Rig;mu;x;x;\nR1;0,4;1;2;\n"), columns={"rig": "Rig", "result": "mu"})
    assert results.row_count == 1


def test_missing_column_lists_what_there_is_and_the_nearest(write, lines, columns):
    columns["rig"] = "Rigg"
    text = refusal(write(lines), columns=columns)
    for part in ("runs.csv", "'rig'", "'Rigg'", "'Section'", "Did you mean 'Rig'?", "[columns]"):
        assert part in text


def test_no_number_names_place_and_remedy_and_counts_the_others(write, lines, columns):
    lines[2] = "R1;S1;1;fade;2;n/a"
    lines[3] = "R2;S2;1;fade;1;--"
    text = refusal(write(lines), columns=columns)
    for part in ("runs.csv, row 3", "'mu'", "'n/a'", "[[exclude]]", "1 more"):
        assert part in text


def test_a_long_cell_is_cut_in_the_message(write, lines, columns):
    lines[2] = "R1;S1;1;fade;2;" + "x" * 500
    assert len(refusal(write(lines), columns=columns)) < 400


def test_open_quotation_mark(write, lines, columns):
    lines[2] = 'R1;"S1;1;fade;2;0,391'
    text = refusal(write(lines), columns=columns)
    assert "runs.csv" in text
    assert "quotation mark" in text or "row 3" in text


def test_open_quotation_mark_in_the_last_column(write, lines, columns):
    lines[2] = 'R1;S1;1;fade;2;"0,391'
    text = refusal(write(lines), columns=columns)
    for part in ("runs.csv", "'0,391'", "never closed"):
        assert part in text


def test_binary_content(write, columns):
    text = refusal(write(b"\x89PNG\r\n\x1a\n\x00\x00\x00", name="runs.csv"), columns=columns)
    assert "binary content" in text


def test_bytes_that_are_no_text_in_the_detected_encoding(write, lines, columns):
    raw = ("\n".join(lines) + "\n").encode().replace(b"R2;S2;1;fade;1", b"R\x8d;S2;1;fade;1")
    text = refusal(write(raw), columns=columns)
    for part in ("runs.csv, line 4", "0x8D", "cp1252", "declare the encoding"):
        assert part in text


def test_bytes_that_are_no_text_in_the_declared_encoding(write, lines, columns):
    raw = ("\n".join(lines)).replace("S2", "Sä").encode("cp1252")
    text = refusal(write(raw), columns=columns, options=ReadOptions(encoding=Encoding.UTF_8))
    for part in ("runs.csv, line 4", "0xE4", "utf-8"):
        assert part in text


def test_declared_separator_is_obeyed(write):
    text = refusal(
        write("Rig;mu\nR1;0,4\n"),
        columns={"rig": "Rig", "result": "mu"},
        options=ReadOptions(separator=Separator.TAB),
    )
    assert "'Rig;mu'" in text


def test_declared_header_row_beyond_the_end(write, lines, columns):
    text = refusal(write(lines), columns=columns, options=ReadOptions(header_row=99))
    for part in ("runs.csv", "header_row is 99", "first 5 rows"):
        assert part in text


HOSTILE = [
    "<script>alert(1)</script>",
    "=cmd|' /C calc'!A0",
    'quote "x"',
    "a/b\\c",
    "🔥 rig",
    "; DROP",
    "a,b\tc",
    "  x ",
]


def test_hostile_names_pass_unharmed_as_labels(write):
    import csv
    import io

    stream = io.StringIO()
    rows = csv.writer(stream, delimiter=";")
    rows.writerow(["Rig", "mu"])
    rows.writerows([name, "0,4"] for name in HOSTILE)
    results = read_results(write(stream.getvalue()), columns={"rig": "Rig", "result": "mu"})
    assert results.to_frame()["rig"].tolist() == HOSTILE
    assert "<script>" not in results._repr_html_()
    assert "&lt;script&gt;" in results._repr_html_()


def test_one_column_with_a_decimal_comma_is_not_cut_at_the_comma(write):
    results = read_results(write("mu\n0,4\n0,41\n"), columns={"result": "mu"})
    assert results.to_frame()["result"].tolist() == [0.4, 0.41]
    assert results.factors == ()
