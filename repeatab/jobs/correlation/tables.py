"""Tables of a correlation check, in the order of the page.

In: CorrelationFindings.  Out: tables as data.
"""

from __future__ import annotations

import math
from dataclasses import replace

from repeatab.base.quantity import Quantity
from repeatab.jobs.correlation.agreement import agreement_table
from repeatab.jobs.correlation.checks import with_equal_scatter
from repeatab.jobs.correlation.correction import correction_table
from repeatab.jobs.correlation.levels import level_table
from repeatab.jobs.correlation.overall import SectionPattern
from repeatab.jobs.correlation.scatter import ALL_SECTIONS
from repeatab.jobs.correlation.study import CorrelationFindings
from repeatab.jobs.correlation.wear import rig_wear_table
from repeatab.jobs.levels.influence import influence_table
from repeatab.jobs.levels.residuals import residuals_table
from repeatab.jobs.levels.tables import PERCENT, offsets_table, runs_table, scatter_table, views_table
from repeatab.jobs.wording import p_value
from repeatab.outcome.tables import Column, ColumnKind, Table, Value


def tables_of(found: CorrelationFindings, quantity: Quantity) -> tuple[Table, ...]:
    """All tables; those that a design gives nothing for are left out."""
    comparison, several = found.comparison, len(found.comparison.how.pairs) > 1
    made: list[Table | None] = [offsets_table(found.shown, quantity)]
    made += [
        correction_table(correction, comparison, quantity, number=i + 1 if several else None)
        for i, correction in enumerate(found.corrections)
    ]
    if not found.look.between:
        made += [deviations_table(found, quantity), level_table(found.levels)]
    made.append(runs_table(comparison.how))
    made.append(agreement_table(comparison, quantity, level=found.question.confidence))
    if found.wear.trends:
        made.append(rig_wear_table(found.wear, found.question, quantity))
    if comparison.compared:
        made.append(_with_pooled(scatter_table(comparison, found.scatter), found))
    made.append(found.trap)
    if found.influences:
        made.append(influence_table(comparison, found.influences, quantity))
    if found.residuals:
        made.append(with_equal_scatter(residuals_table(found.residuals), found.equal))
    if comparison.compared and not found.look.between:
        made.append(views_table(found.shown))
    made.append(found.look.table)
    return tuple(table for table in made if table is not None)


def _with_pooled(table: Table, found: CorrelationFindings) -> Table:
    """The scatter table with a line over all sections; its standard deviations are relative, so only the ratio."""
    several = len(found.comparison.how.pairs) > 1
    rows: list[tuple[Value, ...]] = []
    for pair in found.comparison.how.pairs:
        scatter = found.pooled.get(pair.name)
        if scatter is None or scatter.ratio is None:
            continue
        ratio = scatter.ratio
        upper = ratio.interval.upper if math.isfinite(ratio.interval.upper) else None
        rows.append(
            (ALL_SECTIONS, *([pair.name] if several else []), scatter.source, None, ratio.df_a, None, ratio.df_b,
             ratio.ratio, ratio.interval.lower, upper)
        )  # fmt: skip
    if not rows:
        return table
    remark = (
        f"{ALL_SECTIONS.capitalize()}: the deciding sections, each scaled by its own scatter; the degrees of freedom "
        "are those that the correlation of sections of one set leaves."
    )
    return replace(table, rows=(*table.rows, *rows), remarks=(*table.remarks, remark))


def deviations_table(found: CorrelationFindings, quantity: Quantity) -> Table | None:
    """How far the offset of each section lies from the overall one."""
    several = len(found.comparison.how.pairs) > 1
    level = found.comparison.inner_level
    rows: list[tuple[Value, ...]] = []
    remarks: list[str] = []
    for pattern in found.patterns:
        if pattern.deviations is None:
            continue
        rows += _deviation_rows(pattern, level, quantity, several)
        if pattern.interaction is not None:
            test = pattern.interaction
            name = f"{pattern.pair.name}: the" if several else "The"
            remarks.append(
                f"{name} same offset in all sections: {p_value(test.p)} ({test.resampling.value}; p cannot fall "
                f"below {test.smallest_p:.2g} here)."
            )
    if not rows:
        return None
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        *([Column(key="pair", caption="compared", kind=ColumnKind.TEXT)] if several else []),
        Column(key="deviation", caption="offset less mean offset", kind=ColumnKind.RESULT),
        Column(key="lower", caption=f"from ({100 * level:.4g}%)", kind=ColumnKind.RESULT),
        Column(key="upper", caption="to", kind=ColumnKind.RESULT),
        Column(key="unit", caption="in", kind=ColumnKind.TEXT),
    )
    remarks.append("Formed set by set: what a set's sections share does not count as scatter here.")
    return Table(
        key="deviations", caption="Is the offset the same in all sections?", columns=columns, rows=tuple(rows),
        remarks=tuple(remarks),
    )  # fmt: skip


def _deviation_rows(
    pattern: SectionPattern, level: float, quantity: Quantity, several: bool
) -> list[tuple[Value, ...]]:
    assert pattern.deviations is not None

    def shown(value: float) -> float:
        return 100 * (math.exp(value) - 1) if pattern.log else value

    unit = PERCENT if pattern.log else quantity.unit or quantity.symbol
    intervals = pattern.deviations.intervals(level)
    return [
        (name, *([pattern.pair.name] if several else []), shown(float(value)), shown(interval.lower),
         shown(interval.upper), unit)
        for name, value, interval in zip(pattern.sections, pattern.deviations.estimate, intervals, strict=True)
    ]  # fmt: skip
