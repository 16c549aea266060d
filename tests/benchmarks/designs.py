"""Designs: seeded tables for the benchmarks. In: nothing.  Out: dataframes that both sides of a comparison read.

The numbers are drawn, not measured: a benchmark needs a size and a pattern, not a truth.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

CROSSED = ("rig", "pad_set", ("rig", "pad_set"))
THREE_WAY = ("rig", "pad_set", "day", ("rig", "pad_set"), ("rig", "day"), ("pad_set", "day"))


def two_way(rigs: int, sets: int, stops: int) -> pd.DataFrame:
    """Every set on every rig, with interaction."""
    rng = np.random.default_rng(1)
    r, s, _ = (part.ravel() for part in np.indices((rigs, sets, stops)))
    mu = 0.4 + 0.01 * rng.standard_normal(rigs)[r] + 0.02 * rng.standard_normal(sets)[s]
    mu += 0.005 * rng.standard_normal((rigs, sets))[r, s] + 0.01 * rng.standard_normal(r.size)
    return pd.DataFrame({"rig": r, "pad_set": s, "mu": mu})


def three_way() -> pd.DataFrame:
    """12 rigs × 16 sets × 10 days × 3 runs with all two-way interactions, 15 % of the runs missing."""
    rng = np.random.default_rng(2)
    shape = (12, 16, 10, 3)
    a, b, c, _ = (part.ravel() for part in np.indices(shape))
    mu = 0.4 + 0.01 * rng.standard_normal(12)[a] + 0.02 * rng.standard_normal(16)[b]
    mu += 0.01 * rng.standard_normal(10)[c] + 0.005 * rng.standard_normal((12, 16))[a, b]
    mu += 0.004 * rng.standard_normal((12, 10))[a, c] + 0.006 * rng.standard_normal((16, 10))[b, c]
    mu += 0.01 * rng.standard_normal(a.size)
    kept = np.sort(rng.permutation(a.size)[:4896])
    return pd.DataFrame({"rig": a, "pad_set": b, "day": c, "mu": mu}).iloc[kept].reset_index(drop=True)


def sparse(rigs: int = 50, sets: int = 4000, runs: int = 10) -> pd.DataFrame:
    """Each set runs on a few rigs picked at random."""
    rng = np.random.default_rng(3)
    s = np.repeat(np.arange(sets), runs)
    r = rng.integers(0, rigs, s.size)
    mu = 0.4 + 0.01 * rng.standard_normal(rigs)[r] + 0.02 * rng.standard_normal(sets)[s]
    return pd.DataFrame({"rig": r, "pad_set": s, "mu": mu + 0.01 * rng.standard_normal(s.size)})


def lots(sets: int) -> pd.DataFrame:
    """Four lots of pad sets, ten runs a set on rigs picked at random out of five."""
    rng = np.random.default_rng(4)
    s = np.repeat(np.arange(sets), 10)
    r = rng.integers(0, 5, s.size)
    mu = 0.4 + 0.005 * (s % 4) + 0.01 * rng.standard_normal(5)[r] + 0.02 * rng.standard_normal(sets)[s]
    mu += 0.01 * rng.standard_normal(s.size)
    return pd.DataFrame({"lot": [f"L{k + 1}" for k in s % 4], "rig": r, "pad_set": s, "mu": mu})


def characteristics(groups: int = 10_000) -> pd.DataFrame:
    """Long table of many characteristics, each a balanced study of 3 rigs × 10 sets × 3 runs."""
    rng = np.random.default_rng(5)
    g, r, s, _ = (part.ravel() for part in np.indices((groups, 3, 10, 3)))
    mu = 0.4 + 0.01 * rng.standard_normal((groups, 3))[g, r] + 0.02 * rng.standard_normal((groups, 10))[g, s]
    return pd.DataFrame({"section": g, "rig": r, "pad_set": s, "mu": mu + 0.01 * rng.standard_normal(g.size)})


def write_archive(path: Path, rows: int) -> None:
    """A Parquet archive with four keys and 50,000 cells, written piece by piece."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    rng = np.random.default_rng(6)
    sizes = {"rig": 10, "pad_lot": 10, "section": 50, "month": 10}
    writer: pq.ParquetWriter | None = None
    for start in range(0, rows, 2_000_000):
        n = min(2_000_000, rows - start)
        columns = {name: pa.array(rng.integers(0, k, n, dtype=np.int16)) for name, k in sizes.items()}
        table = pa.table({**columns, "mu": pa.array(0.4 + 0.02 * rng.standard_normal(n))})
        writer = writer or pq.ParquetWriter(path, table.schema)
        writer.write_table(table)
    assert writer is not None
    writer.close()


ARCHIVE_KEYS = ("rig", "pad_lot", "section", "month")

TABLES: dict[str, Callable[[], pd.DataFrame]] = {
    "small": lambda: two_way(3, 10, 3),
    "three_way": three_way,
    "large": lambda: two_way(12, 200, 400),
    "sparse": sparse,
    "lots_470": lambda: lots(47),
    "lots_4700": lambda: lots(470),
    "characteristics": characteristics,
}

RANDOM: dict[str, tuple[str | tuple[str, ...], ...]] = {
    "small": CROSSED,
    "three_way": THREE_WAY,
    "large": CROSSED,
    "sparse": ("rig", "pad_set"),
    "lots_470": ("rig", "pad_set"),
    "lots_4700": ("rig", "pad_set"),
    "characteristics": CROSSED,
}
