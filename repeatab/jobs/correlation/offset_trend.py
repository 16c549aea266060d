"""Offsets in the order of their days, and the test whether they move.

In: the comparison of this month and the offsets of the months before.  Out: one Series per section and pair.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.base.quantity import Quantity
from repeatab.interlab.drift import Drift, drift
from repeatab.jobs.correlation.past_offsets import PastOffset, PastOffsets
from repeatab.jobs.levels.comparison import Claim, LevelComparison
from repeatab.jobs.levels.tables import finite, shown_as, verdict_words
from repeatab.judgement.comparison import holm_levels

_DAYS_OF_A_YEAR = 365.25
_LEAST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """The offsets of one section and pair over the months, this month last; `trend` per year, None if untested."""

    claim: Claim
    unit: str
    months: tuple[PastOffset, ...]
    trend: Drift | None = None
    alpha: float = math.nan

    @property
    def moved(self) -> bool:
        """Whether the trend is shown at its adjusted error rate."""
        return self.trend is not None and self.trend.p_value < self.alpha


def series_of(comparison: LevelComparison, past: PastOffsets, quantity: Quantity) -> list[Series]:
    """The months of every section and pair that could be compared, each tested for a trend."""
    return _tested(_series(comparison, past, quantity), comparison.confidence)


def series_name(one: Series, shown: Sequence[Series]) -> str:
    """The section, and the pair where there are several."""
    several = len({other.claim.pair.name for other in shown}) > 1
    return f"{one.claim.section.name}, {one.claim.pair.name}" if several else one.claim.section.name


def _series(comparison: LevelComparison, past: PastOffsets, quantity: Quantity) -> list[Series]:
    before: dict[tuple[str, str, str], list[PastOffset]] = {}
    for month in sorted(past.offsets, key=lambda month: (month.as_of, month.record)):
        before.setdefault((month.pair, month.section, month.unit), []).append(month)
    found = []
    for claim in comparison.compared:
        shown = shown_as(claim, comparison.analysis, quantity)
        unit = shown.unit or quantity.symbol
        now = PastOffset(
            as_of=past.as_of, pair=claim.pair.name, section=claim.section.name, offset=shown.value(claim.estimate),
            lower=finite(shown.value(claim.inner_lower)), upper=finite(shown.value(claim.inner_upper)), unit=unit,
            verdict=verdict_words(claim), record=0,
        )  # fmt: skip
        earlier = before.get((claim.pair.name, claim.section.name, unit), [])
        found.append(Series(claim=claim, unit=unit, months=(*earlier, now)))
    return found


def _tested(series: Sequence[Series], confidence: float) -> list[Series]:
    """Each section's trend, its claim adjusted over all that are tested (Holm)."""
    trends = [_trend(one.months, confidence) for one in series]
    p = np.array([trend.p_value for trend in trends if trend is not None])
    levels = iter(holm_levels(p, 1 - confidence)) if len(p) else iter(())
    found = []
    for one, trend in zip(series, trends, strict=True):
        alpha = math.nan if trend is None else float(next(levels))
        adjusted = None if trend is None else _trend(one.months, 1 - alpha)
        found.append(Series(claim=one.claim, unit=one.unit, months=one.months, trend=adjusted, alpha=alpha))
    return found


def _trend(months: Sequence[PastOffset], level: float) -> Drift | None:
    """Least-squares slope per year; None with fewer than three months or none apart in time."""
    if len(months) < _LEAST or len({month.as_of for month in months}) < _LEAST:
        return None
    years = [date.fromisoformat(month.as_of).toordinal() / _DAYS_OF_A_YEAR for month in months]
    try:
        return drift(years, [month.offset for month in months], confidence=level)
    except EstimationError:
        return None
