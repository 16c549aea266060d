"""When the scatter within visits probably began to differ from that of the base period, and by how much.

In: sums of squares and degrees of freedom of the visits in order, up to the signal; the variance of the base period;
the limit that the last visit broke.  Out: ScatterBeginning.  Not here: the level of the visits (beginning).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtri, gammainc, gammaincc, gammaln

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray, series
from repeatab.control.ewma import require_scatter

_WHAT = "beginning of a change of scatter"
_MOST = 200
_ROUNDS, _SAME, _FAR, _DEEPEST = 60, 1e-9, 25.0, 600.0
_NEAR = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterBeginning:
    """The first visit at the new scatter, from 0: the most likely one, and the range that the data do not rule out.

    first, last: that range, at confidence `level`.  ratio: standard deviation from the most likely visit on over that
    of the base period and the visits before.  lower, upper: its limits, wherever in the range the change began.
    """

    most_likely: int
    first: int
    last: int
    ratio: float
    lower: float
    upper: float
    level: float


def scatter_beginning(
    squares: ArrayLike,
    df: ArrayLike,
    *,
    base_variance: float,
    base_df: float,
    limit: float | None = None,
    rising: bool = True,
    level: float = 0.95,
) -> ScatterBeginning:
    """Return when the scatter within visits stepped to another value, given that it did once.

    Each visit's sum of squares is a variance times a χ² of its own degrees of freedom: σ² in the base period and up to
    a visit, ρ² σ² from there on. All three are fitted by maximum likelihood, so that a base period of few runs counts
    for as much as it knows. With N₀ degrees of freedom before a step and N₁ after it, and mean squares M₀ and M₁, the
    log likelihood is −(N₀ ln M₀ + N₁ ln M₁)/2 but for a constant. For a known σ (N₀ without end) its gain over no
    change is N₁ (r − 1 − ln r)/2, r = M₁/σ².

    The range holds every visit that lies within −ln(1 − √level) of the largest log likelihood: the distance of a step
    of known size, from which the loss on either side is a random walk that exceeds D with probability at most e^−D
    (Siegmund 1988). For the range the last visit's own likelihood is that given that it broke its limit, and the change
    goes to that side: a signal chooses its visit for its large scatter, and by that alone a change would seem to have
    begun there. That range and limits keep their level with estimated sizes, for data that end with the signal, is
    shown by simulation (without it: 85 % for a factor of 1.5 and two runs a visit).

    Parameters
    ----------
    squares : (visits,) centred sums of squares, in order, from a time known to be in control up to the signal. Of more
        than 200 the change is sought in the latest 200.
    df : (visits,) their degrees of freedom, runs less one, at least 1 each.
    base_variance, base_df : of a run within a visit, and its degrees of freedom (1e6 for one that is known).
    limit : the standard deviation that the last visit broke, as far as its own reaches; None for data that do not end
        with a signal.
    rising : whether the last visit lies above its limit.

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
    # In units of the base variance: the logarithm of a well known M₀ is then near zero and keeps its digits.
    s = s / base_variance
    early = max(0, s.size - _MOST)
    steps = _Steps.of(
        s[early:], n[early:], base_df + float(s[:early].sum()), base_df + float(n[:early].sum())
    )
    best = int(np.argmax(steps.log_likelihood(steps.after / steps.n_after)))
    height = steps.log_likelihood(steps.after / steps.n_after)
    if limit is not None:
        height = steps.given_signal(limit**2 * float(n[-1]) / base_variance, rising)
    kept = np.flatnonzero(height >= height.max() + math.log(1 - math.sqrt(level)))
    first, last = min(best, int(kept[0])), max(best, int(kept[-1]))
    # Half of what the level leaves is for the ratio, given the visit; the other half for a visit outside the range.
    lower, upper = steps.limits(first, last, (1 + level) / 2)
    ratio = steps.ratio[best]
    return ScatterBeginning(
        most_likely=early + best, first=early + first, last=early + last, ratio=math.sqrt(float(ratio)), lower=lower,
        upper=upper, level=level,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Steps:
    """(visits,) sums of squares before and after a step at each visit, over the base variance, and their degrees of
    freedom; last, n_last: of the last visit."""

    before: FloatArray
    after: FloatArray
    n_before: FloatArray
    n_after: FloatArray
    last: float
    n_last: float

    @classmethod
    def of(cls, s: FloatArray, n: FloatArray, base: float, base_df: float) -> _Steps:
        return cls(
            before=base + np.concatenate([[0.0], np.cumsum(s)[:-1]]), after=np.cumsum(s[::-1])[::-1],
            n_before=base_df + np.concatenate([[0.0], np.cumsum(n)[:-1]]), n_after=np.cumsum(n[::-1])[::-1],
            last=float(s[-1]), n_last=float(n[-1]),
        )  # fmt: skip

    @property
    def ratio(self) -> FloatArray:
        """Of the mean squares after and before each step."""
        found: FloatArray = self.after / self.n_after * self.n_before / self.before
        return found

    def log_likelihood(self, variance: FloatArray) -> FloatArray:
        """With the variance before the step at its best, and this one after it."""
        told_before = self.n_before * (np.log(self.before / self.n_before) + 1)
        found: FloatArray = -(told_before + self.n_after * np.log(variance) + self.after / variance) / 2
        return found

    def given_signal(self, bound: float, rising: bool) -> FloatArray:
        """With both variances at their best, given that the last sum of squares lies beyond `bound`.

        A step may only go to the side of the signal; where the best would go the other way there is none.
        """
        # A limit on another measure, the range, may say less than the visit itself: then the bound is the visit.
        bound = min(bound, self.last) if rising else max(bound, self.last)
        last = _LastVisit(bound=bound, half=self.n_last / 2, rising=rising)
        squares, n = (self.before + self.after)[:1], (self.n_before + self.n_after)[:1]
        whole = last.precision(squares, n, last.farthest(squares, n))
        unchanged = float((n * np.log(whole) - squares * whole)[0]) / 2 - float(last.log_chance(whole)[0])
        # No step is looked for beyond the precision before it: there it would go to the other side.
        theta = last.precision(self.after, self.n_after, np.log(self.n_before / self.before))
        found = self.log_likelihood(1 / theta) - last.log_chance(theta)
        apart = last.toward * (np.log(self.n_before / self.before) - np.log(theta)) > 1e-9
        return np.where(apart, np.maximum(found, unchanged), unchanged)

    def limits(self, first: int, last: int, level: float) -> tuple[float, float]:
        """The lowest and highest limit of the ratio of standard deviations, for steps from the first to the last visit.

        By F for each step. They change fast near the end only: of many steps before the last 32 some are looked at.
        """
        at = np.arange(first, last + 1)
        if at.size > 2 * _NEAR:
            at = np.concatenate([np.linspace(first, last - _NEAR, _NEAR).astype(np.int64), at[-_NEAR:]])
        ratio, n, m = self.ratio[at], self.n_after[at], self.n_before[at]
        high, low = (fdtri(n, m, p) for p in ((1 + level) / 2, (1 - level) / 2))
        return math.sqrt(float((ratio / high).min())), math.sqrt(float((ratio / low).max()))


@dataclass(frozen=True, slots=True, kw_only=True)
class _LastVisit:
    """The last visit, known to lie beyond its bound: above it if `rising`.  half: half its degrees of freedom."""

    bound: float
    half: float
    rising: bool

    def log_chance(self, theta: FloatArray) -> FloatArray:
        """Logarithm of the probability of a signal at the precision θ = 1/variance."""
        x = self.bound * theta / 2
        chance = gammaincc(self.half, x) if self.rising else gammainc(self.half, x)
        found: FloatArray = np.log(np.maximum(chance, 1e-300))
        return found

    @property
    def toward(self) -> float:
        """Which way the precision after a step lies from its mean square's, given the signal."""
        return 1.0 if self.rising else -1.0

    def farthest(self, squares: FloatArray, n: FloatArray) -> FloatArray:
        """Logarithm of a precision that no likelihood asks for, where the chance is still a number."""
        far = np.log(n / squares) + self.toward * _FAR
        return np.minimum(far, math.log(2 * _DEEPEST / self.bound)) if self.rising else far

    def precision(self, squares: FloatArray, n: FloatArray, end: FloatArray) -> FloatArray:
        """The most likely precision after a step, given the signal, no farther than the logarithm `end`.

        (n ln θ − θ squares)/2 − ln P(signal) is concave in θ, the natural parameter of a family cut at the bound. Its
        slope is followed to zero by Newton's steps in ln θ, kept within an interval that holds the zero.
        """
        plain, log_theta = np.log(n / squares), end.copy()
        ahead = self.toward * (end - plain) > 0
        ahead &= self.toward * self._slope(end, squares, n)[0] < 0
        squares, n, at = squares[ahead], n[ahead], plain[ahead]
        low, high = np.minimum(at, end[ahead]), np.maximum(at, end[ahead])
        for _ in range(_ROUNDS):
            slope, bend = self._slope(at, squares, n)
            low, high = np.where(slope > 0, at, low), np.where(slope > 0, high, at)
            step = at - slope / np.where(bend < 0, bend, -np.inf)
            inside = (bend < 0) & (step >= low) & (step <= high)
            before, at = at, np.where(inside, step, (low + high) / 2)
            if np.abs(at - before).max(initial=0.0) < _SAME:
                break
        log_theta[ahead] = at
        found: FloatArray = np.exp(log_theta)
        return found

    def _slope(
        self, log_theta: FloatArray, squares: FloatArray, n: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Slope of the log likelihood in ln θ, and the slope of that."""
        theta = np.exp(log_theta)
        x = self.bound * theta / 2
        density = np.exp(self.half * np.log(x) - x - gammaln(self.half) - self.log_chance(theta))
        pull = self.toward * density
        bend: FloatArray = -squares * theta / 2 + pull * (self.half - x + pull)
        slope: FloatArray = (n - squares * theta) / 2 + pull
        return slope, bend


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
