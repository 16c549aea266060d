"""Leaving results out of a base period, one at a time, with a record of each.

In: what judges each kept result.  Out: which are kept, and the log of those that are not.

A result beyond the limits is a reason to look for a cause; the log is there so that somebody does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from repeatab.control.arrays import BoolArray, FloatArray

# Leaving out more than this share of a base period means that there was no stable base period.
MOST_REMOVED = 1 / 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Removed:
    """One base result (or subgroup) left out: its index, what was judged, and the limits that it exceeded."""

    index: int
    value: float
    lower: float
    upper: float
    round: int
    judged: str = "result"


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """The base period after screening.

    stopped: results still lay outside when a third had been removed; the base period was not stable.
    """

    kept: BoolArray
    removed: tuple[Removed, ...]
    stopped: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What each base result is judged by: (n,) values with lower and upper limits, and what the value is."""

    values: FloatArray
    lower: FloatArray
    upper: FloatArray
    what: str = "result"


def screen(count: int, judge: Callable[[BoolArray], tuple[Judged, ...]], *, least: int) -> Screening:
    """Remove the result that exceeds its limits most, work the limits out anew, and so on until none does.

    Parameters
    ----------
    count : results in the base period.
    judge : from (count,) kept flags to the judgements, of which the first that finds one outside decides.
    least : results that must stay.

    References
    ----------
    ISO 7870-2:2013 (revision of limits after the removal of points with an assignable cause; from memory).
    """
    kept = np.ones(count, dtype=np.bool_)
    removed: list[Removed] = []
    while (worst := _worst(judge(kept), kept, len(removed) + 1)) is not None:
        if kept.sum() - 1 < least or len(removed) + 1 > MOST_REMOVED * count:
            return Screening(kept=kept, removed=tuple(removed), stopped=True)
        kept = kept.copy()
        kept[worst.index] = False
        removed.append(worst)
    return Screening(kept=kept, removed=tuple(removed), stopped=False)


def _worst(judgements: tuple[Judged, ...], kept: BoolArray, round_number: int) -> Removed | None:
    for judged in judgements:
        index = np.flatnonzero(kept)
        value, lower, upper = judged.values[index], judged.lower[index], judged.upper[index]
        excess = np.maximum(value - upper, lower - value) / (upper - lower)
        i = int(np.argmax(excess))
        if excess[i] > 0:
            return Removed(
                index=int(index[i]),
                value=float(value[i]),
                lower=float(lower[i]),
                upper=float(upper[i]),
                round=round_number,
                judged=judged.what,
            )
    return None
