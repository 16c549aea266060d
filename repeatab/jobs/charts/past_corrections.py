"""What limits took out of the means when they were recorded: the wear of a set, the steps between references.

In: what was estimated then.  Out: RecordedWear and RecordedStep, as the ledger keeps them, and steps by references.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum


class ToldBy(Enum):
    """What tells wear from drift; the value is the words of the report."""

    AGES = "sets of overlapping ages at the same visits"
    RIGS = "the wear seen on the other rigs"
    NOTHING = "nothing in this design"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedWear:
    """Wear as it was when limits were recorded: change per run, standard error, its degrees of freedom.

    All None where it could not be told from drift, and nothing was taken out.  base_age: mean age over the base period,
    from which the uncertainty of the correction grows.
    """

    told_by: ToldBy
    per_run: float | None
    se: float | None
    df: float | None
    base_age: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedStep:
    """The step from one reference to a later one, and its standard error, as limits were moved by it."""

    earlier: str
    later: str
    value: float
    se: float


Crossed = tuple[float, float]
"""Step and standard error, from the reference of lower to that of higher rank."""


def recorded_steps(
    steps: Sequence[RecordedStep], sources: Sequence[str]
) -> Mapping[tuple[int, int], Crossed]:
    """Steps by the ranks of their references in these results; a pair whose order has turned has its step turned."""
    rank = {name: i for i, name in enumerate(sources)}
    found: dict[tuple[int, int], Crossed] = {}
    for one in steps:
        if one.earlier in rank and one.later in rank:
            a, b = rank[one.earlier], rank[one.later]
            found[min(a, b), max(a, b)] = (one.value if a < b else -one.value, one.se)
    return found
