"""What an analysis noticed, as data, so that the page, the JSON and the tests all see the same thing."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class NoteKind(Enum):
    """What a note is about; the value is the stable key in result.json."""

    MIXED_TOGETHER = "mixed together"
    ZERO_COMPONENT = "component estimated at zero"
    UPPER_BOUND = "upper bound only"
    FEW_LEVELS = "few levels"
    METHOD = "method"
    INTERVAL = "interval"
    ASSUMPTION = "assumption"
    WEAR = "wear"
    UNEQUAL_SCATTER = "unequal scatter"
    WRONG_UNIT = "wrong unit of replication"
    EXCLUDED = "excluded"
    INPUT = "input"
    CONDITION = "condition"
    CAUTION = "caution"


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One observation: the sources it concerns, what was seen, and what would mend it."""

    kind: NoteKind
    text: str
    sources: tuple[str, ...] = ()
    remedy: str = ""

    def __str__(self) -> str:
        return f"{self.text} {self.remedy}".strip()
