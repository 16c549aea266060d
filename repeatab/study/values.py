"""Values that a study file writes as text: margins, statistics, dates.

In: what stands behind a key.  Out: the value as a type.  Messages name no key: the caller knows it.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any

from pydantic import PlainValidator

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.intake.statistics import LastStops, Mean, MeanOverConditions, Minimum, Statistic

_PERCENT = re.compile(r"(?:±|\+/-)?\s*(\d+(?:\.\d+)?)\s*%")
_LAST = re.compile(r"last (?:(\d+) )?stops?")
_MARGIN_FORMS = 'Write "5 %" (of the reference) or 0.02 (in the unit of the result, without quotes)'
_STATISTIC_FORMS = (
    '"mean", "minimum", "last stop", "last 3 stops" or { mean_over_conditions = ["20 bar", "40 bar"] }'
)


def margin_from(value: Any) -> Margin:
    """A margin from "5 %" or 0.02.

    Raises
    ------
    StudyError
    """
    if isinstance(value, int) and abs(value) > 10**300:
        raise StudyError(f"found a number of {len(str(value))} digits, expected a margin. {_MARGIN_FORMS}.")
    if isinstance(value, int | float) and not isinstance(value, bool):
        return Margin(size=float(value), unit=MarginUnit.ABSOLUTE)
    if not isinstance(value, str):
        raise StudyError(f"found {in_words(value)}, expected a margin. {_MARGIN_FORMS}.")
    match = _PERCENT.fullmatch(value.strip())
    if match:
        return Margin(size=float(match[1]), unit=MarginUnit.PERCENT)
    point = " Numbers take a decimal point, not a comma." if re.search(r"\d,\d", value) else ""
    raise StudyError(f"found '{value}', expected a margin.{point} {_MARGIN_FORMS}.")


def statistic_from(value: Any) -> Statistic:
    """The statistic by which the stops of a run become one number.

    Raises
    ------
    StudyError
    """
    if isinstance(value, dict) and set(value) == {"mean_over_conditions"}:
        conditions = value["mean_over_conditions"]
        if isinstance(conditions, list) and all(isinstance(name, str | int) for name in conditions):
            return MeanOverConditions(tuple(str(name) for name in conditions))
    if isinstance(value, str):
        words = " ".join(value.lower().split())
        if words in ("mean", "minimum"):
            return Mean() if words == "mean" else Minimum()
        if match := _LAST.fullmatch(words):
            return LastStops(int(match[1] or 1))
    raise StudyError(f"found {in_words(value)}, expected one of {_STATISTIC_FORMS}.")


def date_from(value: Any) -> str:
    """A calendar date as its ISO text.

    Raises
    ------
    StudyError
    """
    try:
        return date.fromisoformat(value).isoformat()
    except (TypeError, ValueError):
        raise StudyError(
            f"found {in_words(value)}, expected a date such as 2026-03-31 (year-month-day)."
        ) from None


def in_words(value: Any) -> str:
    """What was found, as a message shows it."""
    match value:
        case bool():
            return f"{str(value).lower()} (true or false)"
        case int() | float():
            return f"{value} (a number)"
        case str():
            return f"'{value[:60]}' (text)"
        case list():
            return "a list"
        case dict():
            return "a table"
        case _:
            return "nothing" if value is None else str(value)[:60]


MarginText = Annotated[Margin, PlainValidator(margin_from)]
StatisticText = Annotated[Statistic, PlainValidator(statistic_from)]
DateText = Annotated[str, PlainValidator(date_from)]
