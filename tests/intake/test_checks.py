"""Each check finds what it is for, at the right rows, and stays silent on good data."""

from __future__ import annotations

import pandas as pd
import pytest

from repeatab.base.errors import InputError
from repeatab.base.quantity import BRAKE_FACTOR, FRICTION, TORQUE
from repeatab.intake.aliases import Aliases
from repeatab.intake.checks.agreement import unit_core
from repeatab.intake.checks.labels import spelling_core
from repeatab.intake.checks.order import read_times
from repeatab.intake.checks.places import rows_in_words
from repeatab.intake.exclusions import Exclusion
from repeatab.intake.reading import read_results

COLUMNS = {
    "rig": "Rig",
    "pad_set": "Set",
    "pad_lot": "Lot",
    "run": "Run",
    "section": "Section",
    "stop": "Stop",
    "result": "mu",
}


def table() -> list[list[str]]:
    """Four runs of three stops: rows 2 to 13."""
    runs = [
        ("R1", "S1", "L1", "1"),
        ("R1", "S2", "L1", "2"),
        ("R2", "S3", "L2", "1"),
        ("R2", "S4", "L2", "2"),
    ]
    return [[*run, "fade", str(stop), f"0.38{stop}"] for run in runs for stop in (1, 2, 3)]


def read(write, rows, more=(), quantity=FRICTION, columns=None, **named):
    head = ["Rig", "Set", "Lot", "Run", "Section", "Stop", "mu", *more]
    path = write([",".join(row) for row in [head, *rows]])
    return read_results(
        path, columns=columns or {**COLUMNS, **{name: name for name in more}}, quantity=quantity, **named
    )


def of(results, check):
    return [finding for finding in results.findings if finding.check == check]


def test_good_data_have_no_findings(write):
    assert read(write, table()).findings == ()


@pytest.mark.parametrize("cell", ["", "  ", "nan", "NaN"])
def test_missing_result_is_set_aside_with_file_and_row(write, cell):
    rows = table()
    rows[3][6] = cell
    results = read(write, rows)
    (finding,) = of(results, "missing result")
    assert (finding.file, finding.rows, finding.blocks) == ("runs.csv", (5,), False)
    assert "runs.csv, row 5" in finding.text
    assert "set aside" in finding.text
    assert 5 not in results.to_frame()["source_row"].tolist()
    assert results.row_count == 11


def test_infinite_result_is_set_aside(write):
    rows = table()
    rows[0][6], rows[1][6] = "inf", "-Infinity"
    results = read(write, rows)
    (finding,) = of(results, "infinite result")
    assert finding.rows == (2, 3)
    assert "rows 2 and 3" in finding.text
    assert results.row_count == 10


def test_missing_label_is_set_aside(write):
    rows = table()
    rows[4][0] = " "
    results = read(write, rows)
    (finding,) = of(results, "missing rig")
    assert finding.rows == (6,)
    assert results.levels("rig") == ("R1", "R2")


def test_nothing_usable_is_an_error(write):
    rows = [[*row[:6], ""] for row in table()]
    with pytest.raises(
        InputError, match=r"No usable result is left.*runs.csv, rows 2, 3.*the result is missing"
    ):
        read(write, rows)


def test_infinite_covariate_becomes_missing_with_a_finding(write):
    rows = [[*row, "inf" if at == 2 else "100"] for at, row in enumerate(table())]
    results = read(write, rows, more=["temp"])
    (finding,) = of(results, "missing temp")
    assert finding.rows == (4,)
    assert results.to_frame()["temp"].isna().tolist() == [at == 2 for at in range(12)]


def test_percent_for_fraction_blocks_and_is_told_from_other_implausible_values(write):
    rows = table()
    rows[0][6], rows[1][6], rows[2][6] = "38.1", "3.8", "0.001"
    results = read(write, rows)
    (percent,) = of(results, "percent for fraction")
    assert (percent.rows, percent.blocks) == ((2,), True)
    for part in ("runs.csv, row 2", "percent", "0.02 to 0.95", "divide by 100"):
        assert part in percent.text
    (other,) = of(results, "implausible value")
    assert (other.rows, other.blocks) == ((3, 4), False)
    assert results.row_count == 12
    assert results.blocks == (percent,)


