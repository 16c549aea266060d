"""Tables of what a gauge study checks beside the scatter: trend with the order of runs, repeatability by rig.

In: checks.  Out: tables as data.
"""

from __future__ import annotations

from repeatab.jobs.gauge.checks import GaugeChecks
from repeatab.jobs.gauge.scale import Scale, number_column, sd_with_limits, text_column
from repeatab.jobs.questions import GaugeStudy
from repeatab.outcome.tables import ColumnKind, Table, Value


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
            text_column("section", "section"),
            scale.column("slope", "change per run"),
            scale.column("lower", f"lower, {c}"),
            scale.column("upper", f"upper, {c}"),
            number_column("df", "degrees of freedom"),
            number_column("p", "p", ColumnKind.PROBABILITY),
            number_column("adjusted_p", "p over all sections", ColumnKind.PROBABILITY),
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
            rows.append(
                (section, str(rig), *sd_with_limits(scatter, scale), found.equality.p, found.adjusted_p)
            )
    joint = any(found.joint for found in checks.rigs.values())
    c = f"{question.confidence:.0%}"
    return Table(
        key="rigs",
        caption="Scatter of single runs by rig, sets included" if joint else "Repeatability by rig",
        columns=(
            text_column("section", "section"),
            text_column("rig", "rig"),
            scale.column("sd", "standard deviation"),
            scale.column("lower", f"lower, {c}"),
            scale.column("upper", f"upper, {c}"),
            number_column("p", "p, rigs alike", ColumnKind.PROBABILITY),
            number_column("adjusted_p", "p over all sections", ColumnKind.PROBABILITY),
        ),
        rows=tuple(rows),
    )
