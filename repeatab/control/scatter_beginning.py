"""When the scatter within visits probably began to differ from that of the base period, and by how much.

In: sums of squares and degrees of freedom of the visits in order, up to the signal; the variance of the base period.
Out: ScatterBeginning.  Not here: the level of the visits (beginning).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray, series
from repeatab.control.ewma import require_scatter

_WHAT = "beginning of a change of scatter"
_HALVINGS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterBeginning:
    """The first visit at the new scatter, from 0: the most likely one, and the range that the data do not rule out.

    first, last: that range, at confidence `level`.  ratio: standard deviation from the most likely visit on over that
    of the base period and the visits before.  lower, upper: the ratios that the data do not rule out.
    """

    most_likely: int
    first: int
    last: int
    ratio: float
    lower: float
    upper: float
    level: float


def scatter_beginning(
    squares: ArrayLike, df: ArrayLike, *, base_variance: float, base_df: float, level: float = 0.95
) -> ScatterBeginning:
    """Return when the scatter within visits stepped to another value, given that it did once.

    Each visit's sum of squares is a variance times a χ² of its own degrees of freedom: σ² in the base period and up to
    a visit, ρ² σ² from there on. All three are fitted by maximum likelihood, so that a base period of few runs counts
    for as much as it knows. With N₀ degrees of freedom before a step and N₁ after it, and mean squares M₀ and M₁, the
    log likelihood is −(N₀ ln M₀ + N₁ ln M₁)/2 but for a constant. For a known σ (N₀ without end) its gain over no
    change is N₁ (r − 1 − ln r)/2, r = M₁/σ².

    The range holds every visit, and the limits every ratio, that within some pair lie no more than −ln(1 − √level)
    below the largest log likelihood. For a step of known size that distance keeps the level: the loss of log likelihood
    away from the true visit is a random walk on each side that exceeds D with probability at most e^−D (Siegmund 1988).
    That range and limits keep it when the size is estimated, by data that end with the signal too, is simulated.

    Parameters
    ----------
    squares : (visits,) centred sums of squares, in order, from a time known to be in control up to the signal.
    df : (visits,) their degrees of freedom, runs less one, at least 1 each.
    base_variance, base_df : of a run within a visit, and its degrees of freedom (1e6 for one that is known).

    Raises
    ------
    InputError, EstimationError
        No visits, a value missing or negative, no scatter in the base period or at the last visit, a level outside
        0 to 1.

    References
    ----------
    Samuel, Pignatiello & Calvin (1998), Quality Engineering 10, 529-538 (step change of a normal variance, known before
    it; from memory); Siegmund (1988), International Statistical Review 56, 31-48 (range).
    """
    s, n = series(squares, what=_WHAT, least=1), series(df, what=_WHAT, least=1)
    _check(s, n, base_variance, base_df, level)
    after, n_after = np.cumsum(s[::-1])[::-1], np.cumsum(n[::-1])[::-1]
    before = base_df * base_variance + np.concatenate([[0.0], np.cumsum(s)[:-1]])
    n_before = base_df + np.concatenate([[0.0], np.cumsum(n)[:-1]])
    # About the base variance: the logarithm of a well known M₀ is then near zero and keeps its digits.
    told_before = n_before * np.log(before / n_before / base_variance)
    told_after = n_after * np.log(after / n_after / base_variance)
    gain = -(told_before + told_after) / 2
    best = int(np.argmax(gain))
    least = float(gain[best]) + math.log(1 - math.sqrt(level))
    kept = np.flatnonzero(gain >= least)
    steps = _Steps(
        before=before[kept] / base_variance, after=after[kept] / base_variance, n_before=n_before[kept],
        n_after=n_after[kept],
    )  # fmt: skip
    lower, upper = steps.bounds(least)
    likeliest = after[best] / n_after[best] * n_before[best] / before[best]
    return ScatterBeginning(
        most_likely=best, first=int(kept[0]), last=int(kept[-1]), ratio=math.sqrt(float(likeliest)),
        lower=math.exp(lower / 2), upper=math.exp(upper / 2), level=level,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Steps:
    """(visits,) sums of squares before and after a step at each visit, over the base variance, and their degrees of
    freedom."""

    before: FloatArray
    after: FloatArray
    n_before: FloatArray
    n_after: FloatArray

    def log_likelihood(self, log_ratio: FloatArray) -> FloatArray:
        """With the variance before the step at its best, for a logarithm of the ratio of variances: concave in it."""
        total = self.n_before + self.n_after
        variance = (self.before + self.after * np.exp(-log_ratio)) / total
        found: FloatArray = -(total * np.log(variance) + self.n_after * log_ratio) / 2
        return found

    def bounds(self, least: float) -> tuple[float, float]:
        """Lowest and highest logarithm of the ratio of variances at which some step reaches that log likelihood."""
        top = np.log(self.after / self.n_after) - np.log(self.before / self.n_before)
        low, high = (self._crossing(top, sign, least) for sign in (-1.0, 1.0))
        return float(low.min()), float(high.max())

    def _crossing(self, top: FloatArray, sign: float, least: float) -> FloatArray:
        """Where each log likelihood falls to `least` on one side of its top, by halving an interval that holds it."""
        apart = np.ones_like(top)
        while (beyond := self.log_likelihood(top + sign * apart) > least).any():
            apart = np.where(beyond, 2 * apart, apart)
        near, far = np.zeros_like(top), apart
        for _ in range(_HALVINGS):
            middle = (near + far) / 2
            above = self.log_likelihood(top + sign * middle) > least
            near, far = np.where(above, middle, near), np.where(above, far, middle)
        return top + sign * (near + far) / 2


def _check(s: FloatArray, n: FloatArray, base_variance: float, base_df: float, level: float) -> None:
    require_scatter(math.sqrt(max(0.0, base_variance)), what=_WHAT)
    if not 0 < level < 1:
        raise EstimationError(f"{_WHAT}: found level {level}, expected between 0 and 1.")
    if n.size != s.size:
        raise EstimationError(
            f"{_WHAT}: found {s.size} sums of squares and {n.size} degrees of freedom, expected as many."
        )
    if float(n.min()) < 1 or not base_df > 0:
        raise EstimationError(
            f"{_WHAT}: found a visit of one run or a base without degrees of freedom; leave these out."
        )
    if float(s.min()) < 0:
        raise EstimationError(f"{_WHAT}: found a sum of squares of {float(s.min())}, expected 0 or more.")
    if not s[-1] > 0:
        raise EstimationError(
            f"{_WHAT}: the runs of the last visit are all equal, so any ratio down to zero fits. Look for "
            "rounded results."
        )
