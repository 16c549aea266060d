"""Run rules: what pattern of plotted points is a signal, as values that say themselves in words.

In: counts and distances in standard deviations of the plotted points.  Out: RunRule.
Not here: finding the patterns in a series (run_rules), what they do to the run length (rule_chain).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

from repeatab.base.errors import StudyError


class Pattern(Enum):
    """What the points of a run have in common."""

    ONE_SIDE = "beyond a line on one side"
    TREND = "steadily rising or falling"
    ALTERNATING = "alternately up and down"
    CLOSE = "all near the centre"
    AWAY = "none near the centre"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRule:
    """A signal is given when `points` of the last `of` points follow `pattern`.

    `sigmas` is the distance of the line from the centre, in standard deviations of the plotted points. Build
    one by `one_side`, `same_side`, `trend`, `alternating`, `close` or `away`. A trend of six points has five
    rises.
    """

    pattern: Pattern
    points: int
    of: int
    sigmas: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sigmas) and self.sigmas >= 0):
            raise StudyError(
                f"run rule: found a line at {self.sigmas} standard deviations, expected 0 or more."
            )
        if not 2 <= self.points <= self.of <= 60:
            raise StudyError(
                f"run rule: found {self.points} of {self.of} points, expected from 2 to 60 points and no "
                "more "
                "than are looked at. One point alone is judged by the chart's limit."
            )
        if self.pattern is not Pattern.ONE_SIDE and self.points != self.of:
            raise StudyError(
                f"run rule '{self.pattern.value}': found {self.points} of {self.of} points, expected all of "
                "them."
            )
        if self.pattern in (Pattern.TREND, Pattern.ALTERNATING) and (self.points < 3 or self.sigmas):
            raise StudyError(
                f"run rule '{self.pattern.value}': found {self.points} points and a line at {self.sigmas}, "
                "expected at least 3 points and no line."
            )
        if self.pattern in (Pattern.CLOSE, Pattern.AWAY) and self.sigmas == 0:
            raise StudyError(
                f"run rule '{self.pattern.value}': found a line at 0, expected a distance above 0."
            )

    @classmethod
    def one_side(cls, points: int, *, of: int, sigmas: float) -> RunRule:
        """`points` of the last `of` lie more than `sigmas` from the centre, on the same side."""
        return cls(pattern=Pattern.ONE_SIDE, points=points, of=of, sigmas=sigmas)

    @classmethod
    def same_side(cls, points: int) -> RunRule:
        """`points` in a row lie on the same side of the centre."""
        return cls(pattern=Pattern.ONE_SIDE, points=points, of=points)

    @classmethod
    def trend(cls, points: int) -> RunRule:
        """`points` in a row, each higher than the one before, or each lower."""
        return cls(pattern=Pattern.TREND, points=points, of=points)

    @classmethod
    def alternating(cls, points: int) -> RunRule:
        """`points` in a row go up and down in turn."""
        return cls(pattern=Pattern.ALTERNATING, points=points, of=points)

    @classmethod
    def close(cls, points: int, *, sigmas: float = 1.0) -> RunRule:
        """`points` in a row lie within `sigmas` of the centre, on either side."""
        return cls(pattern=Pattern.CLOSE, points=points, of=points, sigmas=sigmas)

    @classmethod
    def away(cls, points: int, *, sigmas: float = 1.0) -> RunRule:
        """`points` in a row lie more than `sigmas` from the centre, on either side."""
        return cls(pattern=Pattern.AWAY, points=points, of=points, sigmas=sigmas)

    @property
    def directional(self) -> bool:
        """Whether the rule looks at rises and falls, not at distances from the centre."""
        return self.pattern in (Pattern.TREND, Pattern.ALTERNATING)

    def __str__(self) -> str:
        far = f"{self.sigmas:g} standard deviation{'' if self.sigmas == 1 else 's'}"
        row = f"{self.points} points in a row"
        match self.pattern:
            case Pattern.ONE_SIDE if self.sigmas == 0 and self.points == self.of:
                return f"{row} on the same side of the centre"
            case Pattern.ONE_SIDE:
                count = row if self.points == self.of else f"{self.points} of {self.of} points in a row"
                line = f"more than {far} from the centre, " if self.sigmas else ""
                return f"{count} {line}on the same side" + ("" if self.sigmas else " of the centre")
            case Pattern.TREND:
                return f"{row} each higher than the one before, or each lower"
            case Pattern.ALTERNATING:
                return f"{row} up and down in turn"
            case Pattern.CLOSE:
                return f"{row} within {far} of the centre"
            case Pattern.AWAY:
                return f"{row} more than {far} from the centre, on either side"


PUBLISHED_RULES: Mapping[str, RunRule] = MappingProxyType({
    # Statistical Quality Control Handbook (1956), Indianapolis; Champ & Woodall (1987),
    # Technometrics 29, 393-399.
    "two of three beyond two sigma": RunRule.one_side(2, of=3, sigmas=2),
    "four of five beyond one sigma": RunRule.one_side(4, of=5, sigmas=1),
    "eight on one side": RunRule.same_side(8),
    # Nelson (1984), J. Quality Technology 16, 237-239; the collection of ISO 8258:1991 (clause from memory).
    "nine on one side": RunRule.same_side(9),
    "six rising or falling": RunRule.trend(6),
    "fourteen alternating": RunRule.alternating(14),
    "fifteen within one sigma": RunRule.close(15),
    "eight beyond one sigma on either side": RunRule.away(8),
})  # fmt: skip
"""Rules as published, by the words that a study file may use for them."""


def rule_from_words(words: str) -> RunRule:
    """Return the published rule of that description, or refuse with the nearest one."""
    try:
        return PUBLISHED_RULES[" ".join(words.lower().split())]
    except KeyError:
        raise StudyError.unknown_choice("run rule", words, allowed=list(PUBLISHED_RULES)) from None
