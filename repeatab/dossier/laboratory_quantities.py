"""Quantities of round robins: precision, consistency, assigned values, scores.

In: nothing.  Out: QuantityEntry values.
"""

from __future__ import annotations

from repeatab.dossier.quantity import ROUND, QuantityEntry, covers

_PRECISION = QuantityEntry(
    name="s_r, s_L and s_R across laboratories",
    definition="Repeatability pooled within cells, between-laboratory standard deviation from cell means with "
    "unequal numbers weighted, and the root of both variances together.",
    source="ISO 5725-2:1994, 7.4", jobs=(ROUND,), checks=("sulfur", "softening", "glucose"),
    rates=(
        covers("s_r", "direct_intervals"), covers("s_L", "direct_intervals"),
        covers("s_R", "direct_intervals"),
    ),
)  # fmt: skip

_CONSISTENCY = QuantityEntry(
    name="h and k, Cochran and Grubbs",
    definition="h: a laboratory's mean less the general mean over the standard deviation of means; k: its "
    "standard deviation over the pooled one. Cochran tests the largest variance, Grubbs the extreme means.",
    source="ISO 5725-2:1994, 7.3", jobs=(ROUND,), checks=("sulfur", "critical values"),
)  # fmt: skip

_ROBUST = QuantityEntry(
    name="Robust mean and standard deviation",
    definition="Algorithm A on means, algorithm S on standard deviations: extreme values are drawn in until "
    "nothing changes.",
    source="ISO 13528:2022, annex C; ISO 5725-5:1998, clause 6", jobs=(ROUND,), checks=("robust",),
)  # fmt: skip

_ASSIGNED = QuantityEntry(
    name="Assigned value from stated uncertainties",
    definition="Weighted mean with a between-laboratory variance, by the method that the study states.",
    source="Mandel & Paule (1970); DerSimonian & Laird (1986)", jobs=(ROUND,), checks=("consensus",),
)  # fmt: skip

_SCORES = QuantityEntry(
    name="Scores z, z′, zeta, E_n",
    definition="Deviation from the assigned value over the standard deviation for proficiency assessment, with "
    "the assigned value's uncertainty, over both standard uncertainties, over both expanded uncertainties.",
    source="ISO 13528:2022, clause 9", jobs=(ROUND,), checks=("scores",),
)  # fmt: skip


LABORATORY_QUANTITIES = (
    _PRECISION,
    _CONSISTENCY,
    _ROBUST,
    _ASSIGNED,
    _SCORES,
)
"""In the order of the page."""
