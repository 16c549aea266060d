"""Shift or gain: whether two rigs differ by a constant amount or in proportion to the level.

In: results of whole sets by level on two rigs.  Out: the line with errors in both variables, intervals of its slope
and intercept by leaving out and by drawing whole sets, and the answer, or why there is none.

A set carries its own level through all sections it runs, so the points of the line are not independent and the
standard errors of the line alone are wrong. Whole sets are: the jackknife leaves each out in turn (rig by rig;
Miller 1974, Biometrika 61, 1-15), the bootstrap draws them with replacement within each rig (Efron & Tibshirani
1993, An Introduction to the Bootstrap, Chapman & Hall) and estimates the error ratio anew in each draw.
Percentiles of a bootstrap are too narrow with few sets; they are stretched about the estimate by
sqrt(n / (n - 1)) * t / z (Hesterberg 2015, Am. Stat. 69, 371-386, there as a shift of the percentile).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy import special

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.level_lines import LevelLine, drawn_lines, level_line

FEWEST_LEVELS = 5
# Common practice, no source: with a reliability of 0.9 ignoring the errors of x would cost a tenth of the slope;
# below it, the answer rests more on the error ratio than on the levels.
LEAST_RELIABILITY = 0.9
_FEWEST_SETS = 3
_QUANTITIES = ("slope", "intercept", "offset")


class LevelAnswer(Enum):
    """How a difference between rigs depends on the level; the value is what the report prints."""

    SHIFT = "a shift: the same amount at every level"
    GAIN = "a gain: in proportion to the level"
    BOTH = "a shift and a gain"
    NOT_TOLD = "shift or gain cannot be told"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineInterval:
    """A quantity of the line with its intervals.

    jackknife : t interval from leaving out one set at a time.
    bootstrap : stretched percentiles of drawn sets.
    """

    estimate: float
    jackknife: Interval
    bootstrap: Interval

    def excludes(self, value: float) -> bool:
        """Whether both intervals leave `value` out."""
        return self.jackknife.excludes(value) and self.bootstrap.excludes(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftOrGain:
    """The answer with its reason, and the line behind it where there is one.

    intercept excludes 0 : not a gain alone. slope excludes 1 : not a shift alone.
    offset : difference at the centre of the levels.
    lost_draws : bootstrap draws that gave no line and were drawn again.
    """

    answer: LevelAnswer
    reason: str
    line: LevelLine | None = None
    slope: LineInterval | None = None
    intercept: LineInterval | None = None
    offset: LineInterval | None = None
    lost_draws: int = 0

    def __str__(self) -> str:
        return f"{self.answer.value} ({self.reason})"


def shift_or_gain(
    a: FloatArray,
    b: FloatArray,
    *,
    paired: bool,
    level: float,
    rng: np.random.Generator,
    ratio: float | None = None,
    draws: int = 999,
) -> ShiftOrGain:
    """Whether rig a differs from the reference rig b by a shift, a gain, both, or it cannot be told.

    Parameters
    ----------
    a, b : (sets, levels) results of whole sets, missing ones nan; the columns are the same levels.
    paired : rows of `a` and `b` are the same sets; else the sets are different ones.
    level : confidence of the intervals.
    rng, draws : generator and number of bootstrap draws.
    ratio : error variance on a over that on b, where the lab states it.

    Returns
    -------
    ShiftOrGain
        NOT_TOLD with fewer than five levels, a reliability of the level means below 0.9, fewer than three sets on
        a rig, or intervals that allow both a shift alone and a gain alone.
    """
    levels = int((np.isfinite(a).any(axis=0) & np.isfinite(b).any(axis=0)).sum())
    if levels < FEWEST_LEVELS:
        return _not_told(f"{levels} level(s) ran on both rigs, at least {FEWEST_LEVELS} are needed")
    ran = [np.isfinite(values).any(axis=1) for values in (a, b)]
    if paired:
        ran = [ran[0] & ran[1]] * 2
    sets = _Sets(a=a[ran[0]], b=b[ran[1]], paired=paired, ratio=ratio)
    if min(sets.numbers) < _FEWEST_SETS:
        return _not_told(
            f"{min(sets.numbers)} set(s) ran on one rig, at least {_FEWEST_SETS} on each are needed"
        )
    try:
        line = sets.line()
        if line.reliability < LEAST_RELIABILITY:
            return _not_told(
                f"the levels lie too close together: {line.reliability:.0%} of the scatter of their means is "
                f"true difference, at least {LEAST_RELIABILITY:.0%} are needed",
                line,
            )
        variance, df = _jackknife(sets)
        drawn, lost = _bootstrap(sets, draws, rng)
    except (EstimationError, LayoutError) as error:
        return _not_told(str(error))
    found = _intervals(line, variance, df, drawn, min(sets.numbers), level)
    answer, reason = _answer(found)
    return ShiftOrGain(
        answer=answer, reason=reason, line=line, slope=found[0], intercept=found[1], offset=found[2],
        lost_draws=lost,
    )  # fmt: skip


def _not_told(reason: str, line: LevelLine | None = None) -> ShiftOrGain:
    return ShiftOrGain(answer=LevelAnswer.NOT_TOLD, reason=reason, line=line)


def _answer(found: list[LineInterval]) -> tuple[LevelAnswer, str]:
    bent, moved = found[0].excludes(1.0), found[1].excludes(0.0)
    if bent and moved:
        return LevelAnswer.BOTH, "the slope differs from 1 and the intercept from 0"
    if bent:
        return LevelAnswer.GAIN, "the slope differs from 1, the intercept may be 0"
    if moved:
        return LevelAnswer.SHIFT, "the intercept differs from 0, the slope may be 1"
    return LevelAnswer.NOT_TOLD, "the slope may be 1 and the intercept may be 0"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sets:
    """Whole sets on both rigs, from which some are taken."""

    a: FloatArray
    b: FloatArray
    paired: bool
    ratio: float | None

    @property
    def numbers(self) -> tuple[int, ...]:
        """Independent groups of sets: one where the same sets ran on both rigs."""
        return (len(self.a),) if self.paired else (len(self.a), len(self.b))

    def line(self, taken: tuple[IntArray, ...] | None = None) -> LevelLine:
        if taken is None:
            return level_line(self.a, self.b, paired=self.paired, ratio=self.ratio)
        return level_line(self.a[taken[0]], self.b[taken[-1]], paired=self.paired, ratio=self.ratio)

    def drawn(self, taken: Sequence[tuple[IntArray, ...]]) -> FloatArray:
        """(draws, quantities) of many draws, nan where a draw holds one set only or gives no line."""
        found = np.full((len(taken), len(_QUANTITIES)), math.nan)
        groups = [np.stack(group) for group in zip(*taken, strict=True)]
        several = np.flatnonzero(np.all([(group != group[:, :1]).any(axis=1) for group in groups], axis=0))
        if len(several) and np.isfinite(self.a).all() and np.isfinite(self.b).all():
            a, b = self.a[groups[0][several]], self.b[groups[-1][several]]
            lines = drawn_lines(a, b, paired=self.paired, ratio=self.ratio)
            found[several] = np.stack(lines, axis=1)
            return found
        for which in several.tolist():
            with suppress(EstimationError, LayoutError):
                found[which] = _values(self.line(taken[which]))
        return found


def _values(line: LevelLine) -> list[float]:
    return [getattr(line, name) for name in _QUANTITIES]


def _jackknife(sets: _Sets) -> tuple[FloatArray, FloatArray]:
    """Variances of slope, intercept and offset and their degrees of freedom, group by group of sets."""
    whole = tuple(np.arange(n) for n in sets.numbers)
    parts, df = [], []
    for group, number in enumerate(sets.numbers):
        left = []
        for out in range(number):
            taken = list(whole)
            taken[group] = np.delete(whole[group], out)
            left.append(_values(sets.line(tuple(taken))))
        away = np.array(left) - np.mean(left, axis=0)
        parts.append((number - 1) / number * (away**2).sum(axis=0))
        df.append(number - 1)
    variance = np.sum(parts, axis=0)
    spent = np.sum([part**2 / n for part, n in zip(parts, df, strict=True)], axis=0)
    smallest = np.full(len(variance), float(min(df)))
    return variance, np.divide(variance**2, spent, out=smallest, where=spent > 0)


def _bootstrap(sets: _Sets, draws: int, rng: np.random.Generator) -> tuple[FloatArray, int]:
    """(draws, quantities) of drawn sets. A draw that holds one set only, or levels too few for a line, is drawn
    again."""
    found = np.zeros((0, len(_QUANTITIES)))
    lost = 0
    while len(found) < draws:
        taken = [tuple(rng.integers(0, n, n) for n in sets.numbers) for _ in range(draws - len(found))]
        drawn = sets.drawn(taken)
        good = np.isfinite(drawn).all(axis=1)
        found = np.concatenate([found, drawn[good]])
        lost += int((~good).sum())
        if lost > 10 * draws:
            raise EstimationError(
                "hardly any draw of whole sets gives a line. Run more sets over all levels."
            )
    return found, lost


def _intervals(
    line: LevelLine, variance: FloatArray, df: FloatArray, drawn: FloatArray, sets: int, level: float
) -> list[LineInterval]:
    centre = np.array(_values(line))
    t = special.stdtrit(df, (1 + level) / 2)
    half = t * np.sqrt(variance)
    stretch = math.sqrt(sets / (sets - 1)) * t / special.ndtri((1 + level) / 2)
    low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2], axis=0)
    ends = {
        IntervalMethod.JACKKNIFE: (centre - half, centre + half),
        IntervalMethod.SET_BOOTSTRAP: (centre + stretch * (low - centre), centre + stretch * (high - centre)),
    }
    found: list[LineInterval] = []
    for i, estimate in enumerate(centre):
        one, other = (
            Interval(lower=float(lower[i]), upper=float(upper[i]), level=level, method=method)
            for method, (lower, upper) in ends.items()
        )
        found.append(LineInterval(estimate=float(estimate), jackknife=one, bootstrap=other))
    return found
