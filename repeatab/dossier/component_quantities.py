"""Quantities of scatter: repeatability, components, R&R, intraclass correlation, the measurement process.

In: nothing.  Out: QuantityEntry values.
"""

from __future__ import annotations

from repeatab.dossier.quantity import CHART, CHECK, GAUGE, ROUND, UNEVEN, QuantityEntry, RateUse, covers

_REPEATABILITY = QuantityEntry(
    name="Repeatability standard deviation s_r",
    definition="Standard deviation of results taken under the same conditions: same rig, operator and pad set, "
    "one run after the other. Where no set was run twice under the same conditions it cannot be told from the "
    "scatter of sets, and carries the joint name. Its interval is the exact chi-square interval.",
    source="ISO 5725-1:2023; Searle, Casella & McCulloch (1992), Variance Components",
    jobs=(GAUGE, ROUND, CHECK, CHART), checks=("certified", "anova", "limits"),
    rates=(covers("repeatability"),),
)  # fmt: skip

_COMPONENTS = QuantityEntry(
    name="Components of scatter (rig, operator, pad set, and their combinations)",
    definition="The variance that a source adds to a single result, all others being as they are; printed as a "
    "standard deviation. From expected mean squares where the layout is balanced, by restricted maximum "
    "likelihood elsewhere. Never below zero; the raw estimate is kept.",
    source="Searle, Casella & McCulloch (1992); Patterson & Thompson (1971), Biometrika 58, 545-554",
    jobs=(GAUGE, ROUND), checks=("certified", "anova", "reml", "reml printed"),
)  # fmt: skip

_INTERVAL = QuantityEntry(
    name="Interval of a component",
    definition="The range of standard deviations that the data do not rule out at the stated confidence: "
    "modified large-sample where balanced, generalised pivotal elsewhere.",
    source="Graybill & Wang (1980), JASA 75, 869-873; Ting et al. (1990), J. Stat. Comput. Simul. 35, 135-143; "
    "Weerahandi (1993), JASA 88, 899-905",
    jobs=(GAUGE, ROUND), checks=("limits",),
    rates=(covers("rig"), covers("set"), covers("operator"), covers("visit")),
)  # fmt: skip

_RR = QuantityEntry(
    name="R&R, its share of tolerance or total, distinct categories",
    definition="R&R: the root of repeatability and reproducibility variance together. Its share is six (or the "
    "stated number of) standard deviations over the tolerance, or the ratio to the total standard deviation. "
    "Distinct categories: 1.41 times the ratio of part to R&R standard deviation, cut to a whole number; not "
    "given where pads are used up by one run.",
    source="Automotive measurement-systems handbook, 4th edition (2010), chapters II and III",
    jobs=(GAUGE,), checks=("gauge",), rates=(
        covers("R&R"), covers("R&R in % of total"),
        RateUse(sheet="gauge_verdicts", says="how often each verdict is given, by what is true"), UNEVEN,
    ),
)  # fmt: skip

_INTRACLASS = QuantityEntry(
    name="Intraclass correlation",
    definition="The share of the pad sets in the variance of a single result.",
    source="Shrout & Fleiss (1979), Psychological Bulletin 86, 420-428",
    jobs=(GAUGE,), checks=("intraclass",), rates=(covers("agreement (intraclass)"),),
)  # fmt: skip

_PROCESS = QuantityEntry(
    name="Measuring system and measurement process against the tolerance; bias",
    definition="Q = 2 U / tolerance with U = 2 u; C = 0.3 tolerance / (6 u) for the system and / (3 u) for the "
    "process. Bias: mean of repeated readings of a reference less its value, with Student's t.",
    source="ISO 22514-7:2012 and 2021; automotive measurement-systems handbook, chapter III B",
    jobs=(GAUGE,), checks=("bias",),
)  # fmt: skip


COMPONENT_QUANTITIES = (
    _REPEATABILITY,
    _COMPONENTS,
    _INTERVAL,
    _RR,
    _INTRACLASS,
    _PROCESS,
)
"""In the order of the page."""
