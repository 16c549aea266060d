"""One table of cases over all engines: the cells are the same whatever holds the table, in whatever order."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from repeatab.base.errors import InputError
from repeatab.cells import Cells, reduce_to_cells

CASES = {
    "friction": (0.4, 0.0),
    "a high level with little scatter": (1e6, 0.0),
    "rigs far apart": (0.4, 50.0),
}


def table(level: float, step: float, *, order: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng(7)
    rig = rng.choice(["A", "B", "C"], 4000)
    lot = rng.integers(0, 5, 4000)
    mu = level + 0.01 * rng.standard_normal(4000) + step * lot
    frame = pd.DataFrame({"rig": rig, "lot": lot, "mu": mu, "temperature": 100 + rng.standard_normal(4000)})
    return frame.sample(frac=1, random_state=order) if order else frame


def _polars(frame: pd.DataFrame) -> Any:
    polars = pytest.importorskip("polars")
    return polars.from_arrow(pa.Table.from_pandas(frame, preserve_index=False))


def _parquet_parts(frame: pd.DataFrame, folder: Path) -> str:
    for part in range(3):
        piece = pa.Table.from_pandas(frame.iloc[part::3], preserve_index=False)
        pq.write_table(piece, folder / f"part{part}.parquet")
    return str(folder / "*.parquet")


ENGINES: dict[str, Callable[[pd.DataFrame, Path], Any]] = {
    "pandas": lambda frame, _: frame,
    "pandas categories": lambda frame, _: frame.astype({"rig": "category"}),
    "Arrow": lambda frame, _: pa.Table.from_pandas(frame, preserve_index=False),
    "Polars": lambda frame, _: _polars(frame),
    "Polars lazy": lambda frame, _: _polars(frame).lazy(),
    "Polars, several files": lambda frame, folder: pytest.importorskip("polars").scan_parquet(
        _parquet_parts(frame, folder)
    ),
    "DuckDB": lambda frame, _: pytest.importorskip("duckdb").connect().from_arrow(
        pa.Table.from_pandas(frame, preserve_index=False)
    ),
    "DuckDB, several files": lambda frame, folder: pytest.importorskip("duckdb").connect().read_parquet(
        _parquet_parts(frame, folder)
    ),
}  # fmt: skip


def cells_of(frame: Any, factors: list[str]) -> Cells:
    return reduce_to_cells(frame, result="mu", factors=factors, covariates=["temperature"])


@pytest.mark.parametrize("factors", [["rig", "lot"], []])
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("engine", ENGINES)
def test_every_engine_gives_the_same_cells(engine: str, case: str, factors: list[str], tmp_path: Path):
    level, step = CASES[case]
    want = cells_of(table(level, step), factors)
    found = cells_of(ENGINES[engine](table(level, step, order=3), tmp_path), factors).shifted_to(want.shift)
    assert [list(labels) for labels in found.levels] == [list(labels) for labels in want.levels]
    assert (found.codes == want.codes).all()
    assert (found.count == want.count).all()
    sd = np.sqrt(np.diagonal(want.cross, 0, 1, 2) / want.count[:, None])
    allowed = 1e-12 * (1 + np.abs(want.mean + want.shift) / sd)
    assert (np.abs(found.mean - want.mean) <= allowed * sd).all()
    spread = want.count[:, None, None] * sd[:, :, None] * sd[:, None, :]
    assert (
        np.abs(found.cross - want.cross) <= np.maximum(allowed[:, :, None], allowed[:, None]) * spread
    ).all()


@pytest.mark.parametrize("engine", ["Polars lazy", "DuckDB"])
@pytest.mark.parametrize(
    ("column", "row_value", "parts"),
    [("mu", np.nan, ("'mu'", "1 row", "finite")), ("rig", None, ("'rig'", "no label", "1 such"))],
)
def test_a_lazy_table_with_a_hole_is_refused(
    engine: str, column: str, row_value: object, parts: tuple[str, ...], tmp_path: Path
):
    frame = table(0.4, 0.0)
    frame.loc[17, column] = row_value
    with pytest.raises(InputError) as refused:
        cells_of(ENGINES[engine](frame, tmp_path), ["rig", "lot"])
    for part in parts:
        assert part in str(refused.value)
