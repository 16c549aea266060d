"""Dataframes of every engine give the same Results, and Results show themselves."""

from __future__ import annotations

import subprocess
import sys

import duckdb
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest

from repeatab.base.errors import InputError
from repeatab.intake.exclusions import Exclusion
from repeatab.intake.options import ReadOptions, Shape
from repeatab.intake.reading import read_results

COLUMNS = {"rig": "Rig", "run": "Run", "result": "mu", "temperature": "temp"}


def frame() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "Rig": ["R1", "R1", "R2", "R2", None, "R1"],
            "Run": [1, 2, 1, 2, 3, 3],
            "mu": [0.38, 0.39, None, 0.41, 0.42, float("inf")],
            "temp": [100.0, 101.0, 102.0, None, 104.0, 105.0],
        }
    )


ENGINES = {
    "pandas": lambda table: table,
    "polars": pl.from_pandas,
    "polars lazy": lambda table: pl.from_pandas(table).lazy(),
    "arrow": lambda table: pa.Table.from_pandas(table, preserve_index=False),
    "duckdb": duckdb.from_df,
}


@pytest.mark.parametrize("engine", ENGINES)
def test_every_engine_gives_the_same_results(engine):
    source = ENGINES[engine](frame())
    results = read_results(
        source, columns=COLUMNS, exclude=[Exclusion(match={"rig": "R1", "run": 2}, reason="x")]
    )
    found = results.to_frame().sort_values(["rig", "run"])
    assert found["rig"].tolist() == ["R1", "R2"]
    assert found["run"].tolist() == [1, 2]
    assert found["result"].tolist() == [0.38, 0.41]
    assert {f.check for f in results.findings} == {
        "missing result",
        "infinite result",
        "missing rig",
        "missing temperature",
    }
    assert results.factors == ("rig", "run")
    assert results.covariates == ("temperature",)
    assert results.excluded[0].count == 1
    assert "source_row" not in found.columns
    assert isinstance(results.frame, type(source))


@pytest.mark.parametrize("engine", ["pandas", "polars", "arrow"])
def test_rows_of_eager_tables_are_counted_from_one(engine):
    results = read_results(ENGINES[engine](frame()), columns=COLUMNS)
    (finding,) = [f for f in results.findings if f.check == "missing result"]
    assert (finding.file, finding.rows) == ("", (3,))
    assert "the table, row 3" in finding.text


def test_labels_keep_their_types():
    table = pd.DataFrame({"rig": [1, 2], "mu": [0.4, 0.41]})
    results = read_results(table, columns={"rig": "rig", "result": "mu"})
    assert results.levels("rig") == (1, 2)


@pytest.mark.parametrize("engine", ["pandas", "polars", "arrow", "duckdb"])
def test_wide_frames(engine):
    wide = pd.DataFrame({"Rig": ["R1", "R2"], "f": [0.38, 0.39], "c": [0.3, None]})
    options = ReadOptions(shape=Shape.WIDE, section_columns={"fade": "f", "cold": "c"})
    results = read_results(ENGINES[engine](wide), columns={"rig": "Rig"}, options=options)
    found = results.to_frame().sort_values(["rig", "section"])
    assert found[["rig", "section", "result"]].to_numpy().tolist() == [
        ["R1", "cold", 0.3],
        ["R1", "fade", 0.38],
        ["R2", "fade", 0.39],
    ]


def test_text_results_are_read_and_a_bad_one_named():
    table = pd.DataFrame({"rig": ["a", "b"], "mu": ["0,4", "0,41"]})
    columns = {"rig": "rig", "result": "mu"}
    assert read_results(table, columns=columns).to_frame()["result"].tolist() == [0.4, 0.41]
    table["mu"] = pd.Series([0.4, "n/a"], dtype=object)
    with pytest.raises(InputError, match=r"the table, row 2, column 'mu': found 'n/a'"):
        read_results(table, columns=columns)


def test_a_lazy_table_with_text_results_is_refused():
    table = pl.LazyFrame({"rig": ["a"], "mu": ["0.4"]})
    with pytest.raises(InputError, match=r"column 'mu': found values of type String"):
        read_results(table, columns={"rig": "rig", "result": "mu"})


def test_dates_for_the_result_are_refused():
    table = pd.DataFrame({"rig": ["a"], "mu": pd.to_datetime(["2024-01-01"])})
    with pytest.raises(InputError, match="expected numbers"):
        read_results(table, columns={"rig": "rig", "result": "mu"})


@pytest.mark.parametrize("source", [42, {"mu": [1]}, None, pd.DataFrame([[1, 2]], columns=["a", "a"])])
def test_what_is_no_table_is_refused(source):
    with pytest.raises(InputError):
        read_results(source, columns={"result": "a"})


def test_missing_column_and_options_for_files_are_refused():
    with pytest.raises(
        InputError, match=r"the table: the role 'result' names the column 'tempp'.*Did you mean 'temp'"
    ):
        read_results(frame(), columns={"result": "tempp"})
    with pytest.raises(InputError, match="belong to files"):
        read_results(frame(), columns={"result": "mu"}, options=ReadOptions(name_pattern="{rig}.csv"))


def test_an_empty_frame_has_no_usable_result():
    with pytest.raises(InputError, match="No usable result"):
        read_results(frame().head(0), columns=COLUMNS)


def test_results_are_frozen_and_readable():
    results = read_results(frame(), columns=COLUMNS)
    with pytest.raises(AttributeError):
        results.factors = ()
    text = str(results)
    for part in (
        "3 results of friction μ",
        "rig: R1, R2",
        "covariates: temperature",
        "the result is missing",
    ):
        assert part in text
    with pytest.raises(InputError, match=r"no factor 'rigg'.*Did you mean 'rig'"):
        results.levels("rigg")


def test_importing_the_reader_loads_none_of_the_slow_libraries():
    code = (
        "import sys, repeatab.intake.reading, repeatab.intake.condense;"
        "print(sorted({'pandas', 'openpyxl', 'pyarrow', 'scipy.stats', 'polars', 'duckdb'} & "
        "set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_labels_of_mixed_types_are_listed():
    table = pd.DataFrame({"rig": pd.Series([1, "a", 1], dtype=object), "mu": [0.4, 0.41, 0.42]})
    assert read_results(table, columns={"rig": "rig", "result": "mu"}).levels("rig") == (1, "a")
