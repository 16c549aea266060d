"""Whether each laboratory of a round robin stands under a code of its own and reports in the common unit.

In: parts of the results, by the name of their origin, and the cells of a level.  Out: refusals and findings.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.errors import InputError, listed
from repeatab.interlab.level import LevelCells
from repeatab.outcome.outcome import DataFinding

if TYPE_CHECKING:
    import pandas as pd

Pairs = Sequence[tuple[str, set[tuple[Hashable, Hashable]]]]
"""Name of each part and the (laboratory, level) that have results in it."""


def refuse_twice(parts: Pairs) -> None:
    """Refuse a level of a laboratory that comes from two places.

    Raises
    ------
    InputError
    """
    seen: dict[tuple[Hashable, Hashable], str] = {}
    for name, pairs in parts:
        for laboratory, level in sorted(pairs, key=str):
            if (laboratory, level) in seen:
                raise InputError(
                    f"laboratory '{laboratory}', level '{level}' stands in {seen[laboratory, level]} and in "
                    f"{name}, expected in one of them. If two laboratories use one code, give each its own; if "
                    "it is one laboratory, leave one of the two out."
                )
            seen[laboratory, level] = name


def split_laboratories(parts: Pairs) -> list[DataFinding]:
    """One code in several parts, at different levels: one laboratory, or two that use one code?"""
    where: dict[Hashable, list[str]] = {}
    for name, pairs in parts:
        for laboratory in sorted({lab for lab, _ in pairs}, key=str):
            where.setdefault(laboratory, []).append(name)
    return [
        DataFinding(
            check="laboratory in several files",
            text=f"The laboratory code '{laboratory}' stands in {' and '.join(names)}, at different levels. It is "
            "taken for one laboratory; if two use one code, give each its own.",
        )
        for laboratory, names in where.items()
        if len(names) > 1
    ]


def files_of_one_code(rows: pd.DataFrame) -> list[DataFinding]:
    """Two files that each hold repeated results of one laboratory and level."""
    if "source_file" not in rows.columns:
        return []
    size = rows.groupby(["laboratory", "level", "source_file"], sort=True).size()
    full = size[size > 1].reset_index()
    found = []
    for laboratory, own in full.groupby("laboratory", sort=True):
        files = [group["source_file"].tolist() for _, group in own.groupby("level", sort=True)]
        several = next((names for names in files if len(names) > 1), None)
        if several:
            found.append(
                DataFinding(
                    check="laboratory code in two files",
                    text=f"The laboratory code '{laboratory}' has repeated results of one level in {listed(several)}, "
                    "expected one file per laboratory. They count as one laboratory; if two use one code, give each "
                    "its own.",
                    file=str(several[0]),
                )
            )
    return found


_PURE = {
    2.0: "C* for μ (a disc brake has C* = 2 μ)",
    10.0: "a slip of the decimal mark",
    100.0: "percent for a fraction",
    1000.0: "thousandths for a fraction",
}
_WITH_UNIT = {
    1.355818: "pound-foot for newton metre",
    9.80665: "kilogram-force for newton, or of a slip of the decimal mark",
    1000.0: "a prefix such as kilo",
}
"""Factors by which a slip in the unit changes a result, and what is behind them."""


def unit_slips(level: LevelCells, unit: str) -> list[DataFinding]:
    """Laboratories whose mean is another's by the factor of a unit; such a finding blocks the verdict.

    The ratio is formed to the median of the other laboratories; their own spread must be too small to explain it.

    unit : of the quantity, empty for a pure number; it decides which slips there can be.
    """
    factors = _WITH_UNIT if unit else _PURE
    found = []
    for index, laboratory in enumerate(level.laboratories):
        others = np.delete(level.mean, index)
        middle = float(np.median(others)) if others.size >= 2 else 0.0
        if middle == 0 or level.mean[index] / middle <= 0 or np.any(others / middle <= 0):
            continue
        spread = float(np.median(np.abs(np.log(others / middle)))) * 1.483
        size = float(level.mean[index]) / middle
        factor = _factor_near(size, spread, list(factors))
        if factor is not None:
            shown = f"{factor:.4g}" if size > 1 else f"1/{factor:.4g}"
            found.append(
                DataFinding(
                    check="level in another unit",
                    text=f"Level '{level.level}': laboratory '{laboratory}' reads {size:.4g} times the middle of the "
                    f"others, about the factor {shown} of {factors[factor]}. Ask the laboratory for its unit, and "
                    "convert or exclude the results with a reason.",
                    blocks=True,
                )
            )
    return found


def _factor_near(ratio: float, spread: float, factors: Sequence[float]) -> float | None:
    """The factor nearest to the ratio or its inverse, if it is near enough for the spread of the others."""
    size = abs(float(np.log(ratio)))
    if size < 6 * spread:
        return None
    nearest = min(factors, key=lambda factor: abs(size - np.log(factor)))
    room = min(max(0.05, 6 * spread), 0.25 * float(np.log(nearest)))
    return nearest if abs(size - np.log(nearest)) <= room else None
