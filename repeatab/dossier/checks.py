"""Checks: published values computed again on this installation, and held against the print.

In: checks, each with its source.  Out: Checked: every value as published and as found, and whether they agree.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from repeatab.base.progress import Progress, silent


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One published value and what was found; `allowed` is the distance that the published digits leave."""

    what: str
    stated: float
    found: float
    allowed: float

    @property
    def gap(self) -> float:
        return abs(self.found - self.stated)

    @property
    def agrees(self) -> bool:
        """Whether the two are as near as the published digits tell; never where one is no number."""
        return self.gap <= self.allowed

    @property
    def relative(self) -> float:
        """The gap as a part of the published value; the gap itself where that is zero."""
        return self.gap / abs(self.stated) if abs(self.stated) > 1e-12 else self.gap


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """Published values of one source.

    key : what quantities refer to. known : how the values are known (read, from memory, computed again). digits :
    to what the values are held, in words. run : finds them.
    """

    key: str
    title: str
    source: str
    known: str
    digits: str
    run: Callable[[], Iterable[Compared]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A check that was carried out; `error` says why it could not be."""

    check: Check
    values: tuple[Compared, ...]
    error: str = ""

    @property
    def agrees(self) -> bool:
        return not self.error and bool(self.values) and all(value.agrees for value in self.values)

    @property
    def agreeing(self) -> int:
        return sum(value.agrees for value in self.values)

    @property
    def largest(self) -> float:
        """The largest relative difference from a published value."""
        return max((value.relative for value in self.values), default=math.nan)


def carry_out(checks: Sequence[Check], *, progress: Progress = silent) -> tuple[Checked, ...]:
    """Find every value of every check on this installation. One that fails is reported, not raised."""
    found = []
    for number, check in enumerate(checks):
        progress("computing published values", number, len(checks))
        found.append(_carried_out(check))
    return tuple(found)


def _carried_out(check: Check) -> Checked:
    try:
        return Checked(check=check, values=tuple(check.run()))
    except Exception as error:  # whatever it is, the dossier of this installation has to say it
        return Checked(check=check, values=(), error=f"{type(error).__name__}: {error}")


def same(what: str, stated: Any, found: Any, *, rel: float = 0.0, near: float = 0.0) -> Compared:
    """A published value held to `rel` of itself, or to `near` in its own unit, whichever is more."""
    value = float(stated)
    return Compared(what=what, stated=value, found=float(found), allowed=max(rel * abs(value), near))


def printed(what: str, stated: Any, found: Any, *, decimals: int, units: float = 0.5) -> Compared:
    """A printed value, held to half a unit of its last decimal unless `units` says more."""
    # A hair more, for values that lie on the edge of rounding as doubles.
    return same(what, stated, found, near=units * 10.0**-decimals * (1 + 1e-9))


def each(what: str, stated: Sequence[Any], found: Iterable[Any], *, rel: float) -> Iterator[Compared]:
    """Lists of values, one by one."""
    for number, (one, other) in enumerate(zip(stated, found, strict=True), start=1):
        yield same(f"{what} {number}", one, other, rel=rel, near=1e-12)


def known_of(case: Mapping[str, Any]) -> str:
    """How an example's values are known, as its file says."""
    return str(case.get("how_known", ""))
