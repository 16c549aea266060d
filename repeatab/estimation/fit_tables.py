"""Fit tables: what a fit shows as dataframes, and their index.

In: a BlockFit, labels of groups and sources.  Out: arrays and frames that components.Fit puts together.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from repeatab.cells import FloatArray, LabelArray
from repeatab.estimation.block_fit import BlockFit
from repeatab.estimation.mean_squares import MeanSquares

if TYPE_CHECKING:
    import pandas as pd


def named_index(names: tuple[str, ...], title: str | None = None) -> pd.Index[Any]:
    """An index of names; a view of one that serves all fits of a model, so that renaming it changes no other."""
    view: pd.Index[Any] = _shared_index(names, title).view()
    return view


@lru_cache(maxsize=64)
def _shared_index(names: tuple[str, ...], title: str | None) -> pd.Index[Any]:
    import pandas as pd

    return pd.Index(list(names), name=title)


def index_of_labels(labels: LabelArray) -> pd.Index[Any]:
    """An index with the type that its labels have; whole numbers are told at a glance."""
    import pandas as pd

    if len(labels) and pd.api.types.infer_dtype(labels, skipna=False) == "integer":
        with suppress(OverflowError):
            return pd.Index(labels.astype(np.int64))
    found: pd.Index[Any] = pd.Index(list(labels))
    return found


COLUMNS = ("variance", "raw_variance", "sd", "sd_lower", "sd_upper", "share")


def component_table(part: BlockFit) -> FloatArray:
    """(groups, components, columns)"""
    raw = part.variances
    lower, upper = part.limits
    table = np.empty((*raw.shape, len(COLUMNS)))
    variance = np.maximum(raw, 0.0)
    table[..., 0], table[..., 1] = variance, raw
    for at, squared in ((2, variance), (3, lower), (4, upper)):
        np.sqrt(squared, out=table[..., at])
    np.divide(variance, variance.sum(axis=1, keepdims=True), out=table[..., 5])
    return table


def anova_frames(
    part: BlockFit, analysis: MeanSquares, groups: list[tuple[object, ...]], by: tuple[str, ...]
) -> list[tuple[int, pd.DataFrame]]:
    import pandas as pd
    from scipy import special

    sources = [name for name, random in zip(analysis.names, analysis.random, strict=True) if random]
    words = [_expected_in_words(row, sources) for row in analysis.expected]
    p = special.fdtrc(analysis.df, analysis.denominator_df, analysis.f)
    frames = []
    for position, (g, labels) in enumerate(zip(part.block.groups, groups, strict=True)):
        table: dict[str, Any] = dict(zip(by, labels, strict=True))
        table |= {
            "source": analysis.names, "df": analysis.df, "ss": analysis.ss[position],
            "ms": analysis.ms[position], "ems": words, "f": analysis.f[position], "p": p[position],
        }  # fmt: skip
        frames.append((int(g), pd.DataFrame(table)))
    return frames


def _expected_in_words(row: FloatArray, sources: Sequence[str]) -> str:
    parts = []
    for multiplier, name in zip(row, sources, strict=True):
        if multiplier:
            parts.append(f"var({name})" if multiplier == 1 else f"{multiplier:g} var({name})")
    return " + ".join(reversed(parts))
