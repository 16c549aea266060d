"""Verdicts: the answer to the lab's question in one word, with the sentence that defends it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Verdict(Enum):
    """The possible answers of every job; the value is the word on the page."""

    EQUIVALENT = "equivalent"
    DIFFERENT = "different"
    UNDECIDED = "undecided"
    ACCEPTABLE = "acceptable"
    CONDITIONAL = "conditional"
    NOT_ACCEPTABLE = "not acceptable"
    RETURN_TO_SERVICE = "return to service"
    HOLD = "hold"
    IN_CONTROL = "in control"
    SIGNAL = "signal"
    WARNING_SIGNAL = "warning signal"
    ACTION_SIGNAL = "action signal"
    CONFORMS = "conforms"
    DOES_NOT_CONFORM = "does not conform"
    DESCRIBED = "described"


class Qualifier(Enum):
    """What stands behind the word: how far the claim reaches."""

    NONE = ""
    TOO_SMALL_TO_MATTER = "detectable, too small to matter"
    IT_MATTERS = "and it matters"
    MARGIN_OPEN = "whether it exceeds the margin is open"
    CONFOUNDED = "mixed with another effect"
    BETWEEN_LOOKS = "between declared looks"
    UPPER_BOUND = "an upper bound"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A verdict on one subject (a section, a ratio, the whole study) and the reason for it in plain words.

    `decides` is False for a section that only informs.
    """

    subject: str
    verdict: Verdict
    reason: str
    qualifier: Qualifier = Qualifier.NONE
    decides: bool = True

    def __str__(self) -> str:
        tail = f", {self.qualifier.value}" if self.qualifier.value else ""
        return f"{self.subject}: {self.verdict.value}{tail}. {self.reason}"
