"""When a signal probably began, and as what: a step to a new level, or a drift that grows from point to point.

In: results since the base period in order, up to the signal.  Out: Beginning, JointBeginning.
A fit of steps alone dates a drift to its middle; here both are set against each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray, series
from repeatab.control.ewma import require_scatter

_TELLS = 2.0
"""Log likelihoods that differ by less do not tell a step from a drift (a ratio of about 7)."""


class Course(Enum):
    """How a change goes on from its first point."""

    STEP = "a step"
    DRIFT = "a drift"
    OPEN = "a step or a drift"


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """The first changed point, from 0: the most likely one and the range that the data do not rule out.

    course: what the change is, OPEN where the data tell too little.  first, last: the range, over steps and
    drifts, at confidence `level`.  size: of the step, or of the change per point of a drift, in the unit of the
    results; for OPEN of the likelier one, which `likelier` names.  now: estimated change at the last point.
    """

    course: Course
    likelier: Course
    most_likely: int
    first: int
    last: int
    level: float
    size: float
    now: float


def beginning(values: ArrayLike, *, centre: float, sd: float, level: float = 0.95) -> Beginning:
    """Return when a departure from `centre` began, given that there was one.

    Both courses are fitted by maximum likelihood with their size free: a step z = d from point t on, and a drift
    z = d (i − t + 1). The range holds every t whose log likelihood under either lies within −ln(1 − √level) of the
    largest; that distance keeps the level for a step (Siegmund 1988) and is wider than the regular one, χ²/2, that
    the kink of a drift needs.

    Parameters
    ----------
    values : (points,) in order, from a time known to be in control up to the signal or later; equally spaced.
    centre, sd : in control, from the base period; the unit of the results.

    Raises
    ------
    InputError, EstimationError
        No values, a value missing, no scatter, or a level outside 0 to 1.

    References
    ----------
    Samuel, Pignatiello & Calvin (1998), Quality Engineering 10, 521-527 (step); Perry, Pignatiello & Simpson
    (2006), Quality and Reliability Engineering International 22, 409-423 (drift; from memory); Siegmund (1988),
    International Statistical Review 56, 31-48 (range).
    """
    x = series(values, what="beginning of a change", least=1)
    require_scatter(sd, what="beginning of a change")
    if not 0 < level < 1:
        raise EstimationError(f"beginning of a change: found level {level}, expected between 0 and 1.")
    found = joint_beginning(((x - centre) / sd)[:, None], level=level)
    size, now = (sd * float(one[0]) for one in (found.size, found.now))
    return Beginning(
        course=found.course, likelier=found.likelier, most_likely=found.most_likely, first=found.first,
        last=found.last, level=level, size=size, now=now,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class JointBeginning:
    """The beginning of a change in several coordinates at once; size and now are (coordinates,), else as Beginning."""

    course: Course
    likelier: Course
    most_likely: int
    first: int
    last: int
    level: float
    size: FloatArray
    now: FloatArray


def joint_beginning(points: FloatArray, *, level: float = 0.95) -> JointBeginning:
    """Return when several coordinates began to depart from zero together, given that they did.

    As `beginning`, with a size for each coordinate: a step adds d to every point from t on, a drift d (i − t + 1). The
    distance that bounds the range is the same: it is that of a change of known size and direction. That it keeps the
    level when both are estimated is shown by simulation for up to eight coordinates.

    Parameters
    ----------
    points : (points, coordinates) in order, of unit scatter and uncorrelated in control: L⁻¹ (x − centre) with
        covariance L L'.

    References
    ----------
    Nedumaran, Pignatiello & Calvin (2000), Quality Engineering 13, 153-159 (step behind a χ² chart; from memory).
    """
    step_gain, step_size, drift_gain, drift_size = _fits(points)
    gap = float(drift_gain.max() - step_gain.max())
    likelier = Course.DRIFT if gap > 0 else Course.STEP
    gain, size = (drift_gain, drift_size) if gap > 0 else (step_gain, step_size)
    best = int(np.argmax(gain))
    either = np.maximum(step_gain, drift_gain)
    kept = np.flatnonzero(either >= either.max() + math.log(1 - math.sqrt(level)))
    return JointBeginning(
        course=likelier if abs(gap) > _TELLS else Course.OPEN,
        likelier=likelier, most_likely=best, first=int(kept[0]), last=int(kept[-1]), level=level, size=size[best],
        now=size[best] * (len(points) - best) if gap > 0 else size[best],
    )  # fmt: skip


def _fits(z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """(points,) gain of log likelihood and (points, coordinates) size, by a step and a drift from each point on."""
    count = np.arange(len(z), 0, -1, dtype=np.float64)[:, None]
    since = np.cumsum(z[::-1], axis=0)[::-1]
    step = since / count
    # Σ (i − t + 1) z_i is the sum of the sums since each later point.
    weighted = np.cumsum(since[::-1], axis=0)[::-1]
    squares = count * (count + 1) * (2 * count + 1) / 6
    drift = weighted / squares
    return (since * step).sum(axis=1) / 2, step, (weighted * drift).sum(axis=1) / 2, drift
