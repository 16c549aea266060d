"""The time before a move out of the ledger, joined to the results of the time after it.

In: run results that hold one phase only, the question, and a ledger.  Out: run results of both phases.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from repeatab.intake.checks.order import read_times
from repeatab.intake.results import Results
from repeatab.jobs.charts.question import RESTARTING
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.wording import enumerated
from repeatab.ledger.chain import canonical
from repeatab.ledger.history import events_of
from repeatab.ledger.reference import base_period, reference_visits
from repeatab.ledger.store import Ledger
from repeatab.outcome.outcome import FROM_LEDGER, InputFile

if TYPE_CHECKING:
    import pandas as pd

_PHASE, _TIME, _VISIT, _LOT, _SECTION = "phase", "time", "visit", "pad_lot", "section"
_BOOKKEEPING = ("source_file", "source_row", "stops")


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseDays:
    """First and last day of the base period as the study states them; None: found from results and events."""

    since: str | None = None
    until: str | None = None


def lacks_base(results: Results, question: Requalification) -> bool:
    """Whether the results hold nothing of the time before."""
    return question.before not in results.levels(_PHASE)


def with_base(ledger: Ledger, results: Results, question: Requalification, days: BaseDays) -> Results:
    """The results of the time after with the reference results of the time before, from the ledger.

    Unless the study states its days, the base period ends before the move (or before the first result after it) and
    begins after the last relocation, rebuild or recalibration of one of these rigs before that. Only the reference
    lots that the results name take part. Labels that the ledger does not keep (operator, disc, …) take no part.

    Raises
    ------
    LedgerError
        The ledger holds no reference results of this time.
    """
    after = results.to_frame()
    rigs = [str(rig) for rig in (question.moved_rig, *question.control_rigs)]
    if question.sister_rig is not None and str(question.sister_rig) not in rigs:
        rigs.append(str(question.sister_rig))
    since, until = _span(ledger, after, question, rigs, results.quantity.key)
    if days.until is not None or days.since is not None:
        since, until = days.since, days.until or until
    lots = [str(lot) for lot in results.levels(_LOT)] if _LOT in results.factors else []
    base = base_period(
        ledger, quantity=results.quantity.key, rigs=rigs, since=since, until=until, references=lots,
        sections=[section.name for section in question.sections], phase=str(question.before),
    )  # fmt: skip
    return _joined(results, after, base, rigs, since, until)


def _joined(
    results: Results,
    after: pd.DataFrame,
    base: pd.DataFrame,
    rigs: list[str],
    since: str | None,
    until: str | None,
) -> Results:
    import pandas as pd

    if _VISIT in base.columns and _VISIT not in after.columns:
        # All that is known of the time after: its runs were one visit.
        after = after.assign(visit=after[_PHASE].astype(str))
    kept = [name for name in after.columns if name in base.columns]
    gone = [name for name in (*results.factors, *results.covariates) if name not in base.columns]
    for name in kept:
        if name != "result":
            after[name] = after[name].astype(str).where(after[name].notna(), None)
    frame = pd.concat([base[kept], after[kept]], ignore_index=True)
    span = f"{f'{since} ' if since else ''}to {until}" if until else f"{since or 'its beginning'} on"
    said = [
        f"the time before is from the ledger: {len(base)} reference results of {enumerated(rigs)}, {span}"
    ]
    if gone:
        said.append(f"not kept in the ledger and left out on both sides: {enumerated(gone)}")
    return replace(
        results,
        frame=frame,
        factors=tuple(name for name in kept if name not in ("result", *_BOOKKEEPING)),
        covariates=(),
        inputs=(*results.inputs, _fingerprint(base)),
        detected=(*results.detected, *said),
    )


def _span(
    ledger: Ledger, after: pd.DataFrame, question: Requalification, rigs: list[str], quantity: str
) -> tuple[str | None, str | None]:
    """First and last day of the base period, from the first result after the move and the events of the rigs.

    The move is the moved rig's last event of such a kind before the first result after it, if no reference result of
    the rig lies between the two; else the move is not recorded, and the base period reaches up to that result.
    """
    first = _first_day(after)
    if first is None:
        return None, None
    until = _shifted(first, -1)
    events = [event for event in events_of(ledger, until=until) if event.kind in RESTARTING]
    own = [event.day for event in events if event.concerns(str(question.moved_rig))]
    if own and not len(
        reference_visits(
            ledger, quantity=quantity, rigs=[str(question.moved_rig)], since=own[-1], until=until
        )
    ):
        until = _shifted(own[-1], -1)
    before = [
        event.day for event in events if event.day <= until and any(event.concerns(rig) for rig in rigs)
    ]
    return (_shifted(before[-1], 1) if before else None), until


def _first_day(after: pd.DataFrame) -> str | None:
    """The day of the first result; None where the results have no times that can be read."""
    times = read_times(after[_TIME]) if _TIME in after.columns else None
    if times is None or not hasattr(times.min(), "strftime"):
        return None
    return str(times.min().strftime("%Y-%m-%d"))


def _shifted(day: str, days: int) -> str:
    return (date.fromisoformat(day) + timedelta(days=days)).isoformat()


def _fingerprint(base: pd.DataFrame) -> InputFile:
    rows = base.astype(object).where(base.notna(), None).to_numpy().tolist()
    digest = hashlib.sha256(canonical([list(base.columns), rows]).encode("ascii")).hexdigest()
    return InputFile(name=FROM_LEDGER, sha256=digest, rows=len(base))
