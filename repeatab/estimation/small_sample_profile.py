"""Small-sample profile: likelihood limits that stay right where a source has few levels.

In: a problem (System, Bordered) and its minimum.  Out: (groups, K + 1) lower and upper variances.

Profile limits take the rise of the criterion as a chi-square with one degree of freedom, which needs many levels: with
three rigs the upper limit falls short in 5 to 7 % of studies instead of 2.5 %. One mean square with n degrees of
freedom has the rise n (log u - 1 + 1 / u), u being the variance over its estimate, and its exact limits are known; so
each limit of a source with n degrees of freedom of its own is taken where the rise reaches what it is at the exact
limit of a mean square with as many. For layouts too large for pivotal limits.
Source: own, from the likelihood and the exact limits of a chi-square; a likelihood ratio brought to its exact law in
the manner of Bartlett (1937), Proc. R. Soc. A 160, 268-282. Coverage by simulation in tests/assurance.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.minimise import Minimum
from repeatab.estimation.moments import Problem, criterion
from repeatab.estimation.profile import limits_at
from repeatab.layout.layout import Layout

# Beyond, the points differ from those of many levels by less than a tenth.
_MANY = 30
# Variances that stand for "nothing" and "everything" beside those of the terms around them.
_OWN, _OTHERS = (1e4, 1e6), 1e9


def small_sample_limits(
    problem: Problem, minimum: Minimum, layout: Layout, *, level: float
) -> tuple[FloatArray, FloatArray]:
    """Limits of the variances in the units of `minimum`; repeatability by plain profile."""
    own = own_degrees(problem, layout)
    rises = np.full((2, minimum.theta.shape[1]), float(special.chdtri(1, 1 - level)))
    for df in np.unique(own[(own > 0) & (own < _MANY)]):
        sides = [float(special.chdtri(1, 1 - side)) for side in equivalent_levels(int(df), level=level)]
        rises[:, np.flatnonzero(own == df)] = np.array(sides)[:, None]
    return limits_at(problem, minimum, rises)


def equivalent_levels(df: int, *, level: float) -> tuple[float, float]:
    """The levels at which profile limits of one mean square with `df` degrees of freedom are its exact lower and upper
    limits at `level`."""
    tail = (1 - level) / 2
    points = special.chdtri(df, np.array([tail, 1 - tail]))
    rise = df * (np.log(df / points) + points / df - 1)
    low, high = special.chdtr(1, rise)
    return float(low), float(high)


def own_degrees(problem: Problem, layout: Layout) -> IntArray:
    """(terms,) degrees of freedom that each random term has beside all terms that do not lie within it.

    With the others' variances out of all proportion, the term's own large and those within it zero, the logarithm of
    the determinant, and with it the criterion, grows by one logarithm of the own variance for each.
    """
    terms = [layout.random[i] for i in layout.estimated]
    one = problem.take(np.array([0]))
    found = np.empty(len(terms), np.int64)
    for j, term in enumerate(terms):
        theta = np.full((1, len(terms) + 1), _OTHERS)
        for k, other in enumerate(terms):
            if k != j and other.is_finer_than(term):
                theta[0, k] = 0.0
        theta[0, -1] = 1.0
        value = []
        for variance in _OWN:
            theta[0, j] = variance
            value.append(float(criterion(one, theta)[0]))
        found[j] = round((value[1] - value[0]) / np.log(_OWN[1] / _OWN[0]))
    return found
