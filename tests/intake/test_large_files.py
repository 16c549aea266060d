"""Files too large to hold give the same results, findings and refusals as files that are held.

The limits are set low, so that small files go the way of large ones; one process reads real ones, watched from
outside.
"""

from __future__ import annotations

import gc
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from repeatab.base.errors import InputError
from repeatab.intake import large_files, large_store
from repeatab.intake.aliases import Aliases
from repeatab.intake.condense import condense
from repeatab.intake.exclusions import Exclusion
from repeatab.intake.options import DecimalMark, Encoding, ReadOptions, Separator, Shape
from repeatab.intake.reading import read_results
from repeatab.intake.roles import SOURCE_ROW
from repeatab.intake.statistics import LastStops, Mean
from repeatab.run import run_study

pytest.importorskip("duckdb")

PROJECT = Path(__file__).parents[2]
COLUMNS = {
    "result": "mu", "rig": "Rig", "pad_set": "Set", "section": "Section", "run": "Run", "stop": "Stop", "heat": "Heat",
}  # fmt: skip


def stops(rows: int = 240, first_run: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng(first_run)
    run = np.arange(rows) // 6 + first_run
    return pd.DataFrame(
        {
            "Rig": np.where(run % 2 == 0, "R1", "R2"), "Set": run % 8, "Section": "fade", "Run": run,
            "Stop": np.arange(rows) % 6 + 1, "mu": (0.4 + 0.01 * rng.standard_normal(rows)).round(4),
            "Heat": (100 + 5 * rng.standard_normal(rows)).round(1),
        }
    )  # fmt: skip


@pytest.fixture
def both(monkeypatch: pytest.MonkeyPatch):
    """Read the same files held and piece by piece."""

    def read(source, **options):
        held = read_results(source, **{"columns": COLUMNS, **options})
        with monkeypatch.context() as low:
            low.setattr(large_files, "MOST_BYTES", 10)
            low.setattr(large_files, "MOST_ROWS", 16)
            pieces = read_results(source, **{"columns": COLUMNS, **options})
        assert pieces.is_lazy
        assert not held.is_lazy
        return held, pieces

    return read


def same(held, pieces) -> None:
    """The same rows in any order, covariates, factors, files and words of what was detected."""
    assert pieces.factors == held.factors
    assert pieces.covariates == held.covariates
    assert pieces.inputs == held.inputs
    assert pieces.detected == held.detected
    assert [f.check for f in pieces.findings] == [f.check for f in held.findings]
    one, other = held.to_frame().drop(columns=SOURCE_ROW), pieces.to_frame()
    assert set(one) == set(other)
    keys = [name for name in one if name != "unit"]
    one, other = (
        table[list(one)].astype(dict.fromkeys(held.factors, str)).sort_values(keys, ignore_index=True)
        for table in (one, other)
    )
    for name in one:
        assert (one[name].fillna("-") == other[name].fillna("-")).all(), name


def points(path: Path, **changes) -> None:
    stops(first_run=40).assign(**changes).to_csv(path, index=False)


def commas(path: Path) -> None:
    stops().to_csv(path, index=False, sep=";", decimal=",")


def test_text_of_one_file(tmp_path, both):
    points(tmp_path / "a.csv")
    same(*both(tmp_path / "a.csv"))


def test_files_written_in_different_ways(tmp_path, both):
    """Decimal comma; lines above the header and a row of units; UTF-16; Parquet with types of its own."""
    commas(tmp_path / "a.csv")
    body = stops(first_run=40).to_csv(index=False).partition("\n")
    units = "Archive of rig hall 2\n\n" + body[0] + "\n[-],[-],[-],[-],[-],[-],[°C]\n" + body[2]
    (tmp_path / "b.csv").write_text(units, encoding="utf-8")
    (tmp_path / "c.csv").write_text(stops(first_run=80).to_csv(index=False, sep="\t"), encoding="utf-16")
    held, pieces = both([str(tmp_path / "*.csv")])
    same(held, pieces)
    stored = stops(first_run=120).astype({"Run": str, "Set": str, "Stop": str})
    pq.write_table(pa.Table.from_pandas(stored), tmp_path / "d.parquet")
    same(*both([str(tmp_path / "*.csv"), str(tmp_path / "d.parquet")]))


def test_a_divided_archive(tmp_path, both):
    """Folders named column=value say what holds for all rows below them."""
    for month, kind in (("2024-01", "csv"), ("2024-02", "csv"), ("2024 03", "csv")):
        folder = tmp_path / "archive" / f"month={month.replace(' ', '%20')}"
        folder.mkdir(parents=True)
        points(folder / f"part.{kind}", Run=lambda table, m=month: table["Run"] + 100 * int(m[-1]))
    held, pieces = both(tmp_path / "archive", columns={**COLUMNS, "visit": "month"})
    assert held.levels("visit") == ("2024 03", "2024-01", "2024-02")
    same(held, pieces)


def test_a_wide_table_with_aliases_and_exclusions(tmp_path, both):
    wide = stops().assign(hot=lambda t: t["mu"] - 0.05).rename(columns={"mu": "cold"})
    wide.to_csv(tmp_path / "a.csv", index=False)
    options = ReadOptions(shape=Shape.WIDE, section_columns={"cold": "cold", "fade": "hot"})
    columns = {k: v for k, v in COLUMNS.items() if k not in ("result", "section")}
    held, pieces = both(
        tmp_path / "a.csv", columns=columns, options=options, aliases=Aliases(rigs={"R1": "Rig 1"}),
        exclude=[Exclusion(match={"run": 3}, reason="wrong pad")],
    )  # fmt: skip
    assert held.levels("rig") == ("R2", "Rig 1")
    assert [e.count for e in pieces.excluded] == [e.count for e in held.excluded] == [12]
    same(held, pieces)


def test_values_of_whole_files(tmp_path, both):
    for rig in ("R7", "R8"):
        table = stops().drop(columns="Rig").to_csv(index=False)
        (tmp_path / f"{rig}_night.csv").write_text(f"Operator: AB\n{table}", encoding="utf-8")
    columns = {name: column for name, column in COLUMNS.items() if name != "rig"}
    options = ReadOptions(name_pattern="{rig}_{shift}.csv", header_values={"operator": "Operator"})
    held, pieces = both(tmp_path, columns=columns, options=options)
    assert held.levels("rig") == ("R7", "R8")
    same(held, pieces)


def test_rows_that_are_set_aside_are_told_by_file(tmp_path, both):
    points(tmp_path / "a.csv")
    lines = (tmp_path / "a.csv").read_text().splitlines()
    lines[3] = lines[3].replace("R1", "")
    lines[10] = ",".join([*lines[10].split(",")[:5], "", "100"])
    lines[20:20] = ["", ",,,,,,"]
    (tmp_path / "a.csv").write_text("\n".join(lines) + "\n")
    held, pieces = both(tmp_path / "a.csv")
    assert [f.check for f in pieces.findings] == ["missing result", "missing rig"]
    assert pieces.findings[0].text.startswith("a.csv, 1 row: the result is missing")
    assert pieces.row_count == held.row_count == 238
    same(replace(held, inputs=pieces.inputs), pieces)


@pytest.mark.parametrize("statistic", [Mean(), LastStops(3)])
def test_run_results_are_the_same(tmp_path, both, statistic):
    points(tmp_path / "a.csv")
    held, pieces = (condense(results, statistic).to_frame() for results in both(tmp_path / "a.csv"))
    np.testing.assert_allclose(pieces["result"], held["result"], rtol=1e-15)
    np.testing.assert_allclose(pieces["heat"], held["heat"], rtol=1e-15)
    assert (pieces["stops"] == held["stops"]).all()


NUMBERS = {
    "1.5": 1.5, " 2 ": 2, "+3": 3, "−4.25": -4.25, "5.": 5, ".5": 0.5, "1e-3": 1e-3, "1,234.5": 1234.5,
    "1 234.5": 1234.5, "\u00a06.5\u00a0": 6.5, "1'000": 1000, "0.1234567890123456789": 0.1234567890123456789,
}  # fmt: skip


def test_numbers_follow_the_same_rules(tmp_path, both):
    rows = "\n".join(f'R1;"{text}"' for text in NUMBERS)
    (tmp_path / "a.csv").write_text(f"rig;mu\n{rows}\n", encoding="utf-8")
    held, pieces = both(tmp_path / "a.csv", columns={"rig": "rig", "result": "mu"})
    assert sorted(held.to_frame()["result"]) == sorted(NUMBERS.values())
    assert sorted(pieces.to_frame()["result"]) == sorted(NUMBERS.values())


@pytest.mark.parametrize("wrong", ["rejected", "1_000", "0x1F", "1,2,3", "12.5.7", "0,4 5"])
def test_text_among_the_numbers_is_refused_by_both(tmp_path, monkeypatch, wrong):
    rows = "".join(f"R1;{mu}\n" for mu in ("0.4", "0.41", wrong, "0.42"))
    (tmp_path / "a.csv").write_text(f"rig;mu\n{rows}", encoding="utf-8")
    for limit in (1000, 10):
        monkeypatch.setattr(large_files, "MOST_BYTES", limit)
        options = ReadOptions(decimal=DecimalMark.POINT, separator=Separator.SEMICOLON)
        with pytest.raises(InputError) as refused:
            read_results(tmp_path / "a.csv", columns={"rig": "rig", "result": "mu"}, options=options)
        for part in ("a.csv", "'mu'", f"'{wrong}'", "expected a number", "[[exclude]]"):
            assert part in str(refused.value)


@pytest.mark.parametrize(
    ("content", "options", "parts"),
    [
        (b"rig,mu\nR1,0.4\nR2,0.5,9\n", {}, ("a.csv", "row 3", "3 values", "expected 2")),
        (b"rig,mu\nR1,0.4\nR\xe4\x80,0.5\n", {}, ("a.csv", "cp1252", "UTF-8")),
        (b"rig,mu\nR1,0.4\nR\xe4,0.5\n", {"encoding": Encoding.UTF_8}, ("a.csv", "utf-8")),
        (b"rig,nu\nR1,0.4\n", {}, ("a.csv", "'mu'", "'rig', 'nu'")),
    ],
)
def test_refusals_name_the_place(tmp_path, monkeypatch, content, options, parts):
    (tmp_path / "a.csv").write_bytes(content)
    monkeypatch.setattr(large_files, "MOST_BYTES", 10)
    with pytest.raises(InputError) as refused:
        read_results(
            tmp_path / "a.csv", columns={"rig": "rig", "result": "mu"}, options=ReadOptions(**options)
        )
    for part in parts:
        assert part in str(refused.value)


def test_latin_letters(tmp_path, both):
    (tmp_path / "a.csv").write_bytes("rig,mu\nPrüfstand,0.4\nPrüfstand,0.41\n".encode("cp1252"))
    held, pieces = both(tmp_path / "a.csv", columns={"rig": "rig", "result": "mu"})
    assert held.levels("rig") == pieces.levels("rig") == ("Prüfstand",)


def test_levels_that_are_numbers_rather_than_names_are_not_compared(tmp_path, both, monkeypatch):
    monkeypatch.setattr("repeatab.intake.checks.labels.MOST_LEVELS", 30)
    points(tmp_path / "a.csv")
    for results in both(tmp_path / "a.csv"):
        assert [f.text for f in results.findings] == [
            "The run has more than 30 levels; their spelling was not compared."
        ]


def test_what_a_killed_process_left_goes_with_the_next(tmp_path, monkeypatch):
    monkeypatch.setattr(large_store.tempfile, "tempdir", str(tmp_path))
    with subprocess.Popen([sys.executable, "-c", ""]) as gone:
        pass
    left = tmp_path / f"{large_store._PREFIX}{gone.pid}-x"
    left.mkdir()
    made = large_store.temporary_folder()
    assert [path.name for path in tmp_path.iterdir()] == [made.name]


def test_the_temporary_folder_goes_with_the_results(tmp_path, monkeypatch, both):
    points(tmp_path / "a.csv")
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr(large_store.tempfile, "tempdir", str(place))
    held, pieces = both(tmp_path / "a.csv")
    assert len(list(place.iterdir())) == 1
    same(held, pieces)
    del pieces
    gc.collect()
    assert list(place.iterdir()) == []


READ = """
import sys, pyarrow.parquet, duckdb, pandas, repeatab as rb
from repeatab.cells import reduce_to_cells
def peak():
    return int(next(l for l in open("/proc/self/status") if l.startswith("VmHWM")).split()[1]) / 1024
from repeatab.intake import large_files, large_store
large_files.MOST_ROWS, large_store._MEMORY = int(sys.argv[2]), sys.argv[3]
began = peak()
columns = {name: name for name in ("rig", "pad_set", "section", "run", "stop")}
results = rb.read_results(sys.argv[1], columns={**columns, "result": "mu"})
cells = reduce_to_cells(results, result="result", factors=["rig", "pad_set", "section"])
assert results.is_lazy
print(cells.rows, len(cells), began, peak())
"""


def peaks(
    source: Path, *, most_rows: int = large_files.MOST_ROWS, memory: str = large_store._MEMORY
) -> tuple[int, int, float, float]:
    """Rows, cells, and the MiB that a process had taken at most before it read and after."""
    ran = subprocess.run(
        [sys.executable, "-c", READ, str(source), str(most_rows), memory],
        capture_output=True,
        text=True,
        check=False,
        cwd=PROJECT,
    )
    assert ran.returncode == 0, ran.stderr
    rows, cells, began, ended = ran.stdout.split()
    return int(rows), int(cells), float(began), float(ended)


on_linux = pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read from /proc")


@on_linux
def test_a_table_larger_than_the_memory_it_takes(tmp_path):
    """Its four labels of 360 letters are 360 MB as text in memory; stored, it is small."""
    rows, size = 250_000, 125_000
    long = "a label that is long, as those of archives may be, " * 8
    label = pa.array([f"{long:.357}{i:03d}" for i in range(6)])
    index = np.arange(size, dtype=np.int32)
    writer = None
    for part in range(rows // size):
        columns = {
            name: pa.DictionaryArray.from_arrays(pa.array(index // step % 6), label)
            for name, step in (("rig", 6), ("pad_set", 36), ("section", 216), ("stop", 1))
        }
        run = pa.array(index // 6 + part * size)
        table = pa.table({**columns, "run": run, "mu": pa.array(0.4 + 1e-5 * (index % 997))})
        writer = writer or pq.ParquetWriter(tmp_path / "a.parquet", table.schema)
        writer.write_table(table)
    writer.close()
    found_rows, cells, began, ended = peaks(tmp_path, most_rows=100_000, memory="150MB")
    assert (found_rows, cells) == (rows, 216)
    assert ended - began < 300


@on_linux
@pytest.mark.full
def test_a_text_table_of_two_gigabytes(tmp_path):
    block = "".join(
        f"R{i // 6 % 7},S{i // 42 % 40},fade {i % 3},{i // 18}@@@@,{i % 6},{0.38 + i % 997 * 1e-4:.4f}\n"
        for i in range(100_000)
    ).encode()
    with (tmp_path / "a.csv").open("wb") as stream:
        stream.write(b"rig,pad_set,section,run,stop,mu\n")
        for part in range(720):
            stream.write(block.replace(b"@@@@", f"{part:04d}".encode()))
    size = (tmp_path / "a.csv").stat().st_size / (1 << 20)
    rows, _, _, ended = peaks(tmp_path)
    assert rows == 72_000_000
    assert size > 2000
    assert ended < 800


@pytest.mark.full
def test_a_study_gives_the_same_answers_from_large_files(monkeypatch, demo_study):
    held = run_study(demo_study)
    monkeypatch.setattr(large_files, "MOST_BYTES", 10)
    pieces = run_study(demo_study)
    assert [str(judgement) for judgement in pieces.judgements] == [str(one) for one in held.judgements]
    assert [finding.check for finding in pieces.findings] == [one.check for one in held.findings]
    assert [table.key for table in pieces.tables] == [one.key for one in held.tables]
    assert pieces.provenance.inputs == held.provenance.inputs
