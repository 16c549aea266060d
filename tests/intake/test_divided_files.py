"""A large file that several machines share, in pieces smaller than itself, gives what it gives as a whole.

The machines are stood in for by this process, which sends the work to itself; test_machines has real ones.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from repeatab.base.errors import InputError
from repeatab.intake import dividing, spread
from repeatab.intake.aliases import Aliases
from repeatab.intake.checks.order import check_times_of_parts
from repeatab.intake.exclusions import Exclusion
from repeatab.intake.machines import Machines
from repeatab.intake.options import DecimalMark, Encoding, ReadOptions, Separator, Shape
from repeatab.intake.portions import TextHead, TextPortion
from repeatab.intake.reading import read_results
from repeatab.intake.results import Results
from repeatab.intake.roles import SOURCE_ROW
from repeatab.intake.spread import Order, Spread, read_on_machines
from repeatab.intake.text_cuts import NotDividedError, cut_text
from repeatab.run import run_results, run_study, study_results
from repeatab.study.loading import Study, load_study

# What Dask sends things by.
pickle = pytest.importorskip("cloudpickle")

COLUMNS = {
    "result": "mu", "rig": "Rig", "pad_set": "Set", "section": "Section", "run": "Run", "stop": "Stop", "heat": "Heat",
}  # fmt: skip
PROJECT = Path(__file__).parents[2]
HERE = Machines("tcp://here:1")


@pytest.fixture(autouse=True)
def _this_process_is_all_machines(monkeypatch: pytest.MonkeyPatch) -> None:
    def here(_: Machines, work: Any, items: Any, **__: Any) -> list[Any]:
        sent = pickle.dumps(work)
        return [_sent(pickle.loads(sent)(_sent(item))) for item in items]

    monkeypatch.setattr(dividing, "on_machines", here)
    monkeypatch.setattr(spread, "on_machines", here)
    monkeypatch.setattr(dividing, "MOST_BYTES", 1700)
    monkeypatch.setattr(dividing, "ROWS_OF_PIECE", 60)


def _sent(thing: Any) -> Any:
    return pickle.loads(pickle.dumps(thing))


def stops(rows: int = 240) -> pd.DataFrame:
    rng = np.random.default_rng(rows)
    run = np.arange(rows) // 6
    return pd.DataFrame(
        {
            "Rig": np.where(run % 2 == 0, "R1", "R2"), "Set": run % 8, "Section": "fade", "Run": run,
            "Stop": np.arange(rows) % 6 + 1, "mu": (0.4 + 0.01 * rng.standard_normal(rows)).round(4),
            "Heat": (100 + 5 * rng.standard_normal(rows)).round(1),
        }
    )  # fmt: skip


def as_read(results: Results) -> pd.DataFrame:
    return results.to_frame()


def read_both(source: Path, **options: Any) -> tuple[Results, Spread[pd.DataFrame]]:
    whole = read_results(source, **{"columns": COLUMNS, **options}, relative_to=source.parent)
    return whole, read_on_machines(source, order_of(source.parent, **options), HERE)


def order_of(base: Path, **changes: Any) -> Order:
    known = {
        "columns": COLUMNS, "options": ReadOptions(), "aliases": Aliases(), "exclude": (), "base": base,
        "quantity": read_results.__kwdefaults__["quantity"], "make": as_read,
    }  # fmt: skip
    return Order(**{**known, **changes})


def assert_same(whole: Results, shared: Spread[pd.DataFrame], *, pieces: int = 4) -> None:
    """The same rows with the same numbers, files, exclusions, findings and words of what was detected."""
    assert len(shared.made) >= pieces
    found = shared.results
    rows = pd.concat(shared.made).sort_values(SOURCE_ROW, kind="stable", ignore_index=True)
    # A nominal value is the piece's own.
    pd.testing.assert_frame_equal(rows, whole.to_frame(), check_dtype=False)
    assert found.inputs == whole.inputs
    assert found.excluded == whole.excluded
    assert found.detected == whole.detected
    assert (found.factors, found.covariates) == (whole.factors, whole.covariates)
    assert sorted(map(told, found.findings)) == sorted(map(told, whole.findings))


def told(finding: Any) -> tuple[object, ...]:
    """What is checked on counts of the levels tells how many rows, not which."""
    text = re.sub(r"(, )rows? [\d, ]+( and \d+( more)?)?:", r"\1…:", finding.text)
    text = re.sub(r"(, )\d+ rows?( from row \d+ on)?:", r"\1…:", text)
    return finding.check, text, finding.blocks


WRITTEN: dict[str, Callable[[str], bytes]] = {
    "commas": str.encode,
    "line ends of another system": lambda text: text.replace("\n", "\r\n").encode(),
    "a byte-order mark": lambda text: text.encode("utf-8-sig"),
    "UTF-16": lambda text: text.encode("utf-16"),
    "UTF-16, high byte first": lambda text: b"\xfe\xff" + text.encode("utf-16-be"),
    "no line end at the end": lambda text: text.rstrip("\n").encode(),
    "decimal comma": lambda text: text.replace(",", ";").replace(".", ",").encode(),
    "letters of code page 1252": lambda text: text.replace("fade", "fädé – €").encode("cp1252"),
    "letters of more bytes": lambda text: text.replace("fade", "fade – Ω").encode(),
    "quoted cells": lambda text: re.sub(r"\b(R\d|fade)\b", r'"\1"', text).encode(),
    "line ends and quotation marks in cells": lambda text: text.replace("fade", '"fade\n""1"", 2\r\n3"').encode(),
    "title lines and units": lambda text: titled(text).encode(),
    "blank rows": lambda text: re.sub(r"\n(R1,\d,fade,\d*[05],)", "\n\n,,,,,,\n  \n\\1", text).encode(),
}  # fmt: skip


def titled(text: str) -> str:
    head, _, body = text.partition("\n")
    return f"Hall: 2, Tests of spring\n\n{head}\n\n[-],[-],[-],[-],[-],[-],[°C]\n{body}"


@pytest.mark.parametrize("way", WRITTEN)
def test_a_text_file_in_pieces(tmp_path: Path, way: str) -> None:
    text = stops().to_csv(index=False)
    (tmp_path / "a.csv").write_bytes(WRITTEN[way](text))
    assert_same(*read_both(tmp_path / "a.csv"))


def test_a_parquet_file_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dividing, "MOST_BYTES", 1 << 20)
    table = stops().assign(Rig=lambda rows: rows["Rig"].astype("category"))
    pq.write_table(pa.Table.from_pandas(table), tmp_path / "a.parquet", row_group_size=9)
    whole, shared = read_both(tmp_path / "a.parquet")
    assert_same(whole, shared)
    # Row groups of nine rows are put together to pieces of about sixty.
    assert [len(piece) for piece in shared.made] == [63, 63, 54, 60]


def test_what_checks_find_names_the_rows_of_the_file(tmp_path: Path) -> None:
    """Gaps, a run that is there twice, times that go back, odd values and exclusions, by row, in any piece."""
    table = stops().assign(Time=lambda rows: 60 * np.arange(len(rows)), Order=lambda rows: rows["Run"] + 1)
    table = table.astype({"Rig": object})
    table.loc[[3, 70, 71, 201], "mu"] = np.nan
    table.loc[[30, 150], "mu"] = 38.0
    table.loc[90, "Rig"] = np.nan
    table.loc[[100, 200], "Time"] = 5
    table = pd.concat([table, table.iloc[12:18], table.iloc[[100]]])
    table.to_csv(tmp_path / "a.csv", index=False)
    exclude = (
        Exclusion(match={"run": 7}, reason="wrong pad"),
        Exclusion(match={"source_row": 99}, reason="stuck brake"),
        Exclusion(match={"rig": "R2", "stop": 6}, reason="hot"),
    )
    columns = {**COLUMNS, "time": "Time", "run_order": "Order"}
    whole, shared = read_both(tmp_path / "a.csv", columns=columns, exclude=exclude)
    assert_same(whole, shared)
    checks = {finding.check for finding in whole.findings}
    assert checks >= {
        "missing result",
        "percent for fraction",
        "missing rig",
        "duplicate key",
        "times out of order",
    }
    by_rows = ("missing result", "missing rig", "percent for fraction", "duplicate key", "times out of order")
    for check in by_rows:
        here, there = (
            sorted((f.text, f.rows) for f in results.findings if f.check == check)
            for results in (whole, shared.results)
        )
        assert here == there
    (twice,) = [f for f in shared.results.findings if f.check == "duplicate key"]
    assert twice.rows == (*range(14, 20), 102, *range(242, 249))
    assert twice.text.startswith(
        "a.csv, rows 14, 15, 16, 17, 18, 19, 102, 242 and 6 more: the rows agree in rig"
    )


def test_a_wide_table_with_values_of_the_whole_file(tmp_path: Path) -> None:
    """Sections side by side, the rig in the file's name, the operator above the header, the month in the folder's."""
    wide = (
        stops().assign(hot=lambda rows: rows["mu"] - 0.05).rename(columns={"mu": "cold"}).drop(columns="Rig")
    )
    for month in ("2024-01", "2024-02"):
        folder = tmp_path / f"month={month}"
        folder.mkdir()
        text = wide.assign(Run=lambda rows, m=month: rows["Run"] + 100 * int(m[-1])).to_csv(index=False)
        (folder / "R7_night.csv").write_text(f"Operator: AB\n\n{text}", encoding="utf-8")
    options = ReadOptions(
        shape=Shape.WIDE, section_columns={"cold": "cold", "fade": "hot"}, name_pattern="{rig}_{shift}.csv",
        header_values={"operator": "Operator"},
    )  # fmt: skip
    columns = {k: v for k, v in COLUMNS.items() if k not in ("result", "section", "rig")} | {"visit": "month"}
    source = [tmp_path / "month=2024-01", tmp_path / "month=2024-02"]
    whole = read_results(source, columns=columns, options=options, relative_to=tmp_path)
    shared = read_on_machines(source, order_of(tmp_path, columns=columns, options=options), HERE)
    rows = pd.concat(shared.made).sort_values(
        ["source_file", SOURCE_ROW, "section"], kind="stable", ignore_index=True
    )
    pd.testing.assert_frame_equal(rows, whole.to_frame(), check_dtype=False)
    assert len(shared.made) > 8
    assert shared.results.inputs == whole.inputs
    assert [file.rows for file in whole.inputs] == [480, 480]
    assert sorted(map(told, shared.results.findings)) == sorted(map(told, whole.findings))


def test_labels_are_compared_over_all_pieces(tmp_path: Path) -> None:
    """The rows of a rare spelling are counted where they lie, so that the first of them is named."""
    table = stops()
    table.loc[[50, 170], "Rig"] = "r-1"
    table.loc[120, "Section"] = "wet"
    table.loc[:100, "Section"] = "cold"
    table.to_csv(tmp_path / "a.csv", index=False)
    whole, shared = read_both(tmp_path / "a.csv")
    assert_same(whole, shared)
    texts = {finding.check: finding for finding in shared.results.findings}
    spelled = texts["near-duplicate names"].text
    assert spelled.startswith("a.csv, 2 rows from row 52 on: 'R1' (118), 'r-1' (2) look like one rig")
    assert texts["level seen once"].rows == (122,)
    assert texts["level seen once"] in whole.findings


def test_row_groups_too_large_for_a_piece(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dividing, "MOST_ROWS", 100)
    pq.write_table(pa.Table.from_pandas(stops()), tmp_path / "a.parquet", row_group_size=120)
    whole, shared = read_both(tmp_path / "a.parquet")
    said = "a.parquet: one machine reads all of it, because its row groups hold more than 100 rows each"
    assert [sentence for sentence in shared.results.detected if sentence.startswith(said)]
    kept = replace(shared.results, detected=whole.detected)
    assert_same(whole, replace(shared, results=kept), pieces=1)


def test_rows_without_a_run_that_agree_in_everything(tmp_path: Path) -> None:
    """Nothing tells runs apart here, so that only rows alike in all they hold are told."""
    table = stops()[["Rig", "Set", "mu", "Heat"]].assign(mu=lambda rows: rows["mu"] + np.arange(240) * 1e-6)
    table = pd.concat([table, table.iloc[[5]]])
    table.to_csv(tmp_path / "a.csv", index=False)
    columns = {name: COLUMNS[name] for name in ("result", "rig", "pad_set", "heat")}
    whole, shared = read_both(tmp_path / "a.csv", columns=columns)
    assert_same(whole, shared)
    (finding,) = [f for f in shared.results.findings if f.check == "duplicate key"]
    assert finding.rows == (7, 242)


@pytest.mark.parametrize(
    ("spoil", "parts"),
    [
        (lambda rows: rows[200].replace("0.", "ab"), ("a.csv", "row 201", "'mu'", "expected a number")),
        (lambda rows: rows[200] + ",9", ("a.csv", "row 201", "8 values", "expected 7")),
        (lambda rows: re.sub(r"0\.(\d+)", r'"0,\1"', rows[200]), ("row 201", "decimal comma", "one mark throughout")),
    ],
)  # fmt: skip
def test_refusals_name_the_row_of_the_file(tmp_path: Path, spoil: Any, parts: tuple[str, ...]) -> None:
    rows = stops().to_csv(index=False).splitlines()
    rows[200] = spoil(rows)
    (tmp_path / "a.csv").write_text("\n".join(rows) + "\n")
    with pytest.raises(InputError) as refused:
        read_results(tmp_path / "a.csv", columns=COLUMNS)
    with pytest.raises(InputError) as shared:
        read_on_machines(tmp_path / "a.csv", order_of(tmp_path), HERE)
    for part in parts:
        assert part in str(refused.value)
        assert part in str(shared.value)


def test_text_among_the_results_that_is_excluded(tmp_path: Path) -> None:
    table = stops().astype({"mu": object})
    table.loc[[4, 130], "mu"] = "rejected"
    table.to_csv(tmp_path / "a.csv", index=False)
    exclude = (
        Exclusion(match={"run": 0}, reason="fault"),
        Exclusion(match={"source_row": 132}, reason="fault"),
    )
    assert_same(*read_both(tmp_path / "a.csv", exclude=exclude))


@pytest.mark.parametrize("name", ["a.csv", "a.parquet"])
def test_a_column_that_is_not_there(tmp_path: Path, name: str) -> None:
    table = stops().rename(columns={"mu": "nu"})
    table.to_csv(tmp_path / "a.csv", index=False)
    pq.write_table(pa.Table.from_pandas(table), tmp_path / "a.parquet", row_group_size=30)
    with pytest.raises(InputError) as whole:
        read_results(tmp_path / name, columns=COLUMNS, relative_to=tmp_path)
    with pytest.raises(InputError) as shared:
        read_on_machines(tmp_path / name, order_of(tmp_path), HERE)
    assert str(shared.value) == str(whole.value)
    assert "'nu'" in str(whole.value)


def test_own_columns_are_what_they_are_in_all_pieces(tmp_path: Path) -> None:
    """A column of numbers that is empty in whole pieces, and one of labels that look like numbers in some."""
    table = stops().assign(
        Load=lambda rows: np.where(rows["Run"] < 20, 9.5, np.nan),
        Disc=lambda rows: np.where(rows["Run"] < 25, "D" + rows["Run"].astype(str), rows["Run"].astype(str)),
    )
    columns = {**COLUMNS, "load": "Load", "disc_casting": "Disc"}
    table.to_csv(tmp_path / "a.csv", index=False)
    pq.write_table(pa.Table.from_pandas(table), tmp_path / "b.parquet", row_group_size=30)
    for name in ("a.csv", "b.parquet"):
        whole, shared = read_both(tmp_path / name, columns=columns)
        assert_same(whole, shared)
        assert set(shared.results.covariates) == {"heat", "load"}


NOT_DIVIDED = {
    'a mark in a cell: 5" disc': "quotation marks stand inside its cells",
    '"quoted" and more': "quotation marks stand inside its cells",
    "a single \r return": "single carriage returns",
    '"never closed': "a quotation mark in it is never closed",
}


@pytest.mark.parametrize("cell", NOT_DIVIDED)
def test_a_file_that_looks_odd_stays_whole(tmp_path: Path, cell: str) -> None:
    head = TextHead(
        size=0, rows=1, separator=Separator.COMMA, encoding=Encoding.AUTOMATIC, header_row=1, units=False, decimal="."
    )  # fmt: skip
    text = stops().to_csv(index=False).replace("\nR2,3,fade,11", f"\nR2,3,{cell},11", 1)
    assert cell in text
    (tmp_path / "a.csv").write_bytes(text.encode())
    with pytest.raises(NotDividedError, match=NOT_DIVIDED[cell]):
        cut_text(tmp_path / "a.csv", head, size=500)


def test_it_is_said_why_one_machine_reads_a_file(tmp_path: Path) -> None:
    text = stops().to_csv(index=False).replace("fade,11,", 'fade 5" disc,11,')
    (tmp_path / "a.csv").write_text(text)
    whole, shared = read_both(tmp_path / "a.csv")
    said = "a.csv: one machine reads all of it, because quotation marks stand inside its cells"
    assert said in shared.results.detected
    found = replace(shared.results, detected=whole.detected)
    assert_same(whole, replace(shared, results=found), pieces=1)
    open_mark = stops().assign(mu=lambda rows: (rows["mu"] * 1000).round().astype(int), Heat=7)
    open_mark.to_csv(tmp_path / "b.csv", index=False)
    _, shared = read_both(tmp_path / "b.csv")
    assert any("do not show the decimal mark; declare it" in said for said in shared.results.detected)
    _, shared = read_both(tmp_path / "b.csv", options=ReadOptions(decimal=DecimalMark.POINT))
    assert len(shared.made) == 3


STUDY = """\
job = "{job}"
title = "R2 against R1"
{question}

