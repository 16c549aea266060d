"""Several sections of a run watched together: Hotelling's T², its limits, and the sections that drive a
signal.

In: base runs (runs × sections) and new runs.  Out: T² with limits for the base period and for new runs;
drivers. Not here: the moving-average form (mewma).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from repeatab.base.errors import EstimationError, InputError
from repeatab.control.arrays import FloatArray, points_by_coordinate
from repeatab.control.robust_covariance import robust_covariance, robust_limits

_FULL_SEARCH = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class JointBase:
    """Centre (sections,) and covariance (sections, sections) of a base period of `count` runs.

    values: T² of each base run, (count,).  base_limit: limit for them.  new_limit: limit for a new run.
    stretch: new_limit over what it would be with mean and covariance of the base runs; 1 for these.
    """

    count: int
    centre: FloatArray
    covariance: FloatArray
    values: FloatArray
    base_limit: float
    new_limit: float
    false_alarm: float
    stretch: float = 1.0

    def t2(self, runs: ArrayLike) -> FloatArray:
        """Return T² of new runs, (runs, sections) → (runs,), to be set against `new_limit`."""
        x = points_by_coordinate(runs, what="new runs")
        if x.shape[1] != self.centre.size:
            raise InputError(
                f"new runs: found {x.shape[1]} sections, the base period has {self.centre.size}."
            )
        return distances(x, self.centre, self.covariance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drivers:
    """Which sections make one run's T² large.

    sections: the fewest sections without which the T² of the others is within its limit; empty without a
    signal. alone: (sections,) distance of each section from its centre in standard deviations, with sign.
    given_others: (sections,) by how much T² falls without the section: large for a section that is out of
    line with what the others make one expect.
    """

    t2: float
    limit: float
    sections: tuple[int, ...]
    alone: FloatArray
    given_others: FloatArray


def joint_base(runs: ArrayLike, *, false_alarm: float = 0.0027, robust: bool = False) -> JointBase:
    """Return centre, covariance and T² limits of a base period.

    Base runs helped to make centre and covariance: their T² × count/(count − 1)² has a beta distribution.
    That of a new run, × (count (count − p))/(p (count² − 1)), has an F distribution with p and count − p
    degrees of freedom.

    Parameters
    ----------
    runs : (runs, sections) one value per section and base run.
    false_alarm : probability that a run in control exceeds its limit.
    robust : centre and covariance that a few wild runs do not move; their limits are simulated (`robust_limits`).

    Raises
    ------
    EstimationError
        Fewer base runs than sections + 2, or a section that does not scatter or repeats what others say.

    References
    ----------
    Tracy, Young & Mason (1992), J. Quality Technology 24, 88-95; ISO 7870-7:2020.
    """
    from scipy.stats import beta, f

    x = points_by_coordinate(runs, what="base period", least=2)
    n, p = x.shape
    if not 0 < false_alarm < 1:
        raise EstimationError(
            f"joint chart: found a false-alarm rate of {false_alarm}, expected between 0 and 1."
        )
    if n < p + 2:
        raise EstimationError(
            f"joint chart: found {n} base runs for {p} sections, expected at least {p + 2} (three times as "
            "many as "
            "sections is a sound number). Chart fewer sections together, or extend the base period."
        )
    centre = x.mean(axis=0)
    covariance = np.atleast_2d(np.cov(x, rowvar=False))
    plain = _new_limit(n, p, float(f.isf(false_alarm, p, n - p)))
    if robust:
        return _robust_base(x, false_alarm, plain)
    base_limit = (n - 1) ** 2 / n * float(beta.isf(false_alarm, p / 2, (n - p - 1) / 2))
    return JointBase(
        count=n,
        centre=centre,
        covariance=covariance,
        values=distances(x, centre, covariance),
        base_limit=base_limit,
        new_limit=plain,
        false_alarm=false_alarm,
    )


def _robust_base(x: FloatArray, false_alarm: float, plain: float) -> JointBase:
    centre, covariance = robust_covariance(x)
    base_limit, new_limit = robust_limits(x.shape[0], x.shape[1], false_alarm)
    return JointBase(
        count=x.shape[0], centre=centre, covariance=covariance, values=distances(x, centre, covariance),
        base_limit=base_limit, new_limit=new_limit, false_alarm=false_alarm, stretch=new_limit / plain,
    )  # fmt: skip


def distances(x: FloatArray, centre: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return (x − centre)' covariance⁻¹ (x − centre) for each row of `x`.

    Raises
    ------
    EstimationError
        The covariance is singular.
    """
    scale = np.sqrt(np.diag(covariance))
    if not np.all(scale > 0):
        raise EstimationError(
            f"joint chart: section {int(np.argmin(scale)) + 1} does not scatter in the base period."
        )
    correlation = covariance / np.outer(scale, scale)
    # Correlations, so that sections in different units are treated alike.
    if float(np.linalg.eigvalsh(correlation)[0]) < 1e-10:
        raise EstimationError(
            "joint chart: one section is a combination of the others in the base period, so that their "
            "scatter "
            "cannot be inverted. Leave out sections that are computed from others."
        )
    z = np.linalg.solve(np.linalg.cholesky(correlation), ((x - centre) / scale).T)
    found: FloatArray = (z**2).sum(axis=0)
    return found


