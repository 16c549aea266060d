"""Several reference runs per visit: visit-to-visit and within-visit scatter kept apart.

In: mean and number of runs of each base visit, and the scatter within.  Out: both standard deviations, limits for
a new visit's mean, and a limit for its scatter.

A chart of visit means with limits from the scatter within a visit would signal at every visit of a sound rig,
since setting up, temperature and a fresh set change from visit to visit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from repeatab.base.errors import EstimationError, NotSeparableError
from repeatab.control.arrays import FloatArray, IntArray
from repeatab.control.limits import TRIAL_BELOW, LimitKind, Limits, nominal_rate
from repeatab.control.scatter_distribution import prediction_factor


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitScatter:
    """Scatter of a base period of visits, in the unit of the results.

    within_sd, within_df: of a run within its visit.  between_sd: of the visits themselves, beyond what the
    scatter within explains; between_variance_raw may be below zero, between_sd not.  centre: mean over
    visits, each weighted by its precision; centre_variance: its variance.
    """

    visits: int
    centre: float
    centre_variance: float
    within_sd: float
    within_df: float
    between_sd: float
    between_variance_raw: float

    def mean_sd(self, runs: int) -> float:
        """Return the standard deviation of the mean of a visit of so many runs."""
        return math.sqrt(self.between_sd**2 + self.within_sd**2 / _at_least_one(runs))

    def mean_limits(self, runs: int, *, limit: float = 3.0) -> Limits:
        """Return limits for the mean of a new visit of so many runs.

        Below 20 base visits they are trial prediction limits: Student's t with visits − 1 degrees of freedom
        (the fewest that the two components can have together) and the uncertainty of the centre.
        """
        sd, trial = self.mean_sd(runs), self.visits < TRIAL_BELOW
        df = float(self.visits - 1)
        factor = limit
        if trial:
            factor = prediction_factor(
                nominal_rate(limit), df=df, count=self.visits, centre_variance=self.centre_variance / sd**2
            )
        return Limits(
            kind=LimitKind.TRIAL if trial else LimitKind.CONTROL,
            method="visit-to-visit and within-visit scatter",
            centre=self.centre,
            sd=sd,
            factor=factor,
            count=self.visits,
            df=df,
            false_alarm=nominal_rate(limit),
        )

    def spread_limit(self, runs: int, *, false_alarm: float) -> float:
        """Return the upper limit for the standard deviation within a new visit of so many runs.

        s_within × √F with runs − 1 and the base degrees of freedom; exceeded with probability `false_alarm`
        by a visit in control.

        Raises
        ------
        NotSeparableError
            One run has no scatter.

        References
        ----------
        NIST/SEMATECH e-Handbook of Statistical Methods, section 2.3.5 (control of precision).
        """
        from scipy.stats import f

        if runs < 2:
            raise NotSeparableError("visit: one run has no scatter within the visit. Chart its result only.")
        return self.within_sd * math.sqrt(float(f.isf(false_alarm, runs - 1, self.within_df)))

    def __str__(self) -> str:
        return (
            f"visit to visit {self.between_sd:.4g}, within a visit {self.within_sd:.4g} "
            f"({self.visits} visits, {self.within_df:g} degrees of freedom within)"
        )


def scatter_from_visits(
    means: FloatArray, count: IntArray, within_ss: float, within_df: float
) -> VisitScatter:
    """Return the two kinds of scatter of a base period, by one-way analysis of variance.

    Parameters
    ----------
    means, count : (visits,) mean and number of runs of each visit; the numbers may be unequal.
    within_ss, within_df : sum of squares about the visits' means and its degrees of freedom, pooled over visits.

    Raises
    ------
    EstimationError
        No scatter.

    References
    ----------
    Searle, Casella & McCulloch (1992), Variance Components, section 3.6 (unequal numbers); ISO 5725-2:2019, 7.4.
    """
    within = within_ss / within_df
    total = float(count.sum())
    grand = float(count @ means) / total
    between_ms = float(count @ (means - grand) ** 2) / (count.size - 1)
    typical = (total - float((count**2).sum()) / total) / (count.size - 1)
    raw = (between_ms - within) / typical
    between = max(0.0, raw)
    variance = between + within / count
    if not variance.min() > 0:
        raise EstimationError("base period: all results are equal. Look for rounded or repeated results.")
    weight = 1 / variance
    return VisitScatter(
        visits=int(count.size),
        centre=float(weight @ means / weight.sum()),
        centre_variance=float(1 / weight.sum()),
        within_sd=math.sqrt(within),
        within_df=float(within_df),
        between_sd=math.sqrt(between),
        between_variance_raw=raw,
    )


def _at_least_one(runs: int) -> int:
    if runs < 1:
        raise EstimationError(f"visit: found {runs} runs, expected at least 1.")
    return runs
