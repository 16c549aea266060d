"""Tables of a gauge study.

In: judged sections, fits and checks.  Out: tables as data. In a ratio analysis standard deviations are in
percent of the level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from repeatab.base.interval import Interval
from repeatab.base.quantity import Quantity
from repeatab.jobs.gauge.checks import GaugeChecks
from repeatab.jobs.gauge.fit import SectionFit, shown
from repeatab.jobs.gauge.sections import GaugedSection
from repeatab.jobs.questions import Analysis, GaugeStudy
from repeatab.judgement.capability import Capability, Scatter, Share
from repeatab.judgement.measures import ENOUGH_CATEGORIES, categories_of_ratio, distinct_categories
from repeatab.outcome.tables import Column, ColumnKind, Table, Value


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """How standard deviations and slopes are shown."""

    analysis: Analysis
    quantity: Quantity

    @property
    def unit(self) -> str:
        return self.quantity.unit if self.analysis is Analysis.DIFFERENCE else "%"

    @property
    def factor(self) -> float:
        return 1.0 if self.analysis is Analysis.DIFFERENCE else 100.0

    def column(self, key: str, caption: str) -> Column:
        """A column of standard deviations or slopes."""
        if self.analysis is Analysis.RATIO:
            return Column(key=key, caption=caption, kind=ColumnKind.RATIO, unit="% of level")
        return Column(key=key, caption=caption, kind=ColumnKind.RESULT, unit=self.quantity.unit)

    def shown(self, value: float | None) -> float | None:
        """On the scale shown; None for what is absent or has no finite value."""
        return None if value is None or not math.isfinite(value) else self.factor * value


def text(key: str, caption: str) -> Column:
    return Column(key=key, caption=caption, kind=ColumnKind.TEXT)


def number(key: str, caption: str, kind: ColumnKind = ColumnKind.NUMBER) -> Column:
    return Column(key=key, caption=caption, kind=kind)


def scatter_table(sections: Sequence[GaugedSection], question: GaugeStudy, scale: Scale) -> Table:
    """R&R, its parts and the scatter of the sets."""
    rows: list[tuple[Value, ...]] = []
    for section in sections:
        if section.capability is None:
            continue
        for name, scatter in _quantities(section.capability):
            share = 100 * scatter.sd / section.capability.total.sd if section.capability.total.sd else None
            wide = None if section.width is None else 100 * question.multiplier * scatter.sd / section.width
            rows.append((section.name, name, *_three(scatter, scale), share, wide, _method(scatter.interval)))
    c = f"{question.confidence:.0%}"
    return Table(
        key="capability",
        caption="R&R, its parts and the scatter of the pad sets, as standard deviations",
        columns=(
            text("section", "section"),
            text("quantity", "scatter"),
            scale.column("sd", "standard deviation"),
            scale.column("lower", f"lower, {c}"),
            scale.column("upper", f"upper, {c}"),
            number("of_total", "of total variation", ColumnKind.PERCENT),
            number("of_tolerance", f"{question.multiplier:g} SD of tolerance", ColumnKind.PERCENT),
            text("method", "interval"),
        ),
        rows=tuple(rows),
        remarks=(
            "Standard deviations add as squares, so the percentages do not add up to 100.",
            "Where a source is not separable from the pad sets, R&R holds both and is an upper bound.",
        ),
    )


def _quantities(capability: Capability) -> list[tuple[str, Scatter]]:
    bound = " (upper bound)" if capability.upper_bound else ""
    found = [
        (f"repeatability (EV){bound}", capability.repeatability),
        ("rigs and operators (AV)", capability.reproducibility),
        ("interaction with pad sets", capability.interaction),
        (f"R&R{bound}", capability.grr),
        ("pad sets (PV)", capability.parts),
        ("total (TV)", capability.total),
    ]
    return [(name, scatter) for name, scatter in found if scatter is not None]


def sources_table(sections: Sequence[GaugedSection], question: GaugeStudy, scale: Scale) -> Table:
    """One row per source of scatter."""
    rows: list[tuple[Value, ...]] = []
    for section in sections:
        found = section.capability
        if found is None:
            continue
        for k, (source, scatter) in enumerate(zip(found.sources, found.components, strict=True)):
            share = 100 * found.share_of(k) if found.total.sd else None
            rows.append(
                (section.name, source.name, source.role.value, *_three(scatter, scale), found.raw[k], share,
                 _method(scatter.interval))
            )  # fmt: skip
    c = f"{question.confidence:.0%}"
    return Table(
        key="sources",
        caption="Sources of scatter",
        columns=(
            text("section", "section"),
            text("source", "source"),
            text("role", "counts as"),
            scale.column("sd", "standard deviation"),
            scale.column("lower", f"lower, {c}"),
            scale.column("upper", f"upper, {c}"),
            number("raw_variance", "variance as estimated", ColumnKind.VARIANCE),
            number("share", "share of total variance", ColumnKind.PERCENT),
            text("method", "interval"),
        ),
        rows=tuple(rows),
        remarks=(
            "A variance may come out negative in an analysis of variance; the standard deviations beside it are "
            "then estimated with no component below zero. A source estimated at zero stays in the intervals.",
        ),
    )


def ratios_table(sections: Sequence[GaugedSection], question: GaugeStudy) -> Table:
    """R&R against total and tolerance, categories, intraclass correlation, verdict."""
    rows = [_ratios(section) for section in sections]
    c = f"{question.confidence:.0%}"
    percent = ColumnKind.PERCENT
    return Table(
        key="ratios",
        caption="R&R against the total variation and the tolerance",
        columns=(
            text("section", "section"),
            text("role", "role"),
            number("of_total", "R&R of total", percent),
            number("of_total_lower", f"lower, {c}", percent),
            number("of_total_upper", f"upper, {c}", percent),
            number("of_tolerance", f"{question.multiplier:g} R&R of tolerance", percent),
            number("of_tolerance_lower", f"lower, {c}", percent),
            number("of_tolerance_upper", f"upper, {c}", percent),
            number("categories", "distinct categories", ColumnKind.COUNT),
            number("categories_lower", "at least", ColumnKind.COUNT),
            number("agreement", "intraclass correlation", ColumnKind.RATIO),
            number("agreement_lower", f"lower, {c}", ColumnKind.RATIO),
            number("agreement_upper", f"upper, {c}", ColumnKind.RATIO),
            number("consistency", "same, rig and operator offsets aside", ColumnKind.RATIO),
            text("alone", "by the estimate alone"),
            text("verdict", "verdict"),
        ),
        rows=tuple(rows),
        remarks=(
            f"Bands: up to {question.bands.acceptable:g} % acceptable, up to {question.bands.conditional:g} % "
            "conditional. Acceptable and conditional need the upper limit in the band; not acceptable goes by the "
            "estimate.",
            f"Distinct categories: 1.41 PV / R&R, truncated; {ENOUGH_CATEGORIES} or more are wanted. 'At least' goes "
            "with the upper limit of R&R.",
        ),
    )


def _ratios(section: GaugedSection) -> tuple[Value, ...]:
    role = "decides" if section.asked.decides else "informs"
    found = section.capability
    if found is None or section.acceptance is None:
        return (section.name, role, *[None] * 12, "", section.verdict.value)
    total = found.total_percent
    categories: tuple[Value, Value] = (None, None)
    if found.parts is not None and not found.upper_bound and total is not None and total.interval is not None:
        least = categories_of_ratio(total.interval.upper)
        categories = (distinct_categories(found.parts.sd, found.grr.sd), max(1, math.floor(least)))
    return (
        section.name, role, *_share(total), *_share(section.tolerance_percent), *categories,
        *_share(found.agreement), None if found.consistency is None else found.consistency.value,
        section.acceptance.estimate_alone.value, section.acceptance.verdict.value,
    )  # fmt: skip


def process_table(sections: Sequence[GaugedSection], question: GaugeStudy, scale: Scale) -> Table | None:
    """Standard uncertainties and ratios of ISO 22514-7; None where no section has a tolerance."""
    rows: list[tuple[Value, ...]] = []
    for section in sections:
        found, parts = section.process, section.parts
        if found is None or parts is None:
            continue
        rows.append(
            (section.name, *map(scale.shown, (parts.u_resolution, parts.calibration, parts.u_bias,
             parts.reference_repeatability, parts.object_repeatability, parts.rig, parts.operator,
             parts.interaction, parts.drift, found.u_ms, found.u_mp)),
             found.q_ms, found.c_ms, found.q_mp, found.c_mp)
        )  # fmt: skip
    if not rows:
        return None
    captions = {
        "u_re": "resolution", "u_cal": "calibration", "u_bi": "bias", "u_evr": "repeatability on a reference",
        "u_evo": "repeatability on pad sets", "u_gv": "rig", "u_av": "operator", "u_ia": "interaction",
        "u_stab": "drift", "u_ms": "measuring system u_MS", "u_mp": "measurement process u_MP",
    }  # fmt: skip
    remarks = ["The largest of repeatability on the reference, on the sets and resolution enters u_MP once."]
    if question.process.reference_repeatability is None:
        remarks.append(
            "No repeated readings of a reference were stated; the repeatability of the study stands in for them."
        )
    return Table(
        key="process",
        caption="Measurement process after ISO 22514-7: standard uncertainties and ratios to the tolerance",
        columns=(
            text("section", "section"),
            *(scale.column(key, caption) for key, caption in captions.items()),
            number("q_ms", f"Q_MS (limit {question.bands.system:g})", ColumnKind.PERCENT),
            number("c_ms", "C_MS", ColumnKind.RATIO),
            number("q_mp", f"Q_MP (limit {question.bands.process:g})", ColumnKind.PERCENT),
            number("c_mp", "C_MP", ColumnKind.RATIO),
        ),
        rows=tuple(rows),
        remarks=tuple(remarks),
    )


def anova_table(sections: Sequence[GaugedSection], fits: dict[str, SectionFit]) -> Table | None:
    """Analysis of variance of the sections whose layout is balanced; None where none is."""
    from scipy import special

    rows: list[tuple[Value, ...]] = []
    for section in sections:
        fit = fits[section.name]
        if fit.part is None or fit.part.mean_squares is None:
            continue
        found, g = fit.part.mean_squares, fit.group
        sources = [name for name, random in zip(found.names, found.random, strict=True) if random]
        for i, name in enumerate(found.names):
            f = float(found.f[g, i])
            tested = math.isfinite(f)
            p = float(special.fdtrc(found.df[i], found.denominator_df[g, i], f)) if tested else None
            expected = " + ".join(
                f"{m:g} σ²({shown(s)})" for m, s in zip(found.expected[i], sources, strict=True) if m
            )
            rows.append(
                (section.name, shown(name), float(found.df[i]), float(found.ss[g, i]), float(found.ms[g, i]),
                 expected, f if tested else None, float(found.denominator_df[g, i]) if tested else None, p)
            )  # fmt: skip
    if not rows:
        return None
    return Table(
        key="anova",
        caption="Analysis of variance",
        columns=(
            text("section", "section"),
            text("source", "source"),
            number("df", "degrees of freedom"),
            number("ss", "sum of squares", ColumnKind.VARIANCE),
            number("ms", "mean square", ColumnKind.VARIANCE),
            text("expected", "expected mean square"),
            number("f", "F"),
            number("denominator_df", "against"),
            number("p", "p", ColumnKind.PROBABILITY),
        ),
        rows=tuple(rows),
        remarks=(
            "'Against' gives the degrees of freedom of the denominator; they are Satterthwaite's where no single mean "
            "square has the right expectation.",
        ),
    )


def trend_table(checks: GaugeChecks, question: GaugeStudy, scale: Scale) -> Table | None:
    """Trend with the order of runs within sets."""
    if not checks.trends:
        return None
    rows = tuple(
        (name, *(scale.shown(x) for x in (t.slope, t.lower, t.upper)), t.df, t.p, t.adjusted_p,
         scale.shown(t.slope * t.runs), scale.shown(t.grr_without))
        for name, t in checks.trends.items()
    )  # fmt: skip
    c = f"{question.confidence:.0%}"
    return Table(
        key="trend",
        caption="Trend with the order of runs within a pad set",
        columns=(
            text("section", "section"),
            scale.column("slope", "change per run"),
            scale.column("lower", f"lower, {c}"),
            scale.column("upper", f"upper, {c}"),
            number("df", "degrees of freedom"),
            number("p", "p", ColumnKind.PROBABILITY),
            number("adjusted_p", "p over all sections", ColumnKind.PROBABILITY),
            scale.column("change", "from first to last run"),
            scale.column("grr_without", "R&R with the trend taken out"),
        ),
        rows=rows,
    )


def rigs_table(checks: GaugeChecks, question: GaugeStudy, scale: Scale) -> Table | None:
    """Repeatability by rig."""
    if not checks.rigs:
        return None
    rows: list[tuple[Value, ...]] = []
    for section, found in checks.rigs.items():
        for rig, scatter in zip(found.rigs, found.equality.scatters, strict=True):
            rows.append((section, str(rig), *_three(scatter, scale), found.equality.p, found.adjusted_p))
    joint = any(found.joint for found in checks.rigs.values())
    c = f"{question.confidence:.0%}"
    return Table(
        key="rigs",
        caption="Scatter of single runs by rig, sets included" if joint else "Repeatability by rig",
        columns=(
            text("section", "section"),
            text("rig", "rig"),
            scale.column("sd", "standard deviation"),
            scale.column("lower", f"lower, {c}"),
            scale.column("upper", f"upper, {c}"),
            number("p", "p, rigs alike", ColumnKind.PROBABILITY),
            number("adjusted_p", "p over all sections", ColumnKind.PROBABILITY),
        ),
        rows=tuple(rows),
    )


def _three(scatter: Scatter, scale: Scale) -> tuple[float | None, float | None, float | None]:
    interval = scatter.interval
    low, high = (None, None) if interval is None else (interval.lower, interval.upper)
    return scale.shown(scatter.sd), scale.shown(low), scale.shown(high)


def _share(share: Share | None) -> tuple[Value, Value, Value]:
    if share is None:
        return None, None, None
    if share.interval is None:
        return share.value, None, None
    return share.value, share.interval.lower, share.interval.upper


def _method(interval: Interval | None) -> str:
    return "" if interval is None else interval.method.value
