"""Run results: each statistic against its definition, and what is said of runs that lack something."""

from __future__ import annotations

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repeatab.base.errors import InputError
from repeatab.intake.condense import condense, holds_stops, run_keys
from repeatab.intake.reading import read_results
from repeatab.intake.statistics import LastStops, Mean, MeanOverConditions, Minimum

COLUMNS = {name: name for name in ("rig", "pad_set", "run", "section", "stop", "condition", "result", "temp")}


def stops() -> pd.DataFrame:
    """Two runs, two sections, six stops at two pressures; values that tell every statistic apart."""
    rows = [
        (
            rig,
            pad_set,
            1,
            section,
            stop,
            ("30 bar", "40 bar")[stop % 2],
            0.3 + base + 0.01 * stop**2 / 10,
            100.0 + stop,
        )
        for rig, pad_set, base in (("R1", "S1", 0.0), ("R2", "S2", 0.05))
        for section in ("cold", "fade")
        for stop in range(1, 7)
    ]
    return pd.DataFrame(
        rows, columns=["rig", "pad_set", "run", "section", "stop", "condition", "result", "temp"]
    )


def condensed(table, statistics, columns=None):
    return condense(read_results(table, columns=columns or COLUMNS), statistics)


def checks(results):
    return [finding.check for finding in results.findings]


def test_each_statistic_is_its_definition():
    table = stops()
    one = table[(table.rig == "R1") & (table.section == "fade")]
    pressures = one.groupby("condition")["result"].mean()
    expected = {
        Mean(): one["result"].mean(),
        Minimum(): one["result"].min(),
        LastStops(2): one[one.stop >= 5]["result"].mean(),
        MeanOverConditions(("30 bar", "40 bar")): pressures.mean(),
    }
    for statistic, value in expected.items():
        found = condensed(table, statistic).to_frame()
        row = found[(found.rig == "R1") & (found.section == "fade")]
        assert row["result"].item() == pytest.approx(value, rel=1e-14)
    assert len(set(expected.values())) == 3 + (pressures.mean() != one["result"].mean())


def test_conditions_weigh_the_same_whatever_their_number_of_stops():
    table = stops()
    table = table[~table.stop.isin([2, 4])]
    found = condensed(table, MeanOverConditions(("30 bar", "40 bar"))).to_frame()
    one = table[(table.rig == "R1") & (table.section == "cold")]
    by_hand = (one[one.stop == 6]["result"].item() + one[one.stop.isin([1, 3, 5])]["result"].mean()) / 2
    assert found.loc[0, "result"] == pytest.approx(by_hand, rel=1e-14)
    assert found.loc[0, "stops"] == 4


def test_stops_and_covariates_are_those_behind_the_number():
    found = condensed(stops(), {"fade": LastStops(3), "cold": Mean()}).to_frame()
    assert found[["rig", "section", "stops", "temp"]].to_numpy().tolist() == [
        ["R1", "cold", 6, 103.5],
        ["R1", "fade", 3, 105.0],
        ["R2", "cold", 6, 103.5],
        ["R2", "fade", 3, 105.0],
    ]


def test_the_run_is_identified_without_stop_condition_and_time():
    results = read_results(stops(), columns=COLUMNS)
    assert run_keys(results) == ("rig", "pad_set", "run", "section")
    runs = condense(results, Mean())
    assert runs.factors == ("rig", "pad_set", "run", "section")
    assert runs.covariates == ("temp",)
    assert results.row_count == 24


@pytest.mark.parametrize(
    "statistic",
    [Mean(), Minimum(), LastStops(2), MeanOverConditions(("30 bar",))],
    ids=lambda value: str(value),
)
def test_every_engine_gives_the_same_run_results(statistic):
    table = stops()
    wanted = condensed(table, statistic).to_frame()
    engines = [
        pl.from_pandas(table),
        pl.from_pandas(table).lazy(),
        pa.Table.from_pandas(table),
        duckdb.from_df(table),
        table.assign(stop=table["stop"].astype(str)),
    ]
    for source in engines:
        found = condensed(source, statistic).to_frame()
        pd.testing.assert_frame_equal(found, wanted, check_dtype=False, rtol=1e-14)


@settings(max_examples=20, deadline=None)
@given(order=st.permutations(range(24)))
def test_the_order_of_the_rows_does_not_matter(order):
    table = stops()
    wanted = condensed(table, {"fade": LastStops(2), "cold": Minimum()}).to_frame()
    found = condensed(
        table.iloc[list(order)].reset_index(drop=True), {"fade": LastStops(2), "cold": Minimum()}
    )
    pd.testing.assert_frame_equal(found.to_frame(), wanted, rtol=1e-14)


def test_stop_ten_comes_after_stop_nine_though_labels_are_text():
    table = pd.DataFrame(
        {
            "rig": "R1",
            "run": "1",
            "stop": [str(stop) for stop in range(1, 11)],
            "result": np.arange(1, 11) / 20,
        }
    )
    columns = {name: name for name in table.columns}
    assert condensed(table, LastStops(1), columns).to_frame()["result"].item() == 0.5


def test_without_stop_numbers_the_rows_tell_the_order_and_a_lazy_table_cannot():
    table = pd.DataFrame({"rig": "R1", "run": "1", "result": [0.3, 0.4, 0.5]})
    columns = {name: name for name in table.columns}
    assert condensed(table, LastStops(2), columns).to_frame()["result"].item() == pytest.approx(0.45)
    with pytest.raises(InputError, match="keeps no row order"):
        condensed(pl.from_pandas(table).lazy(), LastStops(2), columns)


