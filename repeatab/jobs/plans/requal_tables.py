"""Tables and figures of a planned requalification.

In: the plans that were tried, the recommended one's chances.  Out: Tables, figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.wording import plural
from repeatab.outcome.figures import Figure
from repeatab.outcome.plan_figures import ChanceAtOffset, HoursAgainstGain, PlanPoint, VerdictAgainstOffset
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.planning.move_verdicts import MoveChance, SectionChance

if TYPE_CHECKING:
    from repeatab.jobs.plans.moves import SizedMove


def move_plans_table(tried: Sequence[SizedMove], best: Sequence[SizedMove], chosen: SizedMove) -> Table:
    """Every plan that can be run, by rig hours."""
    rows: tuple[tuple[Value, ...], ...] = tuple(
        (p.visits, p.sets, "recommended" if p is chosen else "no cheaper one gives as much" if p in best else "",
         p.hours, p.point.level, p.point.kept, p.point.overall.equivalent,
         p.expected.overall.equivalent, p.expected.overall.monte_carlo_error, p.shifted.overall.different)
        for p in sorted(tried, key=lambda p: p.hours)
    )  # fmt: skip
    return Table(
        key="plans",
        caption="The plans that can be run, by rig hours",
        columns=(
            Column(key="visits", caption="visits per phase", kind=ColumnKind.COUNT),
            Column(key="sets", caption="fresh sets per rig and visit", kind=ColumnKind.COUNT),
            Column(key="note", caption="", kind=ColumnKind.TEXT),
            Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
            Column(key="level", caption="level shown unchanged", kind=ColumnKind.PROBABILITY),
            Column(key="ratio", caption="ratio shown within its limit", kind=ColumnKind.PROBABILITY),
            Column(key="simulated", caption="back to service", kind=ColumnKind.PROBABILITY),
            Column(key="expected", caption="averaged over unknown scatter", kind=ColumnKind.PROBABILITY),
            Column(key="error", caption="Monte Carlo error", kind=ColumnKind.PROBABILITY),
            Column(key="held", caption="held, if shifted by twice the margin", kind=ColumnKind.PROBABILITY),
        ),
        rows=rows,
        remarks=("In all deciding sections together; all but the last probability: if nothing has changed.",),
    )


def level_chances_table(chances: Sequence[MoveChance], looks: int) -> Table:
    """The verdict against the true shift, and at which look it falls."""
    stops = [
        Column(key=f"look {i}", caption=f"verdict at look {i}", kind=ColumnKind.PROBABILITY)
        for i in range(1, looks + 1)
    ]
    return Table(
        key="chances",
        caption="What the recommended plan would say overall, by the true shift in every section",
        columns=(
            Column(key="share", caption="true shift, in margins", kind=ColumnKind.RATIO),
            Column(key="level", caption="level shown unchanged", kind=ColumnKind.PROBABILITY),
            *_outcomes(),
            *(stops if looks > 1 else ()),
        ),
        rows=tuple((c.case.share, c.level, *_overall(c), *(c.stopped if looks > 1 else ())) for c in chances),
    )


def ratio_chances_table(chances: Sequence[MoveChance]) -> Table:
    """The verdict against the true ratio of standard deviations, the level unchanged."""
    return Table(
        key="ratio_chances",
        caption="What the recommended plan would say overall, by how many times worse the rig truly repeats",
        columns=(
            Column(key="ratio", caption="true ratio, after over before", kind=ColumnKind.RATIO),
            Column(key="kept", caption="shown within the limit", kind=ColumnKind.PROBABILITY),
            *_outcomes(),
        ),
        rows=tuple((c.case.ratio, c.kept, *_overall(c)) for c in chances),
    )


def _outcomes() -> tuple[Column, ...]:
    return (
        Column(key="returned", caption="back to service", kind=ColumnKind.PROBABILITY),
        Column(key="held", caption="hold", kind=ColumnKind.PROBABILITY),
        Column(key="undecided", caption="undecided", kind=ColumnKind.PROBABILITY),
        Column(key="error", caption="Monte Carlo error", kind=ColumnKind.PROBABILITY),
    )


def _overall(chance: MoveChance) -> tuple[Value, ...]:
    overall = chance.overall
    return (overall.equivalent, overall.different, 1 - overall.decided, overall.monte_carlo_error)


def section_table(
    question: Requalification, shifts: Sequence[MoveChance], scatter: Sequence[MoveChance]
) -> Table:
    """What each section by itself would say of level and ratio."""
    none, margin, twice = (next(c for c in shifts if c.case.share == share) for share in (0.0, 1.0, 2.0))
    same, limit, double = scatter
    rows: list[tuple[Value, ...]] = []
    for i, section in enumerate(question.sections):
        at: list[SectionChance] = [
            chance.sections[i] for chance in (none, margin, twice, same, limit, double)
        ]
        rows.append(
            (section.name, "decides" if section.decides else "informs", at[0].equivalent, at[1].equivalent,
             at[2].different, at[3].kept, at[4].kept, at[5].beyond)
        )  # fmt: skip
    return Table(
        key="section_chances",
        caption="What the recommended plan would say section by section",
        columns=(
            Column(key="section", caption="section", kind=ColumnKind.TEXT),
            Column(key="role", caption="role", kind=ColumnKind.TEXT),
            Column(key="equivalent", caption="level equivalent, if unchanged", kind=ColumnKind.PROBABILITY),
            Column(key="wrongly", caption="wrongly, if shifted by the margin", kind=ColumnKind.PROBABILITY),
            Column(key="different", caption="different, if shifted by twice", kind=ColumnKind.PROBABILITY),
            Column(key="kept", caption="ratio within its limit, if 1", kind=ColumnKind.PROBABILITY),
            Column(key="wrongly_kept", caption="wrongly, if at the limit", kind=ColumnKind.PROBABILITY),
            Column(key="beyond", caption="beyond it, if twice the limit", kind=ColumnKind.PROBABILITY),
        ),
        rows=tuple(rows),
    )


def move_figures(
    tried: Sequence[SizedMove],
    best: Sequence[SizedMove],
    chosen: SizedMove,
    shifts: Sequence[MoveChance],
    target: float,
) -> tuple[Figure, ...]:
    """The chances of the recommended plan, and all plans by rig hours."""
    return (
        VerdictAgainstOffset(
            key="verdict_chances",
            title="What would the recommended plan say, by the true shift?",
            reading=(
                f"'Equivalent' stands for back to service, 'different' for hold. An unchanged rig goes back to service "
                f"in {shifts[0].overall.equivalent:.0%} of studies."
            ),
            unit="",
            rows=tuple(
                ChanceAtOffset(
                    share=c.case.share, equivalent=c.overall.equivalent, different=c.overall.different
                )
                for c in shifts
            ),
            target=target,
        ),
        HoursAgainstGain(
            key="plans_by_hours",
            title="What does each plan give for its rig hours?",
            reading=f"The recommended plan takes {chosen.hours:g} rig hours.",
            unit="h",
            rows=tuple(
                PlanPoint(
                    label=f"{p.visits} x {p.sets}", layout=plural(p.visits, "visit"), hours=p.hours, gain=p.gain,
                    best=p in best, recommended=p is chosen,
                )
                for p in tried
            ),
            gain_label="probability that an unchanged rig goes back to service"
            if chosen.plan.level_shown
            else "probability that an unchanged rig goes back and a shifted one is held, the smaller of the two",
            target=target,
        ),
    )  # fmt: skip
