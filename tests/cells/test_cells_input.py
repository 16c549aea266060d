"""What a table must hold before it is reduced, the labels' types, and the words of each refusal."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from repeatab.base.errors import InputError
from repeatab.cells import cells_of_arrays, reduce_to_cells


def table(**columns):
    rows = {"rig": ["A", "A", "B"], "mu": [0.40, 0.41, 0.42], "temperature": [99.0, 101.0, 100.0]}
    return pd.DataFrame({**rows, **columns})


def refusal(frame, **options):
    with pytest.raises(InputError) as caught:
        reduce_to_cells(frame, **{"result": "mu", "factors": ["rig"], **options})
    return str(caught.value)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_value_that_is_not_finite_is_named_by_column_and_row(bad):
    text = refusal(table(mu=[0.40, bad, 0.42]))
    for part in ("'mu'", "row 2", str(bad), "finite", "1 such"):
        assert part in text


def test_a_covariate_is_held_to_the_same():
    text = refusal(table(temperature=[99.0, 101.0, np.nan]), covariates=["temperature"])
    assert "'temperature'" in text
    assert "row 3" in text


def test_text_and_dates_are_no_results():
    for column in (["0,40", "0,41", "0,42"], pd.date_range("2024-01-01", periods=3)):
        text = refusal(table(mu=column))
        assert "'mu'" in text
        assert "expected numbers" in text


@pytest.mark.parametrize("engine", ["pandas", "polars", "arrow", "object"])
def test_an_empty_label_is_refused_whatever_the_engine_calls_it(engine):
    """NaN is null in one engine and a number in another; as a label it is none, and never some other level."""
    frame = table(rig=[1.0, np.nan, 2.0])
    if engine == "polars":
        frame = pytest.importorskip("polars").DataFrame({name: frame[name].to_numpy() for name in frame})
    if engine == "arrow":
        pa = pytest.importorskip("pyarrow")
        frame = pa.table({name: pa.array(frame[name].to_numpy(), from_pandas=False) for name in frame})
    if engine == "object":
        frame = table(rig=["A", None, "B"])
    text = refusal(frame)
    for part in ("'rig'", "row 2", "no label", "Fill it in"):
        assert part in text


def test_a_missing_column_is_named_with_the_nearest():
    text = refusal(table(), factors=["rigg"])
    assert "'rigg'" in text
    assert "Did you mean 'rig'?" in text


def test_no_rows_are_refused():
    assert "no rows" in refusal(table().iloc[:0])


def test_labels_keep_their_types_and_sort_within_them():
    for labels, wanted in (
        ([10, 9, 9], [9, 10]),
        (["10", "9", "9"], ["10", "9"]),
        ([True, False, True], [False, True]),
    ):
        (levels,) = reduce_to_cells(table(rig=labels), result="mu", factors=["rig"]).levels
        assert list(levels) == wanted
        assert isinstance(levels[0], type(wanted[0]) | np.generic)


def test_mixed_labels_stay_what_they_are():
    frame = table(rig=pd.Series([1, "1", 2], dtype=object))
    cells = reduce_to_cells(frame, result="mu", factors=["rig"])
    assert [type(label).__name__ for label in cells.levels[0]] == ["int", "int", "str"]
    other = cells_of_arrays({"rig": ["1", 3]}, {"mu": [0.5, 0.6]})
    merged = cells.merge(other)
    assert list(merged.levels[0]) == [1, 2, 3, "1"]
    assert list(merged.count) == [1, 1, 1, 2]


def test_categories_and_unused_levels():
    frame = table(rig=pd.Categorical(["B", "A", "B"], categories=["C", "B", "A"]))
    cells = reduce_to_cells(frame, result="mu", factors=["rig"])
    assert list(cells.levels[0]) == ["A", "B"]


def test_cells_of_different_columns_do_not_merge():
    first = cells_of_arrays({"rig": ["A"]}, {"mu": [0.4]})
    for other in (
        cells_of_arrays({"lot": ["A"]}, {"mu": [0.4]}),
        cells_of_arrays({"rig": ["A"]}, {"c": [0.8]}),
    ):
        with pytest.raises(InputError, match="cannot be merged"):
            first.merge(other)


def test_cells_name_the_factor_or_value_they_do_not_hold():
    cells = reduce_to_cells(table(), result="mu", factors=["rig"], covariates=["temperature"])
    with pytest.raises(InputError, match="no factor 'lot'"):
        cells.over(["lot"])
    with pytest.raises(InputError, match=r"no value 'temprature'.*Did you mean 'temperature'"):
        cells.of_values(["mu", "temprature"])


def test_cells_can_be_read_by_another_of_their_values():
    cells = reduce_to_cells(table(), result="mu", factors=["rig"], covariates=["temperature"])
    swapped = cells.of_values(["temperature", "mu"])
    assert swapped.variables == ("temperature", "mu")
    np.testing.assert_array_equal(swapped.cross[:, 0, 0], cells.cross[:, 1, 1])
    np.testing.assert_array_equal(swapped.mean[:, 1], cells.mean[:, 0])
