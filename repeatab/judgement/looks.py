"""Looks: how often a growing study may be judged, and at which error rate each time.

In: the share of the planned information at each declared look, and the confidence.  Out: LookLevels: per look the
nominal error rate of the difference claim and of each one-sided test of the equivalence claim, so that over all
looks together each stays at its stated rate. The intervals shown at a look are those at its nominal level
(repeated intervals: Jennison & Turnbull 1989, J. R. Stat. Soc. B 51, 305-361).

The rates come from a spending function (Lan & DeMets 1983, Biometrika 70, 659-663), so that looks may come
earlier or later than planned; bounds by recursive integration (Armitage, McPherson & Rowe 1969, J. R. Stat.
Soc. A 132, 235-244). They are worked out for normal estimates whose information is known. The t test of a look
takes over its nominal probability: a claim is made where p is below it (Jennison & Turnbull 2000, Group
Sequential Methods, section 3.8). That is not exact: simulated, 5 percent become at most 5.7 with 2, 3 and 4 sets
per side, 5.3 with 3 and 6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from functools import cache

import numpy as np
from scipy import special

from repeatab.base.errors import StudyError
from repeatab.cells import FloatArray

# Below this, spending at a look is none: no result could be so extreme.
_NOTHING = 1e-12
# Normal estimates further out than this many standard deviations do not occur.
_FAR = 9.0


class Spending(Enum):
    """How the error rate is shared out as information comes in.

    O_BRIEN_FLEMING : almost nothing early, almost all at the end, so that the last look costs little.
    POCOCK : about the same at every look.
    """

    O_BRIEN_FLEMING = "O'Brien-Fleming type"
    POCOCK = "Pocock type"

    def spent(self, fraction: FloatArray, alpha: float) -> FloatArray:
        """Error rate spent on one side when `fraction` (looks,) of the information is in, of `alpha` in all.

        Lan & DeMets (1983), the functions alpha_1* and alpha_2*.
        """
        if self is Spending.POCOCK:
            return np.asarray(alpha * np.log1p((math.e - 1) * fraction))
        return np.asarray(2 * special.ndtr(special.ndtri(alpha / 2) / np.sqrt(fraction)))


class Sides(Enum):
    """Whether a claim is made on one side only or on either of two."""

    ONE = 1
    TWO = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class LookLevels:
    """What each look may claim, arrays over looks.

    fractions : share of the planned information.
    difference : two-sided error rate of the difference claim, to be set beside its p; its interval has
        confidence 1 - difference.
    equivalence : error rate of each of the two one-sided tests; their interval has confidence
        1 - 2 * equivalence. Zero: nothing can be claimed at this look yet.
    """

    fractions: FloatArray
    difference: FloatArray
    equivalence: FloatArray
    confidence: float
    spending: Spending

    def __str__(self) -> str:
        looks = "; ".join(
            f"{f:.0%} of the information: difference at {d:.4f}, equivalence at {e:.4f}"
            for f, d, e in zip(self.fractions, self.difference, self.equivalence, strict=True)
        )
        return f"{len(self.fractions)} declared look(s), {self.spending.value}: {looks}"


def look_levels(fractions: Sequence[float], *, confidence: float, spending: Spending) -> LookLevels:
    """Error rates of the looks at `fractions`.

    The rates of a look depend on the looks before it and not on later ones: for a look that has come, give the
    fractions at which the earlier ones were really taken. At the last declared look all is spent, so give it
    as 1 even if more came in than was planned.

    Parameters
    ----------
    fractions : shares of the planned information, rising, above 0 and at most 1.
    confidence : of the study; both claims keep the error rate 1 - confidence over all looks.

    Raises
    ------
    StudyError
        The fractions do not rise, or do not lie between 0 and 1.
    """
    share = _checked(fractions)
    alpha = 1 - confidence
    two = look_bounds(share, alpha=alpha, spending=spending, sides=Sides.TWO)
    one = look_bounds(share, alpha=alpha, spending=spending, sides=Sides.ONE)
    return LookLevels(
        fractions=share, difference=2 * special.ndtr(-two), equivalence=special.ndtr(-one),
        confidence=confidence, spending=spending,
    )  # fmt: skip


def information_fractions(sets: Sequence[tuple[int, int]]) -> FloatArray:
    """Shares of information at looks with (sets at a, sets at b), the last of which is the whole.

    The information on a difference of two means is as 1 / (1/a + 1/b); sets that ran at both levels count as
    (sets, sets).

    Raises
    ------
    StudyError
        A look without sets on one side.
    """
    if any(min(pair) < 1 for pair in sets):
        raise StudyError("looks: found a look with no set on one side, expected at least one set on each.")
    information = np.array([1 / (1 / a + 1 / b) for a, b in sets])
    return _checked(information / information[-1])


def look_bounds(
    fractions: Sequence[float] | FloatArray, *, alpha: float, spending: Spending, sides: Sides
) -> FloatArray:
    """(looks,) bounds on the standardised estimate that spend `alpha` as the function says.

    On two sides each side spends half of `alpha`. An infinite bound stands where nothing is spent yet.
    """
    share = _checked(fractions)
    spent = spending.spent(share, alpha / sides.value) * sides.value
    path = _Path(sides)
    found = []
    for fraction, rate in zip(share, np.diff(spent, prepend=0.0), strict=True):
        bound = math.inf if rate < _NOTHING else path.bound_spending(float(fraction), float(rate))
        path = path.after(float(fraction), bound)
        found.append(bound)
    return np.array(found)


def exit_probabilities(
    bounds: Sequence[float] | FloatArray, fractions: Sequence[float] | FloatArray, *, sides: Sides
) -> FloatArray:
    """(looks,) probabilities that a study of no effect first crosses its bound at each look."""
    path = _Path(sides)
    found = []
    for fraction, bound in zip(_checked(fractions), bounds, strict=True):
        found.append(path.crossing(float(fraction), float(bound)))
        path = path.after(float(fraction), float(bound))
    return np.array(found)


def _checked(fractions: Sequence[float] | FloatArray) -> FloatArray:
    share = np.asarray(fractions, np.float64)
    if share.ndim != 1 or len(share) == 0 or not ((share > 0) & (share <= 1 + 1e-12)).all():
        raise StudyError(
            f"looks: found {list(fractions)}, expected shares of the planned information above 0 and at most 1, "
            "such as 0.5 and 1."
        )
    if (np.diff(share) <= 0).any():
        raise StudyError(
            f"looks: found {list(fractions)}, expected shares that rise from look to look. A look at the same "
            "data again is not a new look; leave it out."
        )
    return np.minimum(share, 1.0)


@cache
def _rule(number: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights on -1 to 1."""
    node, weight = np.polynomial.legendre.leggauss(number)
    return node, weight