[results]
files = "a.csv"
quantity = "friction"

[columns]
result = "mu"
rig = "Rig"
pad_set = "Set"
run = "Run"
stop = "Stop"
section = "Section"
run_order = "Order"
time = "Time"
pad_lot = "Lot"

[sections.cold]
margin = "5 %"
statistic = "mean"

[sections.fade]
margin = "8 %"
statistic = "last 3 stops"
"""
CHECK = {"job": "correlation_check", "question": 'rig = "R2"\nreference_rig = "R1"'}
ORDERS = {
    "by run": lambda table: table,
    "by stop": lambda table: table.sort_values("Stop", kind="stable"),
    "two runs torn": lambda table: pd.concat(
        [table.iloc[:3], table.iloc[5:40], table.iloc[41:], table.iloc[3:5], table.iloc[[40]]]
    ),
}


def study_of(folder: Path, order: str, words: dict[str, str]) -> Any:
    rng = np.random.default_rng(9)
    rows = [
        (f"R{rig}", f"{rig}-{s}", f"L{1 + s % 2}", 10 * rig + s, section, stop, 2 * s + rig)
        for s in range(6) for rig in (1, 2) for section in ("cold", "fade", "wet") for stop in range(1, 6)
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=["Rig", "Set", "Lot", "Run", "Section", "Stop", "Order"])
    table = table.assign(
        mu=(0.4 + 0.01 * rng.standard_normal(len(table))).round(4), Time=60 * np.arange(len(table))
    )
    table = table.drop(index=[17, 93])  # two runs of four stops
    ORDERS[order](table).to_csv(folder / "a.csv", index=False)
    (folder / "study.toml").write_text(STUDY.format(**words), encoding="utf-8")
    return load_study(folder / "study.toml")


@pytest.mark.parametrize("order", ORDERS)
def test_runs_that_go_on_in_another_piece(tmp_path: Path, order: str) -> None:
    study = study_of(tmp_path, order, CHECK)
    here, there = (run_results(s, study_results(s)) for s in (study, replace(study, machines=HERE)))
    pd.testing.assert_frame_equal(
        there.to_frame(), here.to_frame(), check_dtype=False, check_exact=False, rtol=1e-14
    )
    assert sorted(map(told, there.findings)) == sorted(map(told, here.findings))
    assert {"stops missing", "section not declared"} <= {finding.check for finding in here.findings}
    assert there.detected == here.detected
    assert there.inputs == here.inputs


def test_runs_whose_conditions_lie_in_different_pieces(tmp_path: Path) -> None:
    """A piece may hold no row of a condition that a statistic needs."""
    study = study_of(tmp_path, "by run", CHECK)
    table = pd.read_csv(tmp_path / "a.csv").assign(
        Pressure=lambda rows: np.where(rows["Stop"] < 3, "20 bar", "40 bar")
    )
    table = table[(table["Run"] != 13) | (table["Pressure"] == "20 bar")]
    table.sort_values("Pressure", kind="stable").to_csv(tmp_path / "a.csv", index=False)
    text = (
        (tmp_path / "study.toml")
        .read_text()
        .replace('stop = "Stop"', 'stop = "Stop"\ncondition = "Pressure"')
    )
    ways = '{ mean_over_conditions = ["20 bar", "40 bar"] }'
    (tmp_path / "study.toml").write_text(text.replace('"last 3 stops"', ways))
    study = load_study(tmp_path / "study.toml")
    here, there = (run_results(s, study_results(s)) for s in (study, replace(study, machines=HERE)))
    pd.testing.assert_frame_equal(
        there.to_frame(), here.to_frame(), check_dtype=False, check_exact=False, rtol=1e-14
    )
    assert sorted(map(told, there.findings)) == sorted(map(told, here.findings))
    assert "condition missing" in {finding.check for finding in here.findings}


def test_runs_torn_in_more_rows_than_come_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spread, "MOST_ROWS_APART", 20)
    study = study_of(tmp_path, "by stop", CHECK)
    here, there = (run_results(s, study_results(s)) for s in (study, replace(study, machines=HERE)))
    pd.testing.assert_frame_equal(there.to_frame(), here.to_frame(), check_dtype=False)
    assert sorted(map(told, there.findings)) == sorted(map(told, here.findings))
    said = "a.csv: one machine reads all of it, because the stops of its runs lie far apart; sort it by runs"
    assert any(sentence.startswith(said) for sentence in there.detected)


def test_what_a_test_on_stops_would_claim_is_shown_by_all_engines(tmp_path: Path) -> None:
    study = study_of(tmp_path, "by run", CHECK)
    here, there = (run_study(s).table("stop_by_stop") for s in (study, replace(study, machines=HERE)))
    assert len(here.rows) == len(there.rows) > 0
    for one, other in zip(here.rows, there.rows, strict=True):
        assert one[:2] == other[:2]
        assert one[2] == pytest.approx(other[2], rel=1e-10)
        assert one[3:] == other[3:]


def test_a_piece_without_any_time_is_read_in_no_way() -> None:
    days = pd.to_datetime(["2026-03-02", "2026-03-01"], utc=True)
    dated = pd.DataFrame({"rig": "R1", "run_order": [1, 2], "time": days})
    without = pd.DataFrame({"rig": ["R1"], "run_order": [3], "time": [1.0]}).iloc[:0]
    assert [one.check for one in check_times_of_parts([dated, without])] == ["times out of order"]
    numbered = pd.DataFrame({"rig": ["R1"], "run_order": [3], "time": [1.0]})
    assert [one.check for one in check_times_of_parts([dated, numbered])] == ["times not read"]


@pytest.mark.full
def test_a_study_gives_the_same_answers_from_shared_files(demo_study: Study) -> None:
    """All that the outcome holds, but for the last digits of numbers and where rows are only counted."""
    here, there = run_study(demo_study), run_study(replace(demo_study, machines=HERE))
    assert [str(one) for one in there.judgements] == [str(one) for one in here.judgements]
    assert sorted(map(told, there.findings)) == sorted(map(told, here.findings))
    assert [str(one) for one in there.notes] == [str(one) for one in here.notes]
    assert there.provenance.inputs == here.provenance.inputs
    assert [table.key for table in there.tables] == [table.key for table in here.tables]
    for one, other in zip(there.tables, here.tables, strict=True):
        pd.testing.assert_frame_equal(
            one.to_frame(), other.to_frame(), check_exact=False, rtol=1e-6, atol=1e-9
        )


ENDS = ("\n", "\r\n")
CELLS = (
    "fade", "one too many,0.3", '"fade"', '"a ""b"" c"', '"a\nb"', '"a\r\n\nb"', '""', "ä", "Ω", '"x,y"', '"',
)  # fmt: skip


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    cells=st.lists(st.sampled_from(CELLS), min_size=3, max_size=40),
    end=st.sampled_from(ENDS),
    size=st.integers(1, 200),
    code=st.sampled_from(("utf-8", "utf-8-sig", "utf-16")),
)
def test_portions_hold_the_rows_of_the_file_in_turn(
    tmp_path: Path, cells: list[str], end: str, size: int, code: str
) -> None:
    """Whatever stands in the cells and wherever the cuts fall, unless the file stays whole."""
    from repeatab.intake.csv_files import read_text_table

    path = tmp_path / "a.csv"
    text = end.join(["label,mu", *(f"{cell},0.{at}" for at, cell in enumerate(cells, start=10))]) + end
    path.write_bytes(text.encode(code))
    head = TextHead(
        size=0, rows=1, separator=Separator.COMMA, encoding=Encoding.AUTOMATIC, header_row=1, units=False, decimal="."
    )  # fmt: skip
    try:
        cuts = cut_text(path, head, size=size)
    except NotDividedError:
        # Two such cells may close each other, so that what is left is a file like others.
        assert '"' in cells
        return

    def rows_of(*portions: TextPortion | None) -> tuple[Any, list[int]] | str:
        read = [
            read_text_table(
                path.read_bytes() if portion is None else portion.read(path),
                options=ReadOptions(separator=Separator.COMMA)
                if portion is None
                else portion.head.options(ReadOptions()),
                portion=portion, file="a.csv", wanted=("label", "mu"), numbers=("mu",),
            )
            for portion in portions
        ]  # fmt: skip
        table = pa.concat_tables([part.table for part in read]).combine_chunks()
        return table, [int(row) for part in read for row in part.row_numbers]

    def found(*portions: TextPortion | None) -> tuple[Any, list[int]] | str:
        try:
            return rows_of(*portions)
        except InputError as refused:
            return str(refused)

    assert found(*cuts.portions) == found(None)
