"""What the tests of numerics share: 50-digit arithmetic, and small tables of invented results."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator, Sequence
from itertools import product
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import mpmath as mp
import numpy as np
import pandas as pd
import pytest


@pytest.fixture(scope="session")
def exact() -> ModuleType:
    """The definitions in 50 digits, beside this file."""
    spec = importlib.util.spec_from_file_location("numerics_exact", Path(__file__).with_name("exact.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(autouse=True)
def _fifty_digits() -> Iterator[None]:
    with mp.workdps(50):
        yield


def crossed(
    *, sds: Sequence[float] = (0.02, 0.01, 0.005), offset: float = 0.4, scale: float = 1.0, drop: Sequence[int] = (),
    sets: int = 4, runs: int = 2, seed: int = 1,
) -> pd.DataFrame:  # fmt: skip
    """Three rigs crossed with pad sets; `sds` of rig, set and repeatability; rows in `drop` are missing."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(list(product("ABC", range(sets), range(runs))), columns=["rig", "pad_set", "run"])
    rig = dict(zip("ABC", rng.standard_normal(3) * sds[0], strict=True))
    of_set = rng.standard_normal(sets) * sds[1]
    frame["mu"] = offset + frame["rig"].map(rig) + of_set[frame["pad_set"]]
    frame["mu"] = (frame["mu"] + sds[2] * rng.standard_normal(len(frame))) * scale
    return frame.drop(index=list(drop)).reset_index(drop=True)


@pytest.fixture(scope="session")
def tables() -> Any:
    """The functions of this file."""
    return SimpleNamespace(crossed=crossed)
