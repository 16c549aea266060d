"""One table of cases over all engines, partitionings, orders and thread counts, against exact arithmetic.

The cells of the doubles in the table are computed with fractions; what an engine gives may differ from them by
1e-12 x (1 + |mean| / SD), the mean in standard deviations of the cell, sums of squares relative to themselves.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, reduce
from itertools import combinations_with_replacement
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from repeatab.base.errors import InputError
from repeatab.cells import Cells, in_engine, merged, reduce_to_cells
from repeatab.intake import dividing
from repeatab.intake.aliases import Aliases
from repeatab.intake.machines import Machines
from repeatab.intake.options import ReadOptions
from repeatab.intake.reading import read_results
from repeatab.intake.results import Results
from repeatab.intake.spread import Order, read_on_machines

FACTORS = ("rig", "lot")
VALUES = ("mu", "temperature")
ROWS = 900


@dataclass(frozen=True, slots=True)
class Case:
    """Level, step between lots and scatter of the result; how many of the rows are one value."""

    level: float
    step: float
    scatter: float
    equal: int = 0


CASES = {
    "friction": Case(0.4, 0.0, 0.01),
    "a high level with little scatter": Case(1e6, 0.0, 0.01),
    "lots far apart": Case(0.4, 50.0, 0.01),
    "lots ten thousand scatters apart": Case(-3.0, 1000.0, 0.1),
    "one lot near zero beside large ones": Case(0.0, 1e5, 1e-3),
    "cells without scatter": Case(0.3, 0.1, 0.0),
    "mostly one value": Case(0.37, 0.0, 0.02, 700),
}


@cache
def table(name: str) -> pd.DataFrame:
    case = CASES[name]
    rng = np.random.default_rng(7)
    lot = rng.integers(0, 5, ROWS)
    mu = case.level + case.scatter * rng.standard_normal(ROWS) + case.step * lot
    mu[: case.equal] = case.level
    frame = pd.DataFrame(
        {"rig": rng.choice(["A", "B", "C"], ROWS), "lot": lot, "mu": mu, "temperature": 100 + rng.standard_normal(ROWS)}
    )  # fmt: skip
    frame.loc[ROWS] = ["D", 9, case.level, 99.0]  # a cell of one row
    return frame


@cache
def exact(
    name: str, factors: tuple[str, ...]
) -> dict[Any, tuple[int, list[Fraction], dict[tuple[int, int], Fraction]]]:
    """Count, means and centred products of each cell, without rounding."""
    found = {}
    groups = table(name).groupby(list(factors)) if factors else [((), table(name))]
    for key, rows in groups:
        columns = [[Fraction(v) for v in rows[value]] for value in VALUES]
        means = [sum(column) / len(column) for column in columns]
        products = {
            (i, j): sum(x * y for x, y in zip(columns[i], columns[j], strict=True))
            - len(rows) * means[i] * means[j]
            for i, j in combinations_with_replacement(range(len(VALUES)), 2)
        }
        found[key] = (len(rows), means, products)
    return found


def _arrow(frame: pd.DataFrame) -> Any:
    return pa.Table.from_pandas(frame, preserve_index=False)


def _polars(frame: pd.DataFrame) -> Any:
    return pytest.importorskip("polars").from_arrow(_arrow(frame))


def _files(frame: pd.DataFrame, folder: Path) -> str:
    for part in range(3):
        pq.write_table(_arrow(frame.iloc[part::3]), folder / f"part{part}.parquet")
    return str(folder / "*.parquet")


def _duckdb(threads: int) -> Any:
    return pytest.importorskip("duckdb").connect(config={"threads": threads})


def _dask(frame: pd.DataFrame, parts: int) -> Any:
    return pytest.importorskip("dask.dataframe").from_pandas(frame.reset_index(drop=True), npartitions=parts)


def _dask_with_an_empty_part(frame: pd.DataFrame) -> Any:
    dask = pytest.importorskip("dask.dataframe")
    return dask.concat([_dask(frame.iloc[:0], 1), _dask(frame, 2)])


@cache
def _cluster() -> Any:
    distributed = pytest.importorskip("distributed")
    return distributed.LocalCluster(n_workers=2, processes=False, dashboard_address=None, scheduler_port=0)


@pytest.fixture(scope="module", autouse=True)
def _the_cluster_ends() -> Iterator[None]:
    yield
    if _cluster.cache_info().currsize:
        _cluster().close()


@dataclass(frozen=True, slots=True)
class CellsOfPiece:
    """What a machine makes of its rows of a file, slowly enough to be killed at it where that is the question."""

    factors: tuple[str, ...]
    seconds: float

    def __call__(self, results: Results) -> Cells:
        time.sleep(self.seconds)
        return reduce_to_cells(results, result="result", factors=self.factors, covariates=["temperature"])


@dataclass(frozen=True, slots=True)
class SharedFile:
    """One file that several machines read in pieces smaller than itself."""

    path: Path
    scheduler: str
    seconds: float = 0.0

    def cells(self, factors: tuple[str, ...], progress: Any = lambda *_: None) -> Cells:
        order = Order(
            columns={"result": "mu", "rig": "rig", "lot": "lot", "temperature": "temperature"},
            options=ReadOptions(factors=("lot",), covariates=("temperature",)), aliases=Aliases(), exclude=(),
            quantity=read_results.__kwdefaults__["quantity"], base=None, make=CellsOfPiece(factors, self.seconds),
        )  # fmt: skip
        with patch.object(dividing, "MOST_BYTES", 5000), patch.object(dividing, "ROWS_OF_PIECE", 150):
            shared = read_on_machines(self.path, order, Machines(self.scheduler), progress=progress)
        assert len(shared.made) >= 3
        found = merged(shared.made)
        # A text file does not say that lots are numbers.
        numbers = [
            np.array([int(label) for label in labels], object) if name == "lot" else labels
            for name, labels in zip(found.factors, found.levels, strict=True)
        ]
        return replace(found, levels=tuple(numbers))


def shared_parquet(frame: pd.DataFrame, folder: Path, scheduler: str = "") -> SharedFile:
    pq.write_table(_arrow(frame), folder / "one.parquet", row_group_size=70)
    return SharedFile(folder / "one.parquet", scheduler or _cluster().scheduler_address)


def shared_text(frame: pd.DataFrame, folder: Path, scheduler: str = "") -> SharedFile:
    frame.astype({"mu": float, "temperature": float}).to_csv(folder / "one.csv", index=False)
    return SharedFile(folder / "one.csv", scheduler or _cluster().scheduler_address)


ENGINES: dict[str, Callable[[pd.DataFrame, Path], Any]] = {
    "pandas": lambda frame, _: frame,
    "pandas categories": lambda frame, _: frame.astype({"rig": "category"}),
    "Arrow": lambda frame, _: _arrow(frame),
    "Polars": lambda frame, _: _polars(frame),
    "Polars lazy": lambda frame, _: _polars(frame).lazy(),
    "Polars, several files": lambda frame, folder: pytest.importorskip("polars").scan_parquet(_files(frame, folder)),
    "DuckDB, one thread": lambda frame, _: _duckdb(1).from_arrow(_arrow(frame)),
    "DuckDB, several files and threads": lambda frame, folder: _duckdb(4).read_parquet(_files(frame, folder)),
    "Dask, one part": lambda frame, _: _dask(frame, 1),
    "Dask, seven parts": lambda frame, _: _dask(frame, 7),
    "Dask, an empty part": lambda frame, _: _dask_with_an_empty_part(frame),
    "several machines, one Parquet file": shared_parquet,
    "several machines, one text file": shared_text,
}  # fmt: skip
ORDERS: dict[str, Callable[[pd.DataFrame], pd.DataFrame]] = {
    "as it is": lambda frame: frame,
    "shuffled": lambda frame: frame.sample(frac=1, random_state=3),
    "by value": lambda frame: frame.sort_values("mu"),
}


def cells_of(frame: Any, factors: tuple[str, ...] = FACTORS) -> Cells:
    if isinstance(frame, SharedFile):
        return frame.cells(factors)
    return reduce_to_cells(frame, result="mu", factors=factors, covariates=["temperature"])


def assert_exact(found: Cells, name: str, factors: tuple[str, ...] = FACTORS) -> None:
    want = exact(name, factors)
    keys = [
        tuple(levels[code] for levels, code in zip(found.levels, codes, strict=True)) for codes in found.codes
    ]
    assert keys == sorted(want)
    for at, key in enumerate(keys):
        count, means, products = want[key]
        assert found.count[at] == count
        close, spread = [], []
        for i, mean in enumerate(means):
            sd = float(products[i, i] / count) ** 0.5
            # A cell without scatter has no standard deviation; its values are held to their own rounding.
            scale = sd or abs(float(mean)) * 1e-4 or 1e-9
            close.append(1e-12 * (1 + abs(float(mean)) / scale))
            spread.append(scale)
            error = Fraction(found.shift[i]) + Fraction(found.mean[at, i]) - mean
            assert abs(error) <= close[i] * scale, (key, VALUES[i], "mean")
        for (i, j), product in products.items():
            error = abs(Fraction(found.cross[at, i, j]) - product)
            assert error <= max(close[i], close[j]) * count * spread[i] * spread[j], (key, i, j)
            if i == j and product == 0:
                assert found.cross[at, i, i] == 0, (key, VALUES[i], "no scatter")


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("engine", ENGINES)
def test_every_engine_gives_the_exact_cells(engine: str, case: str, tmp_path: Path):
    # Every case meets every engine, and every engine every order.
    order = list(ORDERS)[(list(CASES).index(case) + list(ENGINES).index(engine)) % len(ORDERS)]
    frame = ORDERS[order](table(case))
    assert_exact(cells_of(ENGINES[engine](frame, tmp_path)), case)


@pytest.mark.parametrize("engine", ENGINES)
def test_a_table_without_factors_is_one_cell(engine: str, tmp_path: Path):
    for case in ("a high level with little scatter", "lots far apart"):
        assert_exact(cells_of(ENGINES[engine](table(case), tmp_path), ()), case, ())


@pytest.mark.parametrize("case", CASES)
def test_cells_of_pieces_merge_to_the_exact_cells(case: str):
    """One after the other, in a tree, and in another order."""
    parts = [cells_of(table(case).iloc[at::9]) for at in range(9)]
    assert_exact(merged(parts), case)
    assert_exact(merged(parts[::-1]), case)
    assert_exact(reduce(Cells.merge, parts), case)


def test_whole_numbers_and_short_floats_are_read_as_what_they_are(tmp_path: Path):
    """Counts of a sensor as int32, temperatures as float32."""
    frame = table("friction").assign(mu=lambda t: (t["mu"] * 1e4).astype("int32"))
    frame["temperature"] = frame["temperature"].astype("float32")
    want = cells_of(frame.astype({"mu": float, "temperature": float}))
    for name, engine in ENGINES.items():
        found = cells_of(engine(frame, tmp_path)).shifted_to(want.shift)
        np.testing.assert_allclose(found.mean, want.mean, rtol=0, atol=1e-9, err_msg=name)
        np.testing.assert_allclose(found.cross, want.cross, rtol=1e-12, atol=1e-9, err_msg=name)


@pytest.mark.parametrize("engine", ["Polars lazy", "DuckDB, one thread", "Dask, seven parts"])
@pytest.mark.parametrize(
    ("column", "row_value", "parts"),
    [
        ("mu", np.nan, ("'mu'", "1 ", "row", "finite")),
        ("mu", np.inf, ("'mu'", "1 ", "row", "finite")),
        ("rig", None, ("'rig'", "no label", "1 such")),
    ],
)
def test_a_lazy_table_with_a_hole_is_refused(
    engine: str, column: str, row_value: object, parts: tuple[str, ...], tmp_path: Path
):
    frame = table("friction").copy()
    frame.loc[17, column] = row_value
    with pytest.raises(InputError) as refused:
        cells_of(ENGINES[engine](frame, tmp_path))
    for part in parts:
        assert part in str(refused.value)


@pytest.mark.parametrize("case", ["friction", "a high level with little scatter", "mostly one value"])
def test_an_ordinary_table_is_read_once(case: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Cells whose results are all one value, as of rounded results, need no second pass either."""

    def refuse(*_: object) -> None:
        raise AssertionError("a second pass")

    monkeypatch.setattr(in_engine, "_about_means", refuse)
    frame = table(case).assign(mu=lambda rows: rows["mu"].where(rows["lot"] > 1, CASES[case].level))
    found = reduce_to_cells(ENGINES["DuckDB, one thread"](frame, tmp_path), result="mu", factors=FACTORS)
    equal = np.isin(found.code_of("lot"), [0, 1])
    assert (found.cross[equal] == 0).all()
    assert (found.cross[~equal & (found.count > 1)] > 0).all()
