"""The page of one participant of a round robin: what may be sent to it, under codes.

Everything here is free of the other participants' names; only `laboratory` names the one the page is for, and
it stands in the organiser's report alone.
"""

from __future__ import annotations

from dataclasses import dataclass

from repeatab.outcome.figures import Figure
from repeatab.outcome.tables import Table
from repeatab.outcome.verdict import Judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class Participant:
    """A participant's code, its answers level by level, and the tables and figures in which it is highlighted."""

    code: str
    laboratory: str
    headline: Judgement
    judgements: tuple[Judgement, ...]
    evidence: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    tables: tuple[Table, ...]
    figures: tuple[Figure, ...]
