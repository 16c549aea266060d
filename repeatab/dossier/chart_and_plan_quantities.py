"""Quantities of control charts and of plans: limits, run lengths, beginnings, probabilities of verdicts.

In: nothing.  Out: QuantityEntry values.
"""

from __future__ import annotations

from repeatab.dossier.quantity import CHART, COMPARISONS, PLAN, QuantityEntry, RateUse

_LIMITS = QuantityEntry(
    name="Centre and limits of a chart",
    definition="Mean of the base period and three (or the stated number of) standard deviations about it, "
    "visit-to-visit and within-visit scatter kept apart; prediction limits below twenty base visits.",
    source="ISO 7870-2:2013; Hahn & Meeker (1991), Statistical Intervals, 4.7",
    jobs=(CHART,), checks=("check standard", "chart factors"),
)  # fmt: skip

_RULE_LENGTHS = QuantityEntry(
    name="Run lengths: limits and run rules",
    definition="The mean number of visits to a signal, in control and at a shift; with it the false alarms per "
    "year.",
    source="Champ & Woodall (1987), Technometrics 29, 393-399", jobs=(CHART, PLAN), checks=("run rules",),
)  # fmt: skip

_MEMORY_LENGTHS = QuantityEntry(
    name="Run lengths: cumulative sums and moving averages",
    definition="The same for charts that remember.",
    source="Lucas & Crosier (1982), Technometrics 24; Lucas & Saccucci (1990), Technometrics 32, 1-29",
    jobs=(CHART, PLAN), checks=("sums", "moving average"),
)  # fmt: skip

_BEGINNING = QuantityEntry(
    name="Beginning of a change",
    definition="Maximum likelihood for a step and for a drift; the range is that of all beginnings that the "
    "data do not rule out.",
    source="Samuel, Pignatiello & Calvin (1998), Quality Engineering 10, 521-527; Siegmund (1988)",
    jobs=(CHART,),
)  # fmt: skip

_SCATTER_BEGINNING = QuantityEntry(
    name="Beginning of a change of scatter",
    definition="Maximum likelihood for one step of the variance within visits, with that of the base period; range and "
    "limits of the ratio are those of all steps that the data do not rule out.",
    source="Samuel, Pignatiello & Calvin (1998), Quality Engineering 10, 529-538; Siegmund (1988)",
    jobs=(CHART,),
)  # fmt: skip

_PROBABILITY = QuantityEntry(
    name="Probability of a verdict, what to run next",
    definition="Studies of the planned layout are simulated at the believed scatter and judged by the "
    "estimators and rules of the study itself; where an exact value exists it is used.",
    source="Simulation; Owen (1965), Biometrika 52, 437-446, for probabilities by integration",
    jobs=(PLAN, *COMPARISONS), checks=("power",),
    rates=(RateUse(sheet="plan_promises", says="what plans promise beside what studies then give"),),
)  # fmt: skip


CHART_AND_PLAN_QUANTITIES = (
    _LIMITS,
    _RULE_LENGTHS,
    _MEMORY_LENGTHS,
    _BEGINNING,
    _SCATTER_BEGINNING,
    _PROBABILITY,
)
"""In the order of the page."""
