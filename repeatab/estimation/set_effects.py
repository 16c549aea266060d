"""Set effects: sections of one pad set are not independent, so what is asked of all sections is asked of whole sets.

In: results of whole sets by section.  Out: one overall value per set, which the ordinary comparison takes like one
section; and how far each section's offset lies from the overall one, with its interval.

A set that is high in one section tends to be high in the others. Sections counted as independent results would
claim several times the evidence there is. Formed per set first, the overall value of a set is one result, and
the scatter between sets carries whatever its sections share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from repeatab.base.errors import EstimationError, LayoutError, NotSeparableError
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray, IntArray

_RANK = 1e-10


def overall_values(values: FloatArray, level: IntArray, *, weights: FloatArray | None = None) -> FloatArray:
    """(sets,) overall value of each set: the weighted mean over its sections.

    A set that lacks a section cannot simply be averaged over the rest: where that section lies high, the set would
    come out low. So each result is first taken relative to its section's mean, the set averaged over what it has,
    and the weighted mean of all section means put back. The section means are those of the same level (rig, phase,
    lot) with the sets taken out, so that levels whose sections differ in their own ways are not mixed and the
    mean of a level's overall values stays the mean over its sections. Complete sets keep their plain mean exactly.

    Parameters
    ----------
    values : (sets, sections) one result per set (or run) and section; missing ones nan.
    level : (sets,) code of the level at which each row ran.
    weights : (sections,) positive weights; equal if not given. Stated, never taken from the data.

    Raises
    ------
    LayoutError
        A level has no result in some section, or a row has no result at all.
    NotSeparableError
        Sets of one level that share no section, directly or through others, cannot be aligned.
    """
    share = _shares(weights, values.shape[1])
    present = np.isfinite(values)
    if not present.any(axis=1).all():
        raise LayoutError("overall offset: a set has no result in any section. Leave it out.")
    found = np.empty(len(values))
    for code in np.unique(level):
        own = level == code
        means = _section_means(values[own])
        weight = np.where(present[own], share, 0.0)
        away = np.where(present[own], values[own] - means, 0.0)
        found[own] = (weight * away).sum(axis=1) / weight.sum(axis=1) + share @ means
    return found


def _shares(weights: FloatArray | None, sections: int) -> FloatArray:
    share = np.ones(sections) if weights is None else np.asarray(weights, np.float64)
    if share.shape != (sections,) or not (np.isfinite(share) & (share > 0)).all():
        raise LayoutError(
            f"overall offset: found weights {share.tolist()}, expected one number above zero for each of the "
            f"{sections} sections."
        )
    return np.asarray(share / share.sum())


def _section_means(values: FloatArray) -> FloatArray:
    """(sections,) means of the sections of one level, the sets taken out where some are incomplete."""
    present = np.isfinite(values)
    if not present.any(axis=0).all():
        missing = int((~present.any(axis=0)).sum())
        raise LayoutError(
            f"overall offset: at one of the compared levels {missing} section(s) have no result. Leave those "
            "sections out of the overall offset, or run them."
        )
    if present.all():
        return np.asarray(values.mean(axis=0))
    row, column = np.nonzero(present)
    sections, sets = values.shape[1], len(values)
    design = np.concatenate([np.eye(sections)[column], np.eye(sets)[row]], axis=1)
    y = values[present]
    solution, _, rank, _ = np.linalg.lstsq(design, y - y.mean(), rcond=_RANK)
    if rank < sections + sets - 1:
        raise NotSeparableError(
            "overall offset: some pad sets share no section with the others, so sets and sections cannot be told "
            "apart. Run at least one section on all sets."
        )
    # Free up to a constant, which the set averages take back.
    return np.asarray(solution[:sections] + solution[sections:].mean() + y.mean())


@dataclass(frozen=True, slots=True, kw_only=True)
class Deviations:
    """How far each section's offset lies from the overall offset, in the unit of the result.

    estimate, se, df : (sections,).
    """

    estimate: FloatArray
    se: FloatArray
    df: FloatArray

    def intervals(self, level: float) -> tuple[Interval, ...]:
        """Each section's own t interval."""
        half = np.asarray(special.stdtrit(self.df, (1 + level) / 2), np.float64) * self.se
        return tuple(
            Interval(lower=float(e - h), upper=float(e + h), level=level, method=IntervalMethod.STUDENT)
            for e, h in zip(self.estimate, half, strict=True)
        )


def paired_deviations(difference: FloatArray, *, weights: FloatArray | None = None) -> Deviations:
    """Deviations of the section offsets from the overall one, from sets that ran at both levels.

    Parameters
    ----------
    difference : (sets, sections) result at a minus result at b; missing ones nan. For margins in percent give
        differences of logarithms and the logarithms of the bounds.
    weights : (sections,) of the overall offset; equal if not given.

    Raises
    ------
    LayoutError
        Fewer than two sections, or a section with fewer than two sets.
    EstimationError
        A section shows no scatter about the overall offset.
    """
    return _deviations([(difference, 1.0)], weights)


def split_deviations(a: FloatArray, b: FloatArray, *, weights: FloatArray | None = None) -> Deviations:
    """The same from different sets at the two levels; each level keeps the scatter it has (Welch 1947).

    Parameters
    ----------
    a, b : (sets, sections) results at a and at b; missing ones nan; the columns are the same sections.
    """
    return _deviations([(a, 1.0), (b, -1.0)], weights)


def _deviations(arms: Sequence[tuple[FloatArray, float]], weights: FloatArray | None) -> Deviations:
    sections = arms[0][0].shape[1]
    if sections < 2:
        raise LayoutError("deviations of sections: found one section, expected two or more.")
    estimate, parts, df = np.zeros(sections), [], []
    for values, sign in arms:
        mean, variance, number = _about_own_set(values, weights)
        estimate += sign * mean
        parts.append(variance)
        df.append(number - 1)
    variances = np.stack(parts)
    total = variances.sum(axis=0)
    if not (total > 0).all():
        raise EstimationError(
            "deviations of sections: a section shows no scatter about the overall offset at all. Check that its "
            "results are not copies of another section's."
        )
    return Deviations(
        estimate=estimate, se=np.sqrt(total), df=total**2 / (variances**2 / np.stack(df)).sum(axis=0)
    )


def _about_own_set(
    values: FloatArray, weights: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean over sets of each section's value less the set's overall value, the variance of that mean, and the number
    of sets behind it."""
    present = np.isfinite(values)
    number = present.sum(axis=0)
    if number.min() < 2:
        raise LayoutError(
            f"deviations of sections: a section has {number.min()} set(s), expected at least two. Run more sets."
        )
    own = values - overall_values(values, np.zeros(len(values), np.int64), weights=weights)[:, None]
    return (
        np.asarray(np.nanmean(own, axis=0)),
        np.asarray(np.nanvar(own, axis=0, ddof=1) / number),
        number.astype(np.float64),
    )