def test_a_run_without_every_condition_gives_no_result_and_a_finding():
    table = stops()
    table = table[~((table.rig == "R2") & (table.section == "fade") & (table.condition == "40 bar"))]
    runs = condensed(table, MeanOverConditions(("30 bar", "40 bar")))
    assert runs.row_count == 3
    (finding,) = [f for f in runs.findings if f.check == "condition missing"]
    for part in ("rig 'R2'", "section 'fade'", "'40 bar'", "no result"):
        assert part in finding.text


def test_a_run_with_none_of_the_conditions_is_named_too():
    table = stops()
    table.loc[(table.rig == "R2") & (table.section == "fade"), "condition"] = "20 bar"
    runs = condensed(table, MeanOverConditions(("30 bar", "40 bar")))
    (finding,) = [f for f in runs.findings if f.check == "condition missing"]
    for part in ("rig 'R2'", "'30 bar', '40 bar'"):
        assert part in finding.text


def test_too_few_stops_give_no_result_and_a_finding():
    table = stops()
    table = table[~((table.rig == "R2") & (table.section == "fade") & (table.stop > 2))]
    runs = condensed(table, LastStops(3))
    assert runs.row_count == 3
    (finding,) = [f for f in runs.findings if f.check == "too few stops"]
    for part in ("rig 'R2'", "2 stops", "last 3", "no result"):
        assert part in finding.text


def test_a_run_whose_last_stop_is_gone_is_named():
    table = stops()
    table.loc[(table.rig == "R2") & (table.section == "fade") & (table.stop == 6), "result"] = np.nan
    runs = condensed(pd.concat([table, table.assign(run=2)]), LastStops(2))
    assert "last stops missing" in checks(runs)
    (finding,) = [f for f in runs.findings if f.check == "last stops missing" and "'fade'" in f.text]
    for part in ("number 5", "in most runs 6", "rig 'R2'"):
        assert part in finding.text


def test_fewer_stops_than_usual_are_a_finding_with_file_and_row(write):
    table = pd.concat([stops(), stops().assign(run=2)])
    table = table[~((table.rig == "R2") & (table.section == "fade") & (table.stop == 3) & (table.run == 2))]
    path = write(table.to_csv(index=False))
    runs = condense(read_results(path, columns=COLUMNS), Mean())
    (finding,) = [f for f in runs.findings if f.check == "stops missing"]
    assert finding.file == "runs.csv"
    first = runs.to_frame().query("rig == 'R2' and section == 'fade' and run == '2'")["source_row"].item()
    assert finding.rows == (first,)
    for part in ("5 instead of the usual 6", "rig 'R2'", "run '2'"):
        assert part in finding.text


def test_a_section_without_a_statistic_is_left_out_with_a_finding():
    runs = condensed(stops(), {"fade": Mean()})
    assert runs.levels("section") == ("fade",)
    (finding,) = [f for f in runs.findings if f.check == "section not declared"]
    assert "'cold'" in finding.text


def test_run_order_and_time_are_carried_and_several_orders_in_a_run_are_said():
    table = stops().assign(run_order=[1] * 12 + [2] * 11 + [3], time=range(24))
    columns = {**COLUMNS, "run_order": "run_order", "time": "time"}
    runs = condensed(table, Mean(), columns)
    assert runs.to_frame()["run_order"].tolist() == [1, 1, 2, 2]
    assert runs.to_frame()["time"].tolist() == [0, 6, 12, 18]
    assert "run_order" in runs.factors
    assert checks(runs) == ["run order changes"]


def test_rows_that_are_runs_already_stay_as_they_are():
    table = pd.DataFrame({"rig": ["R1", "R1", "R2", "R2"], "result": [0.4, 0.4, 0.5, 0.6]})
    results = read_results(table, columns={"rig": "rig", "result": "result"})
    assert not holds_stops(results)
    runs = condense(results, Mean())
    assert sorted(runs.to_frame()["result"]) == [0.4, 0.4, 0.5, 0.6]
    assert set(runs.to_frame()["stops"]) == {1}
    with pytest.raises(InputError, match="neither a run nor a stop column"):
        condense(results, LastStops(2))
    with pytest.raises(InputError, match="no column is named for the condition"):
        condense(results, MeanOverConditions(("a",)))


@pytest.mark.parametrize(
    ("statistics", "said"),
    [
        ({"fad": Mean()}, r"declares 'fad'.*'cold', 'fade'.*Did you mean 'fade'"),
        ({}, "No section is declared"),
        (
            {"fade": LastStops(7)},
            r"No run gives a result for section 'fade' by the statistic 'mean of the last 7",
        ),
        ({"fade": MeanOverConditions(("30bar",))}, r"'30bar' is needed.*Did you mean '30 bar'"),
    ],
)
def test_statistics_that_do_not_fit_the_data(statistics, said):
    with pytest.raises(InputError, match=said):
        condensed(stops(), statistics)


def test_statistics_per_section_need_a_section_column():
    table = pd.DataFrame({"rig": ["R1"], "run": [1], "result": [0.4]})
    with pytest.raises(InputError, match="no column is named for the section"):
        condensed(table, {"fade": Mean()}, {name: name for name in table.columns})


def test_stops_that_belong_to_nothing():
    table = pd.DataFrame({"stop": [1, 2], "result": [0.4, 0.41]})
    with pytest.raises(InputError, match="no column says to which"):
        condensed(table, LastStops(1), {name: name for name in table.columns})


@pytest.mark.parametrize(
    "make", [lambda: LastStops(0), lambda: MeanOverConditions(()), lambda: MeanOverConditions(("a", "a"))]
)
def test_statistics_that_cannot_be(make):
    with pytest.raises(InputError):
        make()


def test_sections_with_number_labels():
    table = stops().assign(section=lambda t: t["section"].map({"cold": 1, "fade": 2}))
    runs = condensed(table, {"2": Mean()})
    assert runs.levels("section") == (2,)
