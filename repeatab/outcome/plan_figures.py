"""Figures of a plan: what it would say at each true offset, and what each plan costs and gives."""

from __future__ import annotations

from dataclasses import dataclass

from repeatab.outcome.figure_base import FigureBase


@dataclass(frozen=True, slots=True, kw_only=True)
class ChanceAtOffset:
    """Probabilities of the verdicts at one true offset, given as a share of the margin; the rest is undecided."""

    share: float
    equivalent: float
    different: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictAgainstOffset(FigureBase):
    """Probability of each overall verdict against the true offset, for one plan."""

    rows: tuple[ChanceAtOffset, ...]
    target: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPoint:
    """One plan: its rig hours and what it gives; `best` where no cheaper plan gives as much."""

    label: str
    layout: str
    hours: float
    gain: float
    best: bool
    recommended: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursAgainstGain(FigureBase):
    """What each plan gives against its rig hours; `gain_label` says what is given, `target` what is wanted."""

    rows: tuple[PlanPoint, ...]
    gain_label: str
    target: float | None
