"""The corrections that a recorded correlation check offers, put into use by the laboratory's decision.

In: the number of an outcome's record.  Out: one Correction per section, ready to be recorded.
"""

from __future__ import annotations

from typing import Any

from repeatab.base.errors import InputError
from repeatab.jobs.correlation.correction import Form
from repeatab.ledger.history import table_rows
from repeatab.ledger.records import Correction, CorrectionForm, Kind
from repeatab.ledger.store import Ledger

_TABLE = "correction"
_BETWEEN = " against "


def offered_corrections(ledger: Ledger, number: int) -> tuple[Correction, ...]:
    """The corrections that the outcome in record `number` offers, valid from the day it stands for.

    Raises
    ------
    InputError
        The record is no outcome of a correlation check of one pair of rigs with a day, or it offers no correction.
    LedgerError
        There is no such record.
    """
    record = ledger.record(number)
    content = ledger.body(record)["content"]
    rig, between, reference = record.subject.partition(_BETWEEN)
    if record.kind is not Kind.OUTCOME or record.topic != "correlation_check" or not between:
        raise InputError(
            f"record {number}: is {record.kind.value} ({record.topic}), expected a correlation check."
        )
    if record.superseded_by is not None:
        raise InputError(f"record {number}: is superseded by record {record.superseded_by}; take that one.")
    rows = [row for row in table_rows(content, _TABLE) if row.get("size") is not None and row.get("expires")]
    if not rows or _BETWEEN in reference or record.as_of is None:
        raise InputError(
            f"record {number}: offers no correction that can be taken over (fit for correction, one pair of rigs, with "
            "as_of and a day on which it expires). State one with: repeatab history correction"
        )
    form, unit = _form(content)
    return tuple(
        Correction(
            rig=rig, reference_rig=reference, section=str(row["section"]), form=form, value=float(row["size"]),
            uncertainty=float(row["uncertainty"]), unit=unit, valid_from=record.as_of, expires=str(row["expires"]),
            reason=f"offered by record {number}",
        )
        for row in rows
    )  # fmt: skip


def _form(content: dict[str, Any]) -> tuple[CorrectionForm, str]:
    """Form and unit stand in the heading of the column."""
    table = next(table for table in content["tables"] if table["key"] == _TABLE)
    column = next(column for column in table["columns"] if column["key"] == "size")
    forms = {Form.OFFSET.value: CorrectionForm.OFFSET, Form.GAIN.value: CorrectionForm.GAIN}
    return forms[column["caption"]], str(column["unit"])
