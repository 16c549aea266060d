"""Recording the outcome of a study: a rerun of the same study supersedes what it found before.

In: an Outcome, who and when.  Out: its Record.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from repeatab.base.notes import Note, NoteKind
from repeatab.jobs.charts.past_corrections import RecordedStep, RecordedWear, ToldBy
from repeatab.jobs.charts.question import BaseOfLimits, Plotted, StatedLimits
from repeatab.jobs.questions import Analysis
from repeatab.ledger.history import limits_key, limits_with_records, stated_limits
from repeatab.ledger.records import Entry, Kind, Record, Stamp, of_limits, of_outcome
from repeatab.ledger.store import Ledger
from repeatab.outcome.outcome import Outcome

_FILE = "study file"


def record_outcome(ledger: Ledger, outcome: Outcome, stamp: Stamp) -> Record:
    """Record an outcome, and with that of a control study the limits it found.

    An earlier outcome of the same study (job, subject, day it stands for, name of the study file) is superseded, so
    that a month counts once however often its study is run.

    Raises
    ------
    LedgerError
    """
    earlier = earlier_outcome(ledger, outcome)
    entry = of_outcome(outcome, supersedes=None if earlier is None else earlier.number)
    return ledger.append_all([entry, *_new_limits(ledger, outcome)], stamp)[0]


def _new_limits(ledger: Ledger, outcome: Outcome) -> list[Entry]:
    """The limits that a control study froze, where they are not those in force already.

    Limits of the same day and base period that an earlier run of the study recorded are superseded.
    """
    day = outcome.provenance.as_of
    if outcome.job != "control_chart" or day is None:
        return []
    known = set(stated_limits(ledger, as_of=day))
    same_day = {
        limits_key(limits): record.number
        for record, limits in limits_with_records(ledger)
        if record.as_of == day
    }
    quantity = dict(outcome.provenance.settings).get("results.quantity", "")
    return [
        of_limits(one, as_of=day, inputs=outcome.provenance.inputs, supersedes=same_day.get(limits_key(one)))
        for row in _rows_of(outcome, "frozen_limits")
        if (one := _frozen(row, quantity)) not in known
    ]


def _rows_of(outcome: Outcome, key: str) -> Iterator[dict[str, Any]]:
    for table in outcome.tables:
        if table.key == key:
            names = [column.key for column in table.columns]
            for row in table.rows:
                yield dict(zip(names, row, strict=True))


def _frozen(row: dict[str, Any], quantity: str) -> StatedLimits:
    """Limits as the job's table of frozen limits holds them; the keys of its columns are the names here.

    A column that would be empty in every row is not there.
    """
    base = BaseOfLimits(
        first=row["first"], last=row["last"], form=Plotted(row["form"]), runs=row["runs"], df=row.get("df"),
        centre_variance=row["centre_variance"], left_out=tuple(json.loads(row.get("left_out") or "[]")),
        within_df=row.get("within_df"), between_sd=row.get("between_sd"), ratio_of_means=row.get("ratio_of_means"),
        carry=row.get("carry"), quantity=quantity, analysis=Analysis(row["analysis"]), wear=_frozen_wear(row),
        steps=tuple(
            RecordedStep(earlier=earlier, later=later, value=value, se=se)
            for earlier, later, value, se in json.loads(row.get("steps") or "[]")
        ),
    )  # fmt: skip
    return StatedLimits(
        rig=row["rig"], section=row["section"], centre=row["centre"], sd=row["sd"], base=row["base"],
        within_sd=row.get("within_sd"), reference=row.get("reference"), rests_on=base,
    )  # fmt: skip


def _frozen_wear(row: dict[str, Any]) -> RecordedWear | None:
    if row.get("wear_told_by") is None:
        return None
    return RecordedWear(
        told_by=ToldBy(row["wear_told_by"]), per_run=row.get("wear_per_run"), se=row.get("wear_se"),
        df=row.get("wear_df"), base_age=row["wear_base_age"],
    )  # fmt: skip


def earlier_outcome(ledger: Ledger, outcome: Outcome) -> Record | None:
    """The record of the same study, if it was run before."""
    made = outcome.provenance
    name = dict(made.settings).get(_FILE)
    for record in reversed(
        ledger.records(kinds=[Kind.OUTCOME], topic=outcome.job, current=True, bodies=False)
    ):
        if (record.subject, record.as_of) != (outcome.headline.subject, made.as_of):
            continue
        if dict(ledger.body(ledger.record(record.number))["settings"]).get(_FILE) == name:
            return record
    return None


def looked_before(ledger: Ledger, outcome: Outcome, *, looks_declared: bool) -> Note | None:
    """A caution where the same study was judged before on other data, and no looks were declared for it.

    Charts are made to be looked at again and again: their false alarms are counted by the visit.
    """
    if outcome.job == "control_chart":
        return None
    earlier = earlier_outcome(ledger, outcome)
    if earlier is None or looks_declared:
        return None
    before = {file["name"]: file["sha256"] for file in ledger.body(ledger.record(earlier.number))["inputs"]}
    now = {file.name: file.sha256 for file in outcome.provenance.inputs}
    if before == now:
        return None
    return Note(
        kind=NoteKind.CAUTION,
        text=f"This study was judged before, on other data (record {earlier.number}, {earlier.at[:10]}). Adding "
        "results and judging again raises the rate of wrong verdicts: the stated confidence no longer holds.",
        remedy="Declare the looks in the study file before the first one.",
    )
