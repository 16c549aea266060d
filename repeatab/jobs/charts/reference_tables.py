"""Tables of the reference itself: steps between lots or sets, and the wear of sets.

In: steps and wear.  Out: Table values.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repeatab.jobs.charts.columns import COUNT, NUMBER, TEXT, P, change_kind, column
from repeatab.jobs.charts.data import Key
from repeatab.jobs.charts.links import Step
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.wear import Wear
from repeatab.outcome.tables import Table, Value


def links_table(steps: Sequence[Step], scale: Scale, level: float) -> Table | None:
    """Steps between references."""
    if not steps:
        return None
    rows: list[tuple[Value, ...]] = []
    for step in steps:
        interval = step.interval(level)
        rows.append(
            (
                step.earlier, step.later, step.section, scale.change(step.value),
                scale.change(interval.lower), scale.change(interval.upper), step.df, step.visits, step.rigs,
                step.unequal,
            )
        )  # fmt: skip
    kind, unit = change_kind(scale), scale.change_unit
    columns = (
        column("earlier", "from", TEXT), column("later", "to", TEXT), column("section", "section", TEXT),
        column("step", "step", kind, unit), column("lower", "lower", kind, unit),
        column("upper", "upper", kind, unit), column("df", "degrees of freedom", NUMBER),
        column("overlaps", "overlaps", COUNT), column("rigs", "rigs", COUNT),
        column("unequal", "p, overlaps alike", P),
    )  # fmt: skip
    return Table(
        key="links",
        caption=f"Steps between references from the visits at which both ran, with the interval at {level:.0%}",
        columns=columns,
        rows=tuple(rows),
        remarks=("Where the overlaps are not alike (p below 0.05) their own scatter carries the interval.",),
    )


def wear_table(wear: Mapping[Key, Wear], scale: Scale, level: float) -> Table | None:
    """Wear of the sets, and what told it from drift."""
    if not wear:
        return None
    from scipy.stats import t

    rows: list[tuple[Value, ...]] = []
    for (rig, section), one in wear.items():
        if one.per_run is None or one.se is None or one.df is None:
            rows.append((rig, section, one.told_by.value, None, None, None))
            continue
        half = float(t.ppf((1 + level) / 2, one.df)) * one.se
        rows.append(
            (
                rig, section, one.told_by.value, scale.change(one.per_run),
                scale.change(one.per_run - half), scale.change(one.per_run + half),
            )
        )  # fmt: skip
    kind, unit = change_kind(scale), scale.change_unit
    columns = (
        column("rig", "rig", TEXT), column("section", "section", TEXT),
        column("told_by", "told from drift by", TEXT), column("wear", "wear per run", kind, unit),
        column("lower", "lower", kind, unit), column("upper", "upper", kind, unit),
    )  # fmt: skip
    return Table(
        key="wear",
        caption=f"Wear of the reference sets as taken out of the charts, with the interval at {level:.0%}",
        columns=columns,
        rows=tuple(rows),
    )
