"""Centre and covariance of several sections that a few wild base visits do not move.

In: base runs (runs × sections).  Out: centre and covariance; the limits of T² that belong to them.

Medians and median distances of single sections say nothing of how sections go together; pairs of them do, by the
difference of the squared scatter of sum and difference. What pairs give need not be a covariance, so it is made one
along its own directions (Maronna & Zamar 2002). No exact distribution is known; the limits are simulated.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray

_ROUNDS = 2
_KEPT = 0.9
_DRAWS, _NEW = 500, 200
_CONSISTENT = 1.482602218505602
"""Standard deviation of normal results over their median distance from the median."""


def robust_covariance(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return centre (sections,) and covariance (sections, sections) of base runs, (runs, sections).

    Orthogonalised pairwise covariances from median distances, two rounds; then mean and covariance of the runs within
    the 90 % distance, scaled so that the median squared distance is that of normal results.

    Raises
    ------
    EstimationError
        Half of the runs have the same result in a section.

    References
    ----------
    Maronna & Zamar (2002), Technometrics 44, 307-317; Gnanadesikan & Kettenring (1972), Biometrics 28, 81-124.
    """
    from scipy.stats import chi2

    z, back = x, np.eye(x.shape[1])
    for _ in range(_ROUNDS):
        scale = _distance(z)
        y = z / scale
        sums, differences = (_distance(y[:, :, None] + sign * y[:, None, :]) for sign in (1, -1))
        pairs = (sums**2 - differences**2) / 4
        np.fill_diagonal(pairs, 1.0)
        turned = np.linalg.eigh(pairs)[1]
        back, z = back @ (scale[:, None] * turned), y @ turned
    away = (((z - np.median(z, axis=0)) / _distance(z)) ** 2).sum(axis=1)
    p = x.shape[1]
    kept = x[away <= chi2.ppf(_KEPT, p) * np.median(away) / chi2.ppf(0.5, p)]
    centre, covariance = kept.mean(axis=0), np.atleast_2d(np.cov(kept, rowvar=False))
    own = np.linalg.solve(covariance, (x - centre).T).T
    return centre, covariance * float(np.median(((x - centre) * own).sum(axis=1)) / chi2.ppf(0.5, p))


def _distance(x: FloatArray) -> FloatArray:
    """Median distance from the median along the first axis, consistent for normal results."""
    found: FloatArray = _CONSISTENT * np.median(np.abs(x - np.median(x, axis=0)), axis=0)
    # A sum or difference may be constant (a section with itself); a section or direction may not.
    if found.ndim == 1 and not np.all(found > 0):
        raise EstimationError(
            "joint chart: half of the base runs have the same result in a section. Look for rounded or repeated "
            "results."
        )
    return found


@lru_cache(maxsize=32)
def robust_limits(runs: int, sections: int, false_alarm: float, seed: int = 1) -> tuple[float, float]:
    """Return the limits of T² for base runs and for a new run that a run in control exceeds with `false_alarm`.

    Simulated: 500 base periods of normal results with 200 new runs each; at 0.27 % the rate is good to about 6 %.
    """
    rng = np.random.default_rng(seed)
    base: list[FloatArray] = []
    new: list[FloatArray] = []
    for _ in range(_DRAWS):
        x = rng.standard_normal((runs, sections))
        centre, covariance = robust_covariance(x)
        for points, out in ((x, base), (rng.standard_normal((_NEW, sections)), new)):
            away = points - centre
            out.append((away * np.linalg.solve(covariance, away.T).T).sum(axis=1))
    base_limit, new_limit = (float(np.quantile(np.concatenate(out), 1 - false_alarm)) for out in (base, new))
    return base_limit, new_limit
