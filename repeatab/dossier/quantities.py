"""The quantities that reports print: definition, source, the checks that hold them, the rates that were simulated.

In: nothing.  Out: Quantity values. Definitions are sentences; everything that is a figure comes from checks and rates.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RateUse:
    """Where a quantity's rate stands: a sheet, a column of it, and the rows that hold `where` as a cell.

    says : what the rate is of. promise : what the method promises. Without a column the sheet is named as a whole.
    """

    sheet: str
    says: str
    column: str = ""
    promise: str = ""
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityEntry:
    """One quantity, or a family of them. jobs : the reports that print it. checks : keys of checks."""

    name: str
    definition: str
    source: str
    jobs: tuple[str, ...]
    checks: tuple[str, ...] = ()
    rates: tuple[RateUse, ...] = ()


_GAUGE, _CHECK, _MOVED, _LOTS = "gauge study", "correlation check", "requalification", "lot comparison"
_ROUND, _CHART, _PLAN = "round robin", "control chart", "plan"
_COMPARISONS = (_CHECK, _MOVED, _LOTS)


def _covers(where: str, sheet: str = "interval_grid") -> RateUse:
    return RateUse(
        sheet=sheet, column="covers, %", where=where, says="95 % intervals that hold the true value",
        promise="at least 94 %",
    )  # fmt: skip


_UNEVEN = RateUse(sheet="not_normal", says="how far the promises hold where results are not normal")
_DRIFT = RateUse(sheet="visit_drift", says="what drift from visit to visit does to a correlation check")


def quantities() -> tuple[QuantityEntry, ...]:
    """In the order of the page."""
    return (*_components(), *_comparisons(), *_laboratories(), *_charts(), *_plans())


def _components() -> tuple[QuantityEntry, ...]:
    return (
        QuantityEntry(
            name="Repeatability standard deviation s_r",
            definition="Standard deviation of results taken under the same conditions: same rig, operator and pad set, "
            "one run after the other. Where no set was run twice under the same conditions it cannot be told from the "
            "scatter of sets, and carries the joint name. Its interval is the exact chi-square interval.",
            source="ISO 5725-1:2023; Searle, Casella & McCulloch (1992), Variance Components",
            jobs=(_GAUGE, _ROUND, _CHECK, _CHART), checks=("certified", "anova", "limits"),
            rates=(_covers("repeatability"),),
        ),
        QuantityEntry(
            name="Components of scatter (rig, operator, pad set, and their combinations)",
            definition="The variance that a source adds to a single result, all others being as they are; printed as a "
            "standard deviation. From expected mean squares where the layout is balanced, by restricted maximum "
            "likelihood elsewhere. Never below zero; the raw estimate is kept.",
            source="Searle, Casella & McCulloch (1992); Patterson & Thompson (1971), Biometrika 58, 545-554",
            jobs=(_GAUGE, _ROUND), checks=("certified", "anova", "reml", "reml printed"),
        ),
        QuantityEntry(
            name="Interval of a component",
            definition="The range of standard deviations that the data do not rule out at the stated confidence: "
            "modified large-sample where balanced, generalised pivotal elsewhere.",
            source="Graybill & Wang (1980), JASA 75, 869-873; Ting et al. (1990), J. Stat. Comput. Simul. 35, 135-143; "
            "Weerahandi (1993), JASA 88, 899-905",
            jobs=(_GAUGE, _ROUND), checks=("limits",),
            rates=(_covers("rig"), _covers("set"), _covers("operator"), _covers("visit")),
        ),
        QuantityEntry(
            name="R&R, its share of tolerance or total, distinct categories",
            definition="R&R: the root of repeatability and reproducibility variance together. Its share is six (or the "
            "stated number of) standard deviations over the tolerance, or the ratio to the total standard deviation. "
            "Distinct categories: 1.41 times the ratio of part to R&R standard deviation, cut to a whole number; not "
            "given where pads are used up by one run.",
            source="Automotive measurement-systems handbook, 4th edition (2010), chapters II and III",
            jobs=(_GAUGE,), checks=("gauge",), rates=(
                _covers("R&R"), _covers("R&R in % of total"),
                RateUse(sheet="gauge_verdicts", says="how often each verdict is given, by what is true"), _UNEVEN,
            ),
        ),
        QuantityEntry(
            name="Intraclass correlation",
            definition="The share of the pad sets in the variance of a single result.",
            source="Shrout & Fleiss (1979), Psychological Bulletin 86, 420-428",
            jobs=(_GAUGE,), checks=("intraclass",), rates=(_covers("agreement (intraclass)"),),
        ),
        QuantityEntry(
            name="Measuring system and measurement process against the tolerance; bias",
            definition="Q = 2 U / tolerance with U = 2 u; C = 0.3 tolerance / (6 u) for the system and / (3 u) for the "
            "process. Bias: mean of repeated readings of a reference less its value, with Student's t.",
            source="ISO 22514-7:2012 and 2021; automotive measurement-systems handbook, chapter III B",
            jobs=(_GAUGE,), checks=("bias",),
        ),
    )  # fmt: skip


def _comparisons() -> tuple[QuantityEntry, ...]:
    return (
        QuantityEntry(
            name="Offset (of a rig, a phase or a pad lot) with standard error and degrees of freedom",
            definition="Difference of two means, sets and other sources of scatter being random. Two views: scatter "
            "pooled (REML, Kenward-Roger) and each level's own; a verdict has to hold in both.",
            source="Kenward & Roger (1997), Biometrics 53, 983-997; Welch (1947), Biometrika 34, 28-35",
            jobs=_COMPARISONS, checks=("kenward-roger", "two means"),
            rates=(RateUse(
                sheet="correlation_error_rates", column="excludes zero at no offset",
                says="intervals that exclude zero where there is no offset", promise="5 %, in regular layouts 4 to 6 %",
            ),
            _covers("difference, pooled", "contrast_grid"), _covers("ratio, pooled", "contrast_grid"),
            RateUse(
                sheet="contrast_grid", column="covers, %", where="difference, each fitted alone",
                says="95 % intervals that hold the true value",
                promise="about 95 %, less with three sets; a verdict needs the pooled view as well",
            ),
            _UNEVEN, _DRIFT),
        ),
        QuantityEntry(
            name="Verdict 'equivalent'",
            definition="Two one-sided tests, each at one less the confidence: the interval at 2 c - 1 lies inside the "
            "margin. A percent margin is tested as mean - ratio × mean.",
            source="Schuirmann (1987), J. Pharmacokin. Biopharm. 15, 657-680; Fieller (1954), J. R. Stat. Soc. B 16, "
            "175-185",
            jobs=_COMPARISONS, checks=("equivalence",),
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
        ),
        QuantityEntry(
            name="Verdict 'different' over several sections, pairs, and shifts",
            definition="The interval at the stated confidence excludes no difference. Over the deciding sections by "
            "Holm's steps, over the pairs within a section by the multivariate t distribution.",
            source="Holm (1979), Scand. J. Statist. 6, 65-70; Hothorn, Bretz & Westfall (2008), Biometrical J. 50, "
            "346-363",
            jobs=_COMPARISONS, checks=("kenward-roger", "two means"),
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
        ),
        QuantityEntry(
            name="Repeated intervals at declared looks",
            definition="Intervals and verdicts at the level that a spending function leaves for each look, so that the "
            "error rate holds over all of them.",
            source="Lan & DeMets (1983), Biometrika 70, 659-663; Jennison & Turnbull (1989), J. R. Stat. Soc. B 51, "
            "305-361",
            jobs=_COMPARISONS, checks=("looks",),
            rates=(RateUse(
                sheet="correlation_families", column="false difference",
                says="a false difference at any of the looks", promise="at most 5 %",
            ),),
        ),
        QuantityEntry(
            name="Ratio of standard deviations",
            definition="Exact F for different sets; Pitman-Morgan for the same sets on both rigs.",
            source="Pitman (1939) and Morgan (1939), Biometrika 31, 9-12 and 13-19", jobs=_COMPARISONS,
            checks=("two scatters",),
            rates=(
                _covers("ratio of SDs, independent", "direct_intervals"),
                _covers("ratio of SDs, pooled", "direct_intervals"),
            ),
        ),
        QuantityEntry(
            name="Limits of agreement and concordance",
            definition="Mean difference of sets that ran on both rigs ± 1.96 standard deviations, with exact intervals "
            "by the noncentral t distribution; Lin's coefficient.",
            source="Bland & Altman (1986), Lancet 327, 307-310; Owen (1968), Technometrics 10, 445-478; Lin (1989), "
            "Biometrics 45, 255-268",
            jobs=(_CHECK,), checks=("agreement",),
            rates=(
                _covers("lower limit of agreement", "direct_intervals"),
                _covers("upper limit of agreement", "direct_intervals"), _covers("concordance", "direct_intervals"),
            ),
        ),
        QuantityEntry(
            name="Shift or gain",
            definition="Straight line through the sections' means with errors on both rigs: does the offset grow with "
            "the level?",
            source="York et al. (2004), Am. J. Phys. 72, 367-375", jobs=(_CHECK,), checks=("line",),
        ),
        QuantityEntry(
            name="Conformity of a pad lot with its specification",
            definition="Guard band of the normal quantile times the standard uncertainty of the lot's mean, from "
            "reproducibility and repeatability, or the t limit of the lot's own sets where that is wider.",
            source="ISO 14253-1:2017; ISO 21748:2017, clause 7", jobs=(_LOTS,), checks=("uncertainty",),
        ),
    )  # fmt: skip


def _laboratories() -> tuple[QuantityEntry, ...]:
    return (
        QuantityEntry(
            name="s_r, s_L and s_R across laboratories",
            definition="Repeatability pooled within cells, between-laboratory standard deviation from cell means with "
            "unequal numbers weighted, and the root of both variances together.",
            source="ISO 5725-2:1994, 7.4", jobs=(_ROUND,), checks=("sulfur", "softening", "glucose"),
            rates=(
                _covers("s_r", "direct_intervals"), _covers("s_L", "direct_intervals"),
                _covers("s_R", "direct_intervals"),
            ),
        ),
        QuantityEntry(
            name="h and k, Cochran and Grubbs",
            definition="h: a laboratory's mean less the general mean over the standard deviation of means; k: its "
            "standard deviation over the pooled one. Cochran tests the largest variance, Grubbs the extreme means.",
            source="ISO 5725-2:1994, 7.3", jobs=(_ROUND,), checks=("sulfur", "critical values"),
        ),
        QuantityEntry(
            name="Robust mean and standard deviation",
            definition="Algorithm A on means, algorithm S on standard deviations: extreme values are drawn in until "
            "nothing changes.",
            source="ISO 13528:2022, annex C; ISO 5725-5:1998, clause 6", jobs=(_ROUND,), checks=("robust",),
        ),
        QuantityEntry(
            name="Assigned value from stated uncertainties",
            definition="Weighted mean with a between-laboratory variance, by the method that the study states.",
            source="Mandel & Paule (1970); DerSimonian & Laird (1986)", jobs=(_ROUND,), checks=("consensus",),
        ),
        QuantityEntry(
            name="Scores z, z′, zeta, E_n",
            definition="Deviation from the assigned value over the standard deviation for proficiency assessment, with "
            "the assigned value's uncertainty, over both standard uncertainties, over both expanded uncertainties.",
            source="ISO 13528:2022, clause 9", jobs=(_ROUND,), checks=("scores",),
        ),
    )  # fmt: skip


def _charts() -> tuple[QuantityEntry, ...]:
    return (
        QuantityEntry(
            name="Centre and limits of a chart",
            definition="Mean of the base period and three (or the stated number of) standard deviations about it, "
            "visit-to-visit and within-visit scatter kept apart; prediction limits below twenty base visits.",
            source="ISO 7870-2:2013; Hahn & Meeker (1991), Statistical Intervals, 4.7",
            jobs=(_CHART,), checks=("check standard", "chart factors"),
        ),
        QuantityEntry(
            name="Run lengths: limits and run rules",
            definition="The mean number of visits to a signal, in control and at a shift; with it the false alarms per "
            "year.",
            source="Champ & Woodall (1987), Technometrics 29, 393-399", jobs=(_CHART, _PLAN), checks=("run rules",),
        ),
        QuantityEntry(
            name="Run lengths: cumulative sums and moving averages",
            definition="The same for charts that remember.",
            source="Lucas & Crosier (1982), Technometrics 24; Lucas & Saccucci (1990), Technometrics 32, 1-29",
            jobs=(_CHART, _PLAN), checks=("sums", "moving average"),
        ),
        QuantityEntry(
            name="Beginning of a change",
            definition="Maximum likelihood for a step and for a drift; the range is that of all beginnings that the "
            "data do not rule out.",
            source="Samuel, Pignatiello & Calvin (1998), Quality Engineering 10, 521-527; Siegmund (1988)",
            jobs=(_CHART,),
        ),
    )  # fmt: skip


def _plans() -> tuple[QuantityEntry, ...]:
    return (
        QuantityEntry(
            name="Probability of a verdict, what to run next",
            definition="Studies of the planned layout are simulated at the believed scatter and judged by the "
            "estimators and rules of the study itself; where an exact value exists it is used.",
            source="Simulation; Owen (1965), Biometrika 52, 437-446, for probabilities by integration",
            jobs=(_PLAN, *_COMPARISONS), checks=("power",),
            rates=(RateUse(sheet="plan_promises", says="what plans promise beside what studies then give"),),
        ),
    )  # fmt: skip
