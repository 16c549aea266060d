"""Numbers as text: which mark is the decimal one, and where the user has to be asked."""

from __future__ import annotations

import pytest

from repeatab.base.errors import InputError
from repeatab.base.quantity import TORQUE
from repeatab.intake.options import DecimalMark, ReadOptions, ThousandsMark
from repeatab.intake.reading import read_results

COLUMNS = {"rig": "Rig", "result": "T"}


def values(write, cells, separator=";", **options):
    path = write("Rig" + separator + "T\n" + "".join(f"R1{separator}{cell}\n" for cell in cells))
    results = read_results(path, columns=COLUMNS, quantity=TORQUE, options=ReadOptions(**options))
    return results.to_frame()["result"].tolist()


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (["0.5", "1.234"], [0.5, 1.234]),
        (["0,5", "1,234"], [0.5, 1.234]),
        (["1,234.5", "1,234"], [1234.5, 1234.0]),
        (["1.234,5", "1.234"], [1234.5, 1234.0]),
        (["1.234.567", "12,5"], [1234567.0, 12.5]),
        (["1 234,5", "2 000"], [1234.5, 2000.0]),
        (["1\u202f234.5", "2\u00a0000"], [1234.5, 2000.0]),
        (["1'234.5", "12"], [1234.5, 12.0]),
        (["1,5e3", "2E-1"], [1500.0, 0.2]),
        ([" 12 ", "+3", "−4"], [12.0, 3.0, -4.0]),
        (["1234,567"], [1234.567]),
        ([",5", "7"], [0.5, 7.0]),
        (["12", "13"], [12.0, 13.0]),
    ],
)
def test_marks_are_told_from_the_cells(write, cells, expected):
    assert values(write, cells) == expected


def test_1_234_with_nothing_to_tell_asks_for_the_setting(write):
    with pytest.raises(InputError) as caught:
        values(write, ["12", "1,234"])
    text = str(caught.value)
    for part in (
        "runs.csv",
        "row 3",
        "'T'",
        "'1,234'",
        "1.234",
        "1234",
        "decimal = 'comma'",
        "decimal = 'point'",
    ):
        assert part in text


def test_1_point_234_between_semicolons_asks_too(write):
    with pytest.raises(InputError, match=r"row 2, column 'T': '1\.234' could be 1\.234 or 1234"):
        values(write, ["1.234"])


def test_1_point_234_between_commas_has_a_decimal_point(write):
    assert values(write, ["1.234"], separator=",") == [1.234]


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({"decimal": DecimalMark.COMMA}, 1.234),
        ({"decimal": DecimalMark.POINT}, 1234.0),
        ({"thousands": ThousandsMark.COMMA}, 1234.0),
        ({"thousands": ThousandsMark.POINT}, 1.234),
    ],
)
def test_the_setting_settles_it(write, options, expected):
    assert values(write, ["1,234"], **options) == [expected]


def test_both_marks_as_decimal_marks_are_a_contradiction_that_names_both_cells(write):
    with pytest.raises(InputError) as caught:
        values(write, ["0.51", "0,52"])
    for part in ("runs.csv", "row 2", "'0.51'", "decimal point", "row 3", "'0,52'", "decimal comma"):
        assert part in str(caught.value)


@pytest.mark.parametrize(
    "cell", ["12,34.5.6", "1,2,3", "0x10", "1_000", "38 %", "12.3.4", "1e", "-", "1,23,456.0"]
)
def test_what_is_no_number_is_refused(write, cell):
    with pytest.raises(InputError, match=r"runs.csv, row 3, column 'T'"):
        values(write, ["0.5", cell])


def test_a_point_left_in_a_file_with_decimal_comma_is_no_decimal_point(write):
    with pytest.raises(InputError, match=r"'12\.5'"):
        values(write, ["0,5", "12.5"], decimal=DecimalMark.COMMA)


def test_one_mark_cannot_be_declared_for_both():
    with pytest.raises(InputError, match="both 'comma'"):
        ReadOptions(decimal=DecimalMark.COMMA, thousands=ThousandsMark.COMMA)


def test_an_own_column_of_numbers_is_a_covariate_and_any_other_a_factor(write):
    path = write("Rig;T;temp;batch\nR1;1,5;100,5;B1\nR2;1,6;;B2\n")
    results = read_results(
        path, columns={**COLUMNS, "temperature": "temp", "disc_batch": "batch"}, quantity=TORQUE
    )
    assert results.covariates == ("temperature",)
    assert results.factors == ("rig", "disc_batch")
    assert [(f.check, f.rows) for f in results.findings if "temperature" in f.check] == [
        ("missing temperature", (3,))
    ]


def test_an_own_column_of_numbers_declared_a_factor_stays_text(write):
    path = write("Rig;T;batch\nR1;1,5;1\nR2;1,6;02\n")
    columns = {**COLUMNS, "disc_batch": "batch"}
    results = read_results(
        path, columns=columns, quantity=TORQUE, options=ReadOptions(factors=("disc_batch",))
    )
    assert results.to_frame()["disc_batch"].tolist() == ["1", "02"]
    assert results.factors == ("rig", "disc_batch")


def test_a_stray_word_among_the_numbers_of_an_own_column_is_refused(write):
    path = write("Rig;T;temp\nR1;1,5;100\nR2;1,6;cold\nR2;1,6;101\n")
    with pytest.raises(InputError, match=r"row 3, column 'temp': found 'cold'"):
        read_results(path, columns={**COLUMNS, "temperature": "temp"}, quantity=TORQUE)


def test_whole_run_orders_are_integers(write):
    path = write("Rig;T;no\nR1;1,5;1\nR2;1,6;2\n")
    frame = read_results(path, columns={**COLUMNS, "run_order": "no"}, quantity=TORQUE).to_frame()
    assert frame["run_order"].tolist() == [1, 2]
    assert frame["run_order"].dtype.kind == "i"
