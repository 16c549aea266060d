"""Numbers are shown with the decimals that their kind and their spread deserve."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.report.numbers import (
    cell_text,
    column_decimals,
    count,
    fixed,
    probability,
    result_decimals,
    significant,
)


def shown(kind: ColumnKind, *values: Value, unit: str = "") -> list[str]:
    column = Column(key="v", caption="v", kind=kind, unit=unit)
    table = Table(key="t", caption="t", columns=(column,), rows=tuple((value,) for value in values))
    return [cell_text(value, column, column_decimals(table)[0]) for value in values]


def test_friction_has_four_decimals() -> None:
    assert shown(ColumnKind.RESULT, 0.41236, -0.02161, 0.005) == ["0.4124", "−0.0216", "0.0050"]


def test_friction_that_would_vanish_has_more() -> None:
    assert shown(ColumnKind.RESULT, 0.000123, 0.0) == ["0.000123", "0.000000"]


def test_results_with_a_unit_follow_their_spread() -> None:
    assert shown(ColumnKind.RESULT, 812.431, 842.9, unit="N m") == ["812.4", "842.9"]
    assert shown(ColumnKind.RESULT, 5.0, 5.0, unit="m/s²") == ["5.00", "5.00"]
    assert shown(ColumnKind.RESULT, 12000.0, 15000.0, unit="N m") == ["12000", "15000"]


def test_columns_of_one_unit_share_their_decimals() -> None:
    columns = tuple(
        Column(key=k, caption=k, kind=ColumnKind.RESULT, unit=unit)
        for k, unit in (("mean", "N m"), ("sd", "N m"), ("other", "bar"))
    )
    rows = ((812.0, 3.2, 10.0), (842.0, 4.4, 40.0))
    assert column_decimals(Table(key="t", caption="t", columns=columns, rows=rows)) == (2, 2, 1)


def test_a_tiny_column_gives_its_decimals_to_tiny_columns_only() -> None:
    kinds = ("resolution", "change", "lower", "mean")
    columns = tuple(Column(key=k, caption=k, kind=ColumnKind.RESULT) for k in kinds)
    table = Table(key="t", caption="t", columns=columns, rows=((0.00002, -0.00037, -0.00067, 0.0042),))
    assert column_decimals(table) == (6, 6, 6, 4)


def test_what_is_not_there_is_never_a_zero() -> None:
    for kind in ColumnKind:
        assert shown(kind, None, math.nan, math.inf) == ["–", "–", "–"]


@pytest.mark.parametrize(
    ("kind", "value", "text"),
    [
        (ColumnKind.PROBABILITY, 0.0342, "0.034"),
        (ColumnKind.PROBABILITY, 0.00004, "< 0.001"),
        (ColumnKind.PROBABILITY, 0.99996, "> 0.999"),
        (ColumnKind.PROBABILITY, 0.0, "0.000"),
        (ColumnKind.PROBABILITY, 1.0, "1.000"),
        (ColumnKind.PERCENT, 12.345, "12.3"),
        (ColumnKind.RATIO, 1.41421, "1.414"),
        (ColumnKind.COUNT, 12345, "12\u202f345"),
        (ColumnKind.COUNT, 3.5, "3.50"),
        (ColumnKind.NUMBER, 5.0, "5"),
        (ColumnKind.NUMBER, 5.432, "5.43"),
        (ColumnKind.NUMBER, 0.00123, "0.00123"),
        (ColumnKind.VARIANCE, 6.4e-05, "6.40 × 10⁻⁵"),
        (ColumnKind.VARIANCE, 0.0, "0"),
        (ColumnKind.TEXT, True, "yes"),
        (ColumnKind.TEXT, "a\tb", "a b"),
        (ColumnKind.DATE, "2024-03-31", "2024-03-31"),
    ],
)
def test_each_kind_has_its_form(kind: ColumnKind, value: Value, text: str) -> None:
    assert shown(kind, value) == [text]


def test_a_rounded_zero_has_no_sign() -> None:
    assert fixed(-0.00001, 4) == "0.0000"
    assert fixed(0.00001, 4, sign=True) == "0.0000"
    assert fixed(0.01, 2, sign=True) == "+0.01"
    assert count(-12) == "−12"
    assert probability(0.5) == "0.500"


@given(st.lists(st.floats(-1e6, 1e6), max_size=5), st.sampled_from(["", "N m"]))
def test_decimals_show_the_spread_to_at_least_two_figures(values: list[float], unit: str) -> None:
    decimals = result_decimals(values, unit=unit)
    assert 0 <= decimals <= 9
    spread = max(values) - min(values) if values else 0.0
    if spread >= 1e-7 and (unit or max(map(abs, values)) >= 10):
        assert 0.5 * 10.0**-decimals <= spread / 20 or decimals == 9 or decimals == 0


@given(st.floats(1e-12, 1e12))
def test_significant_keeps_three_figures(value: float) -> None:
    text = significant(value).replace("−", "-")
    mantissa, _, power = text.partition(" × 10")
    exponent = int(power.translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789"))) if power else 0
    assert float(mantissa) * 10.0**exponent == pytest.approx(value, rel=0.0051)