def drivers(run: ArrayLike, base: JointBase) -> Drivers:
    """Return which sections drive the T² of one new run.

    All sets of sections are searched, the smallest first; beyond twelve sections they are taken one at a
    time, the one without which T² falls most first.

    References
    ----------
    Mason, Tracy & Young (1995), J. Quality Technology 27, 99-108; Murphy (1987), The Statistician 36,
    571-583.
    """
    x = points_by_coordinate(np.atleast_2d(np.asarray(run, dtype=np.float64)), what="new run")
    t2 = float(base.t2(x)[0])
    p = base.centre.size
    every = tuple(range(p))
    without = np.array([_t2_of(x, base, tuple(j for j in every if j != i)) for i in every])
    alone = (x[0] - base.centre) / np.sqrt(np.diag(base.covariance))
    search = _smallest if p <= _FULL_SEARCH else _one_by_one
    return Drivers(
        t2=t2, limit=base.new_limit, alone=alone, given_others=t2 - without,
        sections=search(x, base) if t2 > base.new_limit else (),
    )  # fmt: skip


def _smallest(x: FloatArray, base: JointBase) -> tuple[int, ...]:
    every = range(base.centre.size)
    for size in range(1, base.centre.size):
        best: tuple[float, tuple[int, ...]] = (math.inf, ())
        for chosen in itertools.combinations(every, size):
            rest = tuple(j for j in every if j not in chosen)
            best = min(best, (_t2_of(x, base, rest) - _limit_of(base, len(rest)), chosen))
        if best[0] <= 0:
            return best[1]
    return tuple(every)


def _one_by_one(x: FloatArray, base: JointBase) -> tuple[int, ...]:
    rest = list(range(base.centre.size))
    while len(rest) > 1:
        t2, i = min((_t2_of(x, base, tuple(j for j in rest if j != i)), i) for i in rest)
        rest.remove(i)
        if t2 <= _limit_of(base, len(rest)):
            break
    else:
        rest = []
    return tuple(i for i in range(base.centre.size) if i not in rest)


def _t2_of(x: FloatArray, base: JointBase, sections: tuple[int, ...]) -> float:
    if not sections:
        return 0.0
    kept = np.array(sections)
    return float(distances(x[:, kept], base.centre[kept], base.covariance[np.ix_(kept, kept)])[0])


def _limit_of(base: JointBase, sections: int) -> float:
    from scipy.stats import f

    critical = float(f.isf(base.false_alarm, sections, base.count - sections))
    return base.stretch * _new_limit(base.count, sections, critical)


def _new_limit(n: int, p: int, critical: float) -> float:
    return p * (n + 1) * (n - 1) / (n * (n - p)) * critical
