"""What earlier months left behind for a correlation check: offsets, corrections in use, events. Values only.

In: what a history holds, as plain values.  Out: PastOffsets, which the job takes; no ledger, no files.
"""

from __future__ import annotations

from dataclasses import dataclass

from repeatab.intake.events import Event


@dataclass(frozen=True, slots=True, kw_only=True)
class PastOffset:
    """The offset of one section that an earlier check found, with its own interval.

    pair : "R2 against R1". unit : "%" or the unit (or symbol) of the result; only equal units are set side by side.
    as_of : the day the check stood for. record : its number in the ledger.
    """

    as_of: str
    pair: str
    section: str
    offset: float
    lower: float | None
    upper: float | None
    unit: str
    verdict: str
    record: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PastCorrection:
    """A correction that was put into use and neither superseded nor withdrawn since.

    form : "offset" (subtracted from the result) or "gain" (divides it). uncertainty : standard uncertainty.
    """

    pair: str
    section: str
    form: str
    value: float
    uncertainty: float
    unit: str
    valid_from: str
    expires: str
    record: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PastOffsets:
    """Everything an earlier month left behind, before the day `as_of` of this check."""

    as_of: str
    offsets: tuple[PastOffset, ...] = ()
    corrections: tuple[PastCorrection, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def records(self) -> tuple[int, ...]:
        """The numbers of the records that offsets and corrections are from."""
        return (*(one.record for one in self.offsets), *(one.record for one in self.corrections))