def test_the_plausible_range_follows_the_quantity(write):
    rows = [[*row[:6], "3.8"] for row in table()]
    assert of(read(write, rows), "implausible value")
    assert read(write, rows, quantity=BRAKE_FACTOR).findings == ()


def test_duplicate_key(write):
    rows = table()
    rows[5] = [*rows[4][:6], "0.399"]
    results = read(write, rows)
    (finding,) = of(results, "duplicate key")
    assert finding.rows == (6, 7)
    assert "rig, pad_set, pad_lot, run, section, stop" in finding.text


def test_stops_without_a_number_are_no_duplicates_but_equal_rows_are(write):
    columns = {name: column for name, column in COLUMNS.items() if name != "stop"}
    rows = table()
    assert read(write, rows, columns=columns).findings == ()
    rows[1][6] = rows[0][6]
    (finding,) = of(read(write, rows, columns=columns), "duplicate key")
    assert finding.rows == (2, 3)
    assert "the result included" in finding.text


def test_replicates_without_a_run_column_are_no_duplicates(write):
    columns = {name: column for name, column in COLUMNS.items() if name not in ("stop", "run")}
    assert of(read(write, table(), columns=columns), "duplicate key") == []


def test_near_duplicate_names_point_at_the_rarer_spelling(write):
    rows = table()
    rows[7][0] = "r-1 "
    results = read(write, rows)
    (finding,) = of(results, "near-duplicate names")
    assert finding.rows == (9,)
    for part in ("'R1' (6)", "'r-1 ' (1)", "one rig", "[aliases]"):
        assert part in finding.text
    assert "r-1 " in results.levels("rig")


@pytest.mark.parametrize(
    ("first", "second", "alike"),
    [
        ("Rig A", "rig-a ", True),
        ("Rig_A", "RIG A", True),
        ("R1", "R01", True),
        ("Ｒ１", "R1", True),
        ("fade 1", "Fade1", True),
        ("30 bar", "30bar", True),
        ("1-2", "12", False),
        ("1.2", "12", False),
        ("fade 1", "fade 2", False),
        ("A+", "A", False),
        ("10", "100", False),
        ("-", "--", False),
    ],
)
def test_spelling(first, second, alike):
    assert (spelling_core(first) == spelling_core(second)) is alike


def test_pad_set_in_two_lots(write):
    rows = table()
    rows[2][2] = "L2"
    (finding,) = of(read(write, rows), "pad set in two lots")
    assert finding.rows == (2, 3, 4)
    for part in ("'S1'", "'L1', 'L2'", "nested in pad_lot"):
        assert part in finding.text


def test_many_pad_sets_in_two_lots_are_one_finding(write):
    rows = [["R1", f"S{at}", lot, "1", "fade", "1", "0.4"] for at in range(11) for lot in ("L1", "L2")]
    (finding,) = of(read(write, rows), "pad set in two lots")
    assert "11 pad sets" in finding.text
    assert "start again in each lot" in finding.text


def test_level_seen_once(write):
    rows = table()
    rows[6][0] = "R7"
    (finding,) = of(read(write, rows), "level seen once")
    assert finding.rows == (8,)
    assert "rig 'R7'" in finding.text


def test_levels_that_are_all_seen_once_are_the_rule(write):
    rows = [["R1", f"S{at}", "L1", str(at), "fade", "1", "0.4"] for at in range(6)]
    assert of(read(write, rows), "level seen once") == []


def test_times_out_of_order_within_a_run_by_stop_number(write):
    times = [f"2024-05-01 10:{minute:02d}:00" for minute in (0, 5, 3, 20, 25, 30, 0, 5, 9, 20, 25, 30)]
    rows = [[*row, time] for row, time in zip(table(), times, strict=True)]
    (finding,) = of(read(write, rows, more=["time"]), "times out of order")
    assert finding.rows == (4,)
    # The same rows in another order have the same stop out of order.
    shuffled = [rows[at] for at in (2, 0, 1, *range(3, 12))]
    (finding,) = of(read(write, shuffled, more=["time"]), "times out of order")
    assert finding.rows == (2,)