@dataclass(frozen=True, slots=True)
class _Path:
    """The sum process of a study that has crossed no bound so far.

    The sum at information t has variance t. `node` and `mass` stand for its density where the study goes on;
    before the first look it is zero with certainty.
    """

    sides: Sides
    fraction: float = 0.0
    node: tuple[float, ...] = (0.0,)
    mass: tuple[float, ...] = (1.0,)

    def crossing(self, fraction: float, bound: float) -> float:
        """Probability of crossing `bound` at `fraction`, and no bound before."""
        step = math.sqrt(fraction - self.fraction)
        edge, node = bound * math.sqrt(fraction), np.array(self.node)
        tail = special.ndtr((node - edge) / step)
        if self.sides is Sides.TWO:
            tail = tail + special.ndtr((-node - edge) / step)
        return float(np.array(self.mass) @ tail)

    def bound_spending(self, fraction: float, rate: float) -> float:
        """The bound that is first crossed at `fraction` with probability `rate`."""
        from scipy import optimize

        return float(
            optimize.brentq(lambda b: math.log(max(self.crossing(fraction, b), 1e-300) / rate), -_FAR, _FAR)
        )

    def after(self, fraction: float, bound: float) -> _Path:
        """The path that goes on beyond the look at `fraction`."""
        reach = _FAR * math.sqrt(fraction)
        high = min(bound * math.sqrt(fraction), reach)
        low = -high if self.sides is Sides.TWO else -reach
        step = math.sqrt(fraction - self.fraction)
        # Gauss-Legendre nodes, several to each step's width: the density is as smooth as the step.
        x, w = _rule(min(40 * (1 + int((high - low) / step / 5)), 600))
        node = low + (high - low) / 2 * (x + 1)
        away = (node[:, None] - np.array(self.node)) / step
        density = np.exp(-(away**2) / 2) @ np.array(self.mass) / (step * math.sqrt(2 * math.pi))
        mass = density * w * (high - low) / 2
        return _Path(self.sides, fraction, tuple(node), tuple(mass))
