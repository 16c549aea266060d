"""Tables of two rigs with exact means and standard deviations, and the check run on them. Invented data."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.verdict import Judgement


def sample(n: int, mean: float, sd: float) -> np.ndarray:
    """n values with exactly this mean and standard deviation, spread like normal ones."""
    scores = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return mean + sd * scores / scores.std(ddof=1)


def split(a: Any, b: Any) -> pd.DataFrame:
    """Different sets on rigs A and B, run in turn."""
    frame = pd.DataFrame(
        {
            "rig": ["A"] * len(a) + ["B"] * len(b),
            "pad_set": [f"A{i}" for i in range(len(a))] + [f"B{i}" for i in range(len(b))],
            "result": np.concatenate([a, b]),
            "run_order": [*range(1, 2 * len(a), 2), *range(2, 2 * len(b) + 1, 2)],
        }
    )
    return frame.sort_values("run_order", kind="stable").reset_index(drop=True)


def same(a: Any, b: Any, a_first: Any) -> pd.DataFrame:
    """The same sets on rigs A and B."""
    sets, first = [f"S{i}" for i in range(len(a))], np.asarray(a_first)
    return pd.DataFrame(
        {
            "rig": ["A"] * len(a) + ["B"] * len(b),
            "pad_set": sets * 2,
            "result": np.concatenate([a, b]),
            "run_order": [*np.where(first, 1, 2), *np.where(first, 2, 1)],
        }
    )


def check(frame: pd.DataFrame, *, margin: Any = 0.02, **more: Any) -> Outcome:
    """Rig A against B; columns that have the name of a role are read as such."""
    roles = [name for name in frame.columns if name not in more.get("covariates", ())]
    covariates = {name: name for name in more.get("covariates", ())}
    results = rb.read_results(frame, columns={role: role for role in roles} | covariates)
    return rb.compare_rigs(results, rig="A", reference_rig="B", margin=margin, **more)


def number(outcome: Outcome, key: str, section: str = "result") -> float:
    return dict(outcome.numbers)[f"{section}: {key}"]


def only(outcome: Outcome) -> Judgement:
    (judgement,) = outcome.judgements
    return judgement


def sections(**offsets: float) -> pd.DataFrame:
    parts = [
        split(sample(8, 0.4 + offset, 0.006), sample(8, 0.4, 0.006)).assign(section=name)
        for name, offset in offsets.items()
    ]
    return pd.concat(parts, ignore_index=True)


@pytest.fixture(scope="session")
def rigs() -> Any:
    """The functions of this file."""
    return SimpleNamespace(
        sample=sample, split=split, same=same, sections=sections, check=check, number=number, only=only
    )
