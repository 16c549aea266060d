"""When did it probably begin: the point at which the level of a series stepped, with its uncertainty.

In: results since the base period in order, up to or beyond a signal.  Out: ChangePoint.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray, series
from repeatab.control.ewma import require_scatter


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePoint:
    """The first point at the new level, from 0: the most likely one, and the set that the data do not rule
    out.

    first, last: ends of the set.  level: its confidence.  new_level, step: mean since the most likely change,
    and that less the centre, in the unit of the results.  candidates: the set itself, which may have gaps.
    """

    most_likely: int
    first: int
    last: int
    level: float
    new_level: float
    step: float
    candidates: tuple[int, ...]

    def __str__(self) -> str:
        return (
            f"a step of {self.step:+.3g} that probably began at point {self.most_likely + 1} "
            f"(between {self.first + 1} and {self.last + 1}, {self.level:.0%})"
        )


def change_point(values: ArrayLike, *, centre: float, sd: float, level: float = 0.95) -> ChangePoint:
    """Return when a step away from `centre` began, given that there was one.

    Maximum likelihood for a step of unknown size: the change before point t that makes n (mean since −
    centre)² largest (Samuel, Pignatiello & Calvin 1998). The set holds every t whose log likelihood lies
    within D of the largest. For a step of known size the loss of log likelihood away from the true t is a
    random walk on each side, whose supremum over both exceeds D with probability at most 1 − (1 − e^−D)²
    (Siegmund 1988), so that D = −ln(1 − √level) keeps the level.

    Parameters
    ----------
    values : (points,) plotted results in order, from a time known to be in control up to the signal or later.
    centre, sd : in control, from the base period; the unit of the results.
    level : confidence of the set.

    Raises
    ------
    InputError, EstimationError
        No values, a value missing, no scatter, or a level outside 0 to 1.

    References
    ----------
    Samuel, Pignatiello & Calvin (1998), Quality Engineering 10, 521-527; Pignatiello & Samuel (2001), J.
    Quality Technology 33, 82-95; Siegmund (1988), International Statistical Review 56, 31-48.
    """
    x = series(values, what="change point", least=1)
    require_scatter(sd, what="change point")
    if not 0 < level < 1:
        raise EstimationError(f"change point: found level {level}, expected between 0 and 1.")
    gain, since = _log_likelihood((x - centre) / sd)
    best = int(np.argmax(gain))
    kept = np.flatnonzero(gain >= gain[best] + math.log(1 - math.sqrt(level)))
    return ChangePoint(
        most_likely=best, first=int(kept[0]), last=int(kept[-1]), level=level,
        new_level=centre + sd * float(since[best]), step=sd * float(since[best]),
        candidates=tuple(int(i) for i in kept),
    )  # fmt: skip


def _log_likelihood(z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gain of log likelihood by a step before each point, and the mean from that point on."""
    count = np.arange(z.size, 0, -1)
    mean = np.cumsum(z[::-1])[::-1] / count
    gain: FloatArray = count * mean**2 / 2
    return gain, mean
