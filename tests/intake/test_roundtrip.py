"""One table, written in every dialect, gives the same Results; and files of size are read in reasonable "
"time."""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from repeatab.intake.options import Encoding, ReadOptions
from repeatab.intake.reading import read_results

COLUMNS = {"rig": "Rig; name", "pad_set": "Set, no.", "result": 'mu "mean"', "temperature": "T"}
HEADER = list(COLUMNS.values())

# Labels a laboratory could give, awkward ones among them; every one holds a letter or digit. A
# leading "=" would
# be written as a formula and a blank label counts as missing, so these have tests of their own.
label = (
    st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), min_size=1, max_size=8)
    .filter(lambda text: any(character.isalnum() for character in text))
    .filter(lambda text: not text.startswith("="))
)
value = st.floats(0.02, 0.95).map(lambda number: round(number, 4))
temperature = st.integers(0, 9999).map(lambda number: number / 8)
row = st.tuples(label, label, value, temperature)
rows = st.lists(row, min_size=1, max_size=8)
titles = st.lists(st.sampled_from(["Monthly check", "", "by; hand", "T, mu"]), max_size=3)


def as_text(table, separator, decimal, titles=()):
    stream = io.StringIO(newline="")
    stream.writelines(title + "\n" for title in titles)
    writer = csv.writer(stream, delimiter=separator)
    writer.writerow(HEADER)
    for rig, pad_set, result, degrees in table:
        writer.writerow([rig, pad_set, *(repr(number).replace(".", decimal) for number in (result, degrees))])
    return stream.getvalue()


def check(path: Path, table, options=None) -> None:
    results = read_results(path, columns=COLUMNS, options=options or ReadOptions())
    frame = results.to_frame()
    assert (
        list(zip(frame["rig"], frame["pad_set"], frame["result"], frame["temperature"], strict=True)) == table
    )
    assert results.factors == ("rig", "pad_set")
    assert results.covariates == ("temperature",)


@settings(max_examples=200, deadline=None)
@given(
    table=rows,
    titles=titles,
    separator=st.sampled_from(";\t,"),
    decimal=st.sampled_from(".,"),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
)
def test_every_text_dialect_gives_the_same_results(table, titles, separator, decimal, encoding):
    try:
        raw = as_text(table, separator, decimal, titles).encode(encoding)
    except UnicodeEncodeError:
        assume(False)
    # Some text in cp1252 is valid UTF-8 too and then means something else; there the user has to say.
    options = ReadOptions(encoding=Encoding.CP1252) if encoding == "cp1252" else ReadOptions()
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "runs.csv").write_bytes(raw)
        check(Path(folder) / "runs.csv", table, options)


@settings(max_examples=25, deadline=None)
@given(table=rows, titles=titles)
def test_workbook_and_parquet_give_the_same_results(table, titles):
    with tempfile.TemporaryDirectory() as folder:
        book = openpyxl.Workbook()
        for line in (*([title] for title in titles), HEADER, *table):
            book.active.append(line)
        book.save(Path(folder) / "runs.xlsx")
        check(Path(folder) / "runs.xlsx", table)
        pd.DataFrame(table, columns=HEADER).to_parquet(Path(folder) / "runs.parquet")
        check(Path(folder) / "runs.parquet", table)


@settings(max_examples=60, deadline=None)
@given(raw=st.binary(max_size=300))
def test_any_bytes_end_in_results_or_one_clear_refusal(raw):
    from repeatab.base.errors import RepeatabError

    with tempfile.TemporaryDirectory() as folder:
        for name in ("runs.csv", "runs.xlsx", "runs.parquet"):
            (Path(folder) / name).write_bytes(raw)
            with pytest.raises(RepeatabError, match=name):
                read_results(Path(folder) / name, columns=COLUMNS)


noise = st.lists(
    st.sampled_from([";", ",", '"', "\n", "a", "0.4", "0,4", "mu", "rig", "\t", "", "é"]), max_size=40
)


@settings(max_examples=100, deadline=None)
@given(pieces=noise)
def test_any_text_under_a_good_header_ends_in_results_or_one_clear_refusal(pieces):
    from repeatab.base.errors import RepeatabError

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "runs.csv"
        path.write_text("rig;mu\n" + "".join(pieces), encoding="utf-8", newline="")
        try:
            results = read_results(path, columns={"rig": "rig", "result": "mu"})
        except RepeatabError as error:
            assert "runs.csv" in str(error)  # noqa: PT017 - both outcomes are good
        else:
            assert np.isfinite(results.to_frame()["result"]).all()


@pytest.mark.full
def test_a_file_of_200_megabytes(tmp_path):
    count = 4_500_000
    index = np.arange(count)
    table = pd.DataFrame(
        {
            "Rig": np.array(["Rig 1", "Rig 2"])[index % 2],
            "Set": "Set-" + pd.Series(index // 300 % 4000).astype(str),
            "Run": index // 300,
            "Stop": index % 300 + 1,
            "Section": "characteristic check",
            "mu": np.random.default_rng(1).normal(0.38, 0.01, count).round(5),
        }
    )
    path = tmp_path / "runs.csv"
    table.to_csv(path, index=False, sep=";", decimal=",")
    assert path.stat().st_size > 200e6
    columns = {
        "rig": "Rig",
        "pad_set": "Set",
        "run": "Run",
        "stop": "Stop",
        "section": "Section",
        "result": "mu",
    }
    results = read_results(path, columns=columns)
    assert results.row_count == count
    assert results.to_frame()["result"].mean() == pytest.approx(table["mu"].mean(), rel=1e-12)


def test_a_hundred_thousand_rows_are_read_by_columns_not_by_rows(tmp_path):
    """As many calls for 100 000 rows as for 1 000: nothing loops over the rows in Python."""
    import cProfile
    import pstats

    def calls(count: int) -> int:
        path = tmp_path / f"{count}.csv"
        lines = [f"R{at % 2};S{at % 50};0,38{at % 10};{100 + at % 7},5" for at in range(count)]
        path.write_text("Rig;Set;mu;T\n" + "\n".join(lines) + "\n")
        columns = {"rig": "Rig", "pad_set": "Set", "result": "mu", "temperature": "T"}
        read_results(path, columns=columns)
        profile = cProfile.Profile()
        profile.runcall(read_results, path, columns=columns)
        return pstats.Stats(profile).total_calls

    assert calls(100_000) < 1.5 * calls(1_000) + 5_000
