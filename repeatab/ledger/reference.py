"""Reference results of the past, as values for charts, requalification and the page of all rigs.

In: a ledger, and which rigs, sections and days are wanted.  Out: frozen columns, or a table with the columns that
every job takes. Superseded and withdrawn batches are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from repeatab.ledger.faults import LedgerError
from repeatab.ledger.records import Kind
from repeatab.ledger.schema import RECORDS, REFERENCE, VISITS
from repeatab.ledger.store import LATER, Ledger

if TYPE_CHECKING:
    import pandas as pd

_SUPERSEDED = sa.select(LATER.c.supersedes).where(LATER.c.supersedes.is_not(None))

# The roles of intake under which jobs know these columns; `reference` is the lot that the pads come from.
ROLES = {
    "rig": "rig", "section": "section", "visit": "visit", "time": "day", "pad_lot": "reference",
    "pad_set": "pad_set", "run": "run", "result": "value",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceVisits:
    """Reference results by visit: parallel columns, one entry per rig, section, reference lot and visit.

    Ordered by rig, section, day and visit. `day` is the first day of the visit, "" where none is recorded;
    `centred_ss` is the sum of squares about `mean`, in the unit of `quantity`, squared.
    """

    quantity: str
    rig: tuple[str, ...]
    section: tuple[str, ...]
    visit: tuple[str, ...]
    reference: tuple[str | None, ...]
    day: tuple[str, ...]
    count: tuple[int, ...]
    mean: tuple[float, ...]
    centred_ss: tuple[float, ...]

    def __len__(self) -> int:
        return len(self.rig)

    def to_frame(self) -> pd.DataFrame:
        """One row per visit."""
        import pandas as pd

        names = ("rig", "section", "visit", "reference", "day", "count", "mean", "centred_ss")
        return pd.DataFrame({name: list(getattr(self, name)) for name in names})


def reference_visits(
    ledger: Ledger,
    *,
    quantity: str = "friction",
    rigs: Sequence[str] = (),
    sections: Sequence[str] = (),
    since: str | None = None,
    until: str | None = None,
) -> ReferenceVisits:
    """Count, mean and centred squares by visit, for charts and for the page of all rigs.

    Results of one visit that were recorded in several batches are merged (Chan, Golub & LeVeque 1983).

    Parameters
    ----------
    since, until : first and last day that is wanted; visits without a day are left out if either is given.
    """
    columns = [
        VISITS.c.rig, VISITS.c.section, sa.func.coalesce(VISITS.c.day, ""), VISITS.c.visit,
        sa.func.coalesce(VISITS.c.reference, ""), VISITS.c.count, VISITS.c.mean, VISITS.c.centred_ss,
    ]  # fmt: skip
    query = sa.select(*columns).where(
        VISITS.c.record.in_(current_batches(quantity)), *_wanted(VISITS, rigs, sections, since, until)
    )
    with ledger.database.reading() as connection:
        # The driver's plain tuples: a quarter of a million row objects cost the collector of garbage a second.
        cursor = connection.execute(query).cursor
        rows: list[Any] = [] if cursor is None else list(cursor.fetchall())
    rows = _each_visit_once(rows)
    rows.sort(key=_ORDER)
    rig, section, day, visit, reference, count, mean, squares = zip(*rows, strict=True) if rows else ((),) * 8
    return ReferenceVisits(
        quantity=quantity, rig=rig, section=section, visit=visit, day=day, count=count, mean=mean,
        centred_ss=squares, reference=tuple(lot or None for lot in reference),
    )  # fmt: skip


_ORDER = itemgetter(0, 1, 2, 3, 4)
_VISIT = itemgetter(0, 1, 3, 4)
"""Rig, section, visit and reference of a row, after which visits are told apart."""


def _each_visit_once(rows: list[Any]) -> list[Any]:
    """Rows of one visit that came in several batches, merged."""
    if len(set(map(_VISIT, rows))) == len(rows):
        return rows
    merged: dict[Any, Any] = {}
    for row in rows:
        key = _VISIT(row)
        merged[key] = _merged(merged[key], row) if key in merged else row
    return list(merged.values())


def _merged(first: Any, second: Any) -> tuple[Any, ...]:
    n, m = first[5], second[5]
    step = second[6] - first[6]
    day = min((day for day in (first[2], second[2]) if day), default="")
    mean = first[6] + step * m / (n + m)
    squares = first[7] + second[7] + step * step * n * m / (n + m)
    return (*first[:2], day, *first[3:5], n + m, mean, squares)


def base_period(
    ledger: Ledger,
    *,
    quantity: str = "friction",
    rigs: Sequence[str] = (),
    sections: Sequence[str] = (),
    since: str | None = None,
    until: str | None = None,
    references: Sequence[str] = (),
    phase: str | None = None,
) -> pd.DataFrame:
    """The single reference results of a period, as a table that every job takes.

    Parameters
    ----------
    references : the reference lots wanted; all if none is named. since, until : first and last day.
    phase : if given, a column `phase` with this label, as a requalification tells before from after.

    Returns
    -------
    DataFrame with the columns rig, section, visit, time, pad_lot, pad_set, run and result; a column of which
    nothing is recorded is left out, except result.

    Raises
    ------
    LedgerError
        No result fits; the message says what the ledger holds.
    """
    import pandas as pd

    conditions = [
        REFERENCE.c.record.in_(current_batches(quantity)), *_wanted(REFERENCE, rigs, sections, since, until)
    ]  # fmt: skip
    if references:
        conditions.append(REFERENCE.c.reference.in_(list(references)))
    columns = [REFERENCE.c[column].label(role) for role, column in ROLES.items()]
    query = sa.select(*columns).where(*conditions).order_by(REFERENCE.c.record, REFERENCE.c.place)
    with ledger.database.reading() as connection:
        rows = [tuple(row) for row in connection.execute(query)]
    if not rows:
        raise LedgerError.no_reference(
            ledger.address.shown, quantity, list(rigs), list(sections), since, until
        )
    frame = pd.DataFrame(rows, columns=list(ROLES))
    frame = frame.loc[:, frame.notna().any()]
    return frame if phase is None else frame.assign(phase=phase)


def current_batches(quantity: str) -> sa.Select[Any]:
    """The numbers of the batches of a quantity that are neither superseded nor withdrawn."""
    return sa.select(RECORDS.c.number).where(
        RECORDS.c.kind == Kind.REFERENCE.value,
        RECORDS.c.topic == quantity,
        RECORDS.c.number.not_in(_SUPERSEDED),
    )


def _wanted(
    table: sa.Table, rigs: Sequence[str], sections: Sequence[str], since: str | None, until: str | None
) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    if rigs:
        found.append(table.c.rig.in_(list(rigs)))
    if sections:
        found.append(table.c.section.in_(list(sections)))
    if since is not None:
        found.append(table.c.day >= since)
    if until is not None:
        found.append(table.c.day <= until)
    return found
