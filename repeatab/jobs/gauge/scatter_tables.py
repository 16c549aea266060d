"""Tables of where the scatter of a gauge study comes from: R&R and its parts, sources, analysis of variance.

In: judged sections and fits.  Out: tables as data.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from repeatab.jobs.gauge.fit import SectionFit, shown
from repeatab.jobs.gauge.scale import Scale, method_of, number_column, sd_with_limits, text_column
from repeatab.jobs.gauge.sections import GaugedSection
from repeatab.jobs.questions import GaugeStudy
from repeatab.judgement.capability import Capability, Scatter
from repeatab.outcome.tables import ColumnKind, Table, Value


def scatter_table(sections: Sequence[GaugedSection], question: GaugeStudy, scale: Scale) -> Table:
    """R&R, its parts and the scatter of the sets."""
    rows: list[tuple[Value, ...]] = []
    for section in sections:
        if section.capability is None:
            continue
        for name, scatter in _quantities(section.capability):
            share = 100 * scatter.sd / section.capability.total.sd if section.capability.total.sd else None
            wide = None if section.width is None else 100 * question.multiplier * scatter.sd / section.width
            rows.append(
                (
                    section.name,
                    name,
                    *sd_with_limits(scatter, scale),
                    share,
                    wide,
                    method_of(scatter.interval),
                )
            )
    c = f"{question.confidence:.0%}"
    return Table(
        key="capability",
        caption="R&R, its parts and the scatter of the pad sets, as standard deviations",
        columns=(
            text_column("section", "section"),
            text_column("quantity", "scatter"),
            scale.column("sd", "standard deviation"),
            scale.column("lower", f"lower, {c}"),
            scale.column("upper", f"upper, {c}"),
            number_column("of_total", "of total variation", ColumnKind.PERCENT),
            number_column("of_tolerance", f"{question.multiplier:g} SD of tolerance", ColumnKind.PERCENT),
            text_column("method", "interval"),
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
                (section.name, source.name, source.role.value, *sd_with_limits(scatter, scale), found.raw[k], share,
                 method_of(scatter.interval))
            )  # fmt: skip
    c = f"{question.confidence:.0%}"
    return Table(
        key="sources",
        caption="Sources of scatter",
        columns=(
            text_column("section", "section"),
            text_column("source", "source"),
            text_column("role", "counts as"),
            scale.column("sd", "standard deviation"),
            scale.column("lower", f"lower, {c}"),
            scale.column("upper", f"upper, {c}"),
            number_column("raw_variance", "variance as estimated", ColumnKind.VARIANCE),
            number_column("share", "share of total variance", ColumnKind.PERCENT),
            text_column("method", "interval"),
        ),
        rows=tuple(rows),
        remarks=(
            "A variance may come out negative in an analysis of variance; the standard deviations beside it are "
            "then estimated with no component below zero. A source estimated at zero stays in the intervals.",
        ),
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
            text_column("section", "section"),
            text_column("source", "source"),
            number_column("df", "degrees of freedom"),
            number_column("ss", "sum of squares", ColumnKind.VARIANCE),
            number_column("ms", "mean square", ColumnKind.VARIANCE),
            text_column("expected", "expected mean square"),
            number_column("f", "F"),
            number_column("denominator_df", "against"),
            number_column("p", "p", ColumnKind.PROBABILITY),
        ),
        rows=tuple(rows),
        remarks=(
            "'Against' gives the degrees of freedom of the denominator; they are Satterthwaite's where no single mean "
            "square has the right expectation.",
        ),
    )
