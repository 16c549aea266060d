"""Quantities of comparisons: offsets, verdicts, looks, ratios of scatter, agreement, conformity.

In: nothing.  Out: QuantityEntry values.
"""

from __future__ import annotations

from repeatab.dossier.quantity import CHECK, COMPARISONS, DRIFT, LOTS, UNEVEN, QuantityEntry, RateUse, covers

_OFFSET = QuantityEntry(
    name="Offset (of a rig, a phase or a pad lot) with standard error and degrees of freedom",
    definition="Difference of two means, sets and other sources of scatter being random. Two views: scatter "
    "pooled (REML, Kenward-Roger) and each level's own; a verdict has to hold in both.",
    source="Kenward & Roger (1997), Biometrics 53, 983-997; Welch (1947), Biometrika 34, 28-35",
    jobs=COMPARISONS, checks=("kenward-roger", "two means"),
    rates=(RateUse(
        sheet="correlation_error_rates", column="excludes zero at no offset",
        says="intervals that exclude zero where there is no offset", promise="5 %, in regular layouts 4 to 6 %",
    ),
    covers("difference, pooled", "contrast_grid"), covers("ratio, pooled", "contrast_grid"),
    RateUse(
        sheet="contrast_grid", column="covers, %", where="difference, each fitted alone",
        says="95 % intervals that hold the true value",
        promise="about 95 %, less with three sets; a verdict needs the pooled view as well",
    ),
    UNEVEN, DRIFT),
)  # fmt: skip

_EQUIVALENT = QuantityEntry(
    name="Verdict 'equivalent'",
    definition="Two one-sided tests, each at one less the confidence: the interval at 2 c - 1 lies inside the "
    "margin. A percent margin is tested as mean - ratio × mean.",
    source="Schuirmann (1987), J. Pharmacokin. Biopharm. 15, 657-680; Fieller (1954), J. R. Stat. Soc. B 16, "
    "175-185",
    jobs=COMPARISONS, checks=("equivalence",),
    rates=(
        RateUse(
            sheet="correlation_error_rates", column="equivalent at + margin",
            says="'equivalent' where the offset is the margin", promise="at most 5 %",
        ),
        RateUse(
            sheet="requal_error_rates", column="at the margin: called none",
            says="no shift claimed where the shift is the margin", promise="at most 5 %",
        ),
    ),
)  # fmt: skip

_DIFFERENT = QuantityEntry(
    name="Verdict 'different' over several sections, pairs, and shifts",
    definition="The interval at the stated confidence excludes no difference. Over the deciding sections by "
    "Holm's steps, over the pairs within a section by the multivariate t distribution.",
    source="Holm (1979), Scand. J. Statist. 6, 65-70; Hothorn, Bretz & Westfall (2008), Biometrical J. 50, "
    "346-363",
    jobs=COMPARISONS, checks=("kenward-roger", "two means"),
    rates=(
        RateUse(
            sheet="correlation_families", column="any false difference",
            says="any false difference among more than two rigs", promise="at most 5 %",
        ),
        RateUse(
            sheet="correlation_families", column="false overall different",
            says="overall 'different' over eight sections without an offset", promise="at most 5 %",
        ),
        RateUse(
            sheet="lot_error_rates", column="any false difference, %",
            says="any false difference among pad lots", promise="at most 5 %",
        ),
        RateUse(
            sheet="requal_error_rates", column="no shift: called shifted",
            says="a shift claimed where there is none", promise="at most 5 %",
        ),
    ),
)  # fmt: skip

_LOOKS = QuantityEntry(
    name="Repeated intervals at declared looks",
    definition="Intervals and verdicts at the level that a spending function leaves for each look, so that the "
    "error rate holds over all of them.",
    source="Lan & DeMets (1983), Biometrika 70, 659-663; Jennison & Turnbull (1989), J. R. Stat. Soc. B 51, "
    "305-361",
    jobs=COMPARISONS, checks=("looks",),
    rates=(RateUse(
        sheet="correlation_families", column="false difference",
        says="a false difference at any of the looks", promise="at most 5 %",
    ),),
)  # fmt: skip

_SCATTER_RATIO = QuantityEntry(
    name="Ratio of standard deviations",
    definition="Exact F for different sets; Pitman-Morgan for the same sets on both rigs.",
    source="Pitman (1939) and Morgan (1939), Biometrika 31, 9-12 and 13-19", jobs=COMPARISONS,
    checks=("two scatters",),
    rates=(
        covers("ratio of SDs, independent", "direct_intervals"),
        covers("ratio of SDs, pooled", "direct_intervals"),
    ),
)  # fmt: skip

_AGREEMENT = QuantityEntry(
    name="Limits of agreement and concordance",
    definition="Mean difference of sets that ran on both rigs ± 1.96 standard deviations, with exact intervals "
    "by the noncentral t distribution; Lin's coefficient.",
    source="Bland & Altman (1986), Lancet 327, 307-310; Owen (1968), Technometrics 10, 445-478; Lin (1989), "
    "Biometrics 45, 255-268",
    jobs=(CHECK,), checks=("agreement",),
    rates=(
        covers("lower limit of agreement", "direct_intervals"),
        covers("upper limit of agreement", "direct_intervals"), covers("concordance", "direct_intervals"),
    ),
)  # fmt: skip

_SHIFT_OR_GAIN = QuantityEntry(
    name="Shift or gain",
    definition="Straight line through the sections' means with errors on both rigs: does the offset grow with "
    "the level?",
    source="York et al. (2004), Am. J. Phys. 72, 367-375", jobs=(CHECK,), checks=("line",),
)  # fmt: skip

_CONFORMITY = QuantityEntry(
    name="Conformity of a pad lot with its specification",
    definition="Guard band of the normal quantile times the standard uncertainty of the lot's mean, from "
    "reproducibility and repeatability, or the t limit of the lot's own sets where that is wider.",
    source="ISO 14253-1:2017; ISO 21748:2017, clause 7", jobs=(LOTS,), checks=("uncertainty",),
)  # fmt: skip


COMPARISON_QUANTITIES = (
    _OFFSET,
    _EQUIVALENT,
    _DIFFERENT,
    _LOOKS,
    _SCATTER_RATIO,
    _AGREEMENT,
    _SHIFT_OR_GAIN,
    _CONFORMITY,
)
"""In the order of the page."""