def test_times_out_of_order_from_run_to_run_of_a_rig(write):
    order, day = ["1", "2", "1", "2"], ["02", "01", "01", "02"]
    rows = [[*row, order[at // 3], f"{day[at // 3]}.05.2024 10:0{at % 3}"] for at, row in enumerate(table())]
    (finding,) = of(read(write, rows, more=["run_order", "time"]), "times out of order")
    assert finding.rows == (5,)
    assert "lower run order" in finding.text


def test_times_that_can_be_read_in_two_ways_are_not_checked_and_that_is_said(write):
    rows = [[*row, f"0{at % 3 + 1}/02/2024"] for at, row in enumerate(table())]
    (finding,) = of(read(write, rows, more=["time"]), "times not read")
    assert "ISO 8601" in finding.text


def test_times_as_numbers_with_decimal_comma():
    assert read_times(pd.Series(["1,5", "2,5", ""])).tolist()[:2] == [1.5, 2.5]


def test_mixed_units_block(write):
    rows = [
        [*row[:6], "400", "daN m" if at == 3 else ("N m", "Nm", "[N·m]")[at % 3]]
        for at, row in enumerate(table())
    ]
    results = read(write, rows, more=["unit"], quantity=TORQUE)
    (finding,) = of(results, "mixed units")
    assert finding.blocks
    assert 5 in finding.rows
    assert "'daN m'" in finding.text
    aliased = read(write, rows, more=["unit"], quantity=TORQUE, aliases=Aliases(units={"daN m": "N m"}))
    assert of(aliased, "mixed units") == []


def test_a_unit_other_than_that_of_the_quantity_blocks(write):
    rows = [[*row[:6], "38", "%"] for row in table()]
    (finding,) = of(read(write, rows, more=["unit"]), "unit of the quantity")
    assert finding.blocks
    for part in ("'%'", "a pure number", "Divide by 100"):
        assert part in finding.text


def test_units_row_is_checked_against_the_quantity(write):
    path = write(["Rig,mu", "[-],[N m]", "R1,400", "R2,401"])
    columns = {"rig": "Rig", "result": "mu"}
    assert read_results(path, columns=columns, quantity=TORQUE).findings == ()
    (finding,) = read_results(path, columns=columns, quantity=BRAKE_FACTOR).blocks[:1]
    assert finding.check == "unit of the quantity"


@pytest.mark.parametrize(
    ("first", "second", "alike"),
    [
        ("N m", "[Nm]", True),
        ("-", "", True),
        ("m/s²", "m/s^2", True),
        ("mN", "MN", False),
        ("N m", "daN m", False),
    ],
)
def test_unit_core(first, second, alike):
    assert (unit_core(first) == unit_core(second)) is alike


def test_differing_averaging_within_a_section_blocks(write):
    rows = [[*row, "distance" if at in (4, 5) else "time"] for at, row in enumerate(table())]
    results = read(write, rows, more=["averaging"])
    (finding,) = of(results, "differing averaging")
    assert finding.blocks
    assert finding.rows == (6, 7)
    for part in ("section 'fade'", "'distance', 'time'", "cannot be compared"):
        assert part in finding.text


def test_averaging_may_differ_from_section_to_section(write):
    rows = [[*row, "time"] for row in table()] + [[*row[:4], "cold", *row[5:], "distance"] for row in table()]
    assert read(write, rows, more=["averaging"]).findings == ()


def test_averaging_that_is_stated_for_some_rows_only_blocks(write):
    rows = [[*row, "" if at == 0 else "time"] for at, row in enumerate(table())]
    (finding,) = of(read(write, rows, more=["averaging"]), "differing averaging")
    assert "'not stated'" in finding.text


def test_many_rows_are_counted_and_the_first_named(write):
    rows = [["R1", "S1", "L1", "1", "fade", str(stop), "38"] for stop in range(1, 1001)]
    (finding,) = of(read(write, rows), "percent for fraction")
    assert "and 992 more" in finding.text
    assert len(finding.rows) == 200


def test_many_files_are_one_finding(write, tmp_path):
    for at in range(25):
        write(["Rig,mu", f"R{at % 2},0.4", f"R{at % 2},"], f"run{at:02d}.csv")
    results = read_results(tmp_path, columns={"rig": "Rig", "result": "mu"})
    (finding,) = of(results, "missing result")
    for part in ("25 rows of 25 files", "'run00.csv'", "22 more"):
        assert part in finding.text


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([3], "row 3"),
        ([3, 4], "rows 3 and 4"),
        (list(range(1, 11)), "rows 1, 2, 3, 4, 5, 6, 7, 8 and 2 more"),
    ],
)
def test_rows_in_words(rows, words):
    assert rows_in_words(rows) == words


# Exclusions and aliases


def test_excluded_rows_are_recorded_with_their_reason(write):
    rows = table()
    rows[0][6] = "n/a"
    exclusion = Exclusion(match={"rig": "R1", "run": 1}, reason="hydraulic leak")
    results = read(write, rows, exclude=[exclusion])
    assert results.row_count == 9
    (entry,) = results.excluded
    assert (entry.file, entry.rows, entry.count, entry.reason) == ("runs.csv", (2, 3, 4), 3, "hydraulic leak")
    for part in ("3 rows of runs.csv", "rig = 'R1', run = '1'", "hydraulic leak"):
        assert part in str(entry)
    assert "hydraulic leak" in str(results)


def test_exclusion_by_row_by_another_column_and_by_alias(write):
    rows = [[*row, "bad" if at == 4 else ""] for at, row in enumerate(table())]
    head = ["Rig", "Set", "Lot", "Run", "Section", "Stop", "mu", "remark"]
    path = write([",".join(row) for row in [head, *rows]])
    exclude = [
        Exclusion(match={"source_row": 2, "source_file": "runs.csv"}, reason="a"),
        Exclusion(match={"remark": "bad"}, reason="b"),
        Exclusion(match={"rig": "R2", "stop": "3"}, reason="c"),
    ]
    results = read_results(path, columns=COLUMNS, exclude=exclude, aliases=Aliases(rigs={"R2": "North"}))
    assert [entry.rows for entry in results.excluded] == [(2,), (6,), (10, 13)]
    assert "remark" not in results.to_frame().columns
    assert results.levels("rig") == ("North", "R1")
    assert "rig 'R2' is read as 'North'" in results.detected


def test_overlapping_exclusions_count_a_row_once(write):
    exclude = [
        Exclusion(match={"rig": "R1"}, reason="a"),
        Exclusion(match={"rig": "R1", "stop": "3"}, reason="b"),
        Exclusion(match={"stop": "3"}, reason="c"),
    ]
    results = read(write, table(), exclude=exclude)
    assert [entry.count for entry in results.excluded] == [6, 2]
    assert results.row_count + sum(entry.count for entry in results.excluded) == 12


@pytest.mark.parametrize("match", [{"rig": "R9"}, {"nothing": "x"}, {"source_row": "many"}])
def test_exclusion_that_matches_nothing_is_refused(write, match):
    with pytest.raises(InputError) as caught:
        read(write, table(), exclude=[Exclusion(match=match, reason="worn disc")])
    (name, value), *_ = match.items()
    for part in (f"{name} = '{value}'", "worn disc", "matches no row", "[[exclude]]"):
        assert part in str(caught.value)


def test_exclusion_needs_a_reason_and_a_match():
    with pytest.raises(InputError, match="gives no reason"):
        Exclusion(match={"rig": "R1"}, reason=" ")
    with pytest.raises(InputError, match="names no column"):
        Exclusion(match={}, reason="x")
