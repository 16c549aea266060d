"""The statistics by which the stops of one run and section become one number.

In: nothing.  Out: the types; condense.py applies them.
"""

from __future__ import annotations

from dataclasses import dataclass

from repeatab.base.errors import InputError


@dataclass(frozen=True, slots=True)
class Mean:
    """The mean of all stops of the section."""

    def __str__(self) -> str:
        return "mean of all stops"


@dataclass(frozen=True, slots=True)
class Minimum:
    """The lowest stop of the section, as fade is often stated."""

    def __str__(self) -> str:
        return "lowest stop"


@dataclass(frozen=True, slots=True)
class LastStops:
    """The mean of the last `count` stops of the section; a run with fewer stops gives no result."""

    count: int

    def __post_init__(self) -> None:
        if self.count < 1:
            raise InputError(f"last stops: found {self.count}, expected a number of stops from 1.")

    def __str__(self) -> str:
        return "last stop" if self.count == 1 else f"mean of the last {self.count} stops"


@dataclass(frozen=True, slots=True)
class MeanOverConditions:
    """The mean over the stated conditions, each weighing the same; every condition must be present."""

    conditions: tuple[str, ...]

    def __post_init__(self) -> None:
        if not self.conditions:
            raise InputError("mean over conditions: no condition is named; say which have to be present.")
        if len(set(self.conditions)) < len(self.conditions):
            raise InputError("mean over conditions: a condition is named twice; name each once.")

    def __str__(self) -> str:
        return f"mean over the conditions {', '.join(self.conditions)}"


Statistic = Mean | Minimum | LastStops | MeanOverConditions
