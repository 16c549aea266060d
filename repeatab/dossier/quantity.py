"""A quantity that reports print: definition, source, the checks that hold it, the rates that were simulated.

In: sentences, keys of checks, columns of dated tables.  Out: QuantityEntry and RateUse, and what several entries share.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RateUse:
    """Where a quantity's rate stands: a sheet, a column of it, and the rows that hold `where` as a cell.

    says : what the rate is of. promise : what the method promises. Without a column the sheet is named as a whole.
    """

    sheet: str
    says: str
    column: str = ""
    promise: str = ""
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityEntry:
    """One quantity, or a family of them. jobs : the reports that print it. checks : keys of checks."""

    name: str
    definition: str
    source: str
    jobs: tuple[str, ...]
    checks: tuple[str, ...] = ()
    rates: tuple[RateUse, ...] = ()


GAUGE, CHECK, MOVED, LOTS = "gauge study", "correlation check", "requalification", "lot comparison"
ROUND, CHART, PLAN = "round robin", "control chart", "plan"
COMPARISONS = (CHECK, MOVED, LOTS)


def covers(where: str, sheet: str = "interval_grid") -> RateUse:
    """The rate at which 95 % intervals hold the true value."""
    return RateUse(
        sheet=sheet, column="covers, %", where=where, says="95 % intervals that hold the true value",
        promise="at least 94 %",
    )  # fmt: skip


UNEVEN = RateUse(sheet="not_normal", says="how far the promises hold where results are not normal")
DRIFT = RateUse(sheet="visit_drift", says="what drift from visit to visit does to a correlation check")
