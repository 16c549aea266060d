"""Tables of a requalification beside those of its comparisons.

In: answers, claims, the design of the move.  Out: tables as data.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from repeatab.base.quantity import Quantity
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.tables import finite
from repeatab.jobs.requalifying.answers import Answer
from repeatab.jobs.requalifying.design import DRIFT, PAD_SET, PHASE, RIG, VISIT, MoveDesign
from repeatab.jobs.requalifying.question import CHECKS, Check, RequalSection
from repeatab.jobs.requalifying.scatter import RatioClaim
from repeatab.jobs.requalifying.views import drift_shows
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.planning.next_runs import MoreRuns

if TYPE_CHECKING:
    import pandas as pd

_NOT_STATED = "not stated"
_SECTION = Column(key="section", caption="section", kind=ColumnKind.TEXT)


def answers_table(answers: Sequence[Answer]) -> Table:
    """The three questions, who carries the burden, and whether it is met."""
    rows: list[tuple[Value, ...]] = [
        (
            a.question.value,
            a.verdict.value + (f", {a.qualifier.value}" if a.qualifier.value else ""),
            a.burden.value,
            "met" if a.met else "not met",
            ", ".join(a.holds) or "none",
        )
        for a in answers
    ]
    captions = ("question", "verdict", "burden", "burden met", "sections that hold the rig")
    keys = ("question", "verdict", "burden", "met", "holds")
    columns = tuple(
        Column(key=k, caption=c, kind=ColumnKind.TEXT) for k, c in zip(keys, captions, strict=True)
    )
    return Table(
        key="answers",
        caption="The questions and their burdens",
        columns=columns,
        rows=tuple(rows),
        remarks=(
            "Hold: an offset interval wholly beyond its margin, or a ratio of standard deviations whose lower bound "
            "lies above its limit. Return to service: every burden met. Otherwise undecided.",
        ),
    )


def complete_checklist(checklist: Sequence[Check]) -> tuple[Check, ...]:
    """What is verified after a move, in the usual order, with what the lab added; items not stated are empty."""
    stated = {check.item: check for check in checklist}
    usual = [stated.pop(item, Check(item=item)) for item in CHECKS]
    return (*usual, *stated.values())


def missing_items(checklist: Sequence[Check]) -> list[str]:
    """Items without a result."""
    return [check.item for check in complete_checklist(checklist) if check.result is None]


def checklist_table(checklist: Sequence[Check]) -> Table:
    """The checklist as the lab filled it in."""
    rows: list[tuple[Value, ...]] = [
        (c.item, c.value or _NOT_STATED, c.date or _NOT_STATED, c.result.value if c.result else "missing")
        for c in complete_checklist(checklist)
    ]
    return Table(
        key="checklist",
        caption="Checks of the rig after the move, as the laboratory states them",
        columns=(
            Column(key="item", caption="item", kind=ColumnKind.TEXT),
            Column(key="value", caption="found", kind=ColumnKind.TEXT),
            Column(key="date", caption="date", kind=ColumnKind.TEXT),
            Column(key="result", caption="result", kind=ColumnKind.TEXT),
        ),
        rows=tuple(rows),
        remarks=("Printed as stated; nothing here is measured or judged by this program.",),
    )


def sets_table(design: MoveDesign) -> Table:
    """Visits, pad sets and runs per rig and phase."""
    rows: list[tuple[Value, ...]] = []
    for rig in (design.moved, *design.controls):
        counts: list[Value] = []
        for phase in (design.before, design.after):
            counts += [design.visit_count(rig, phase) if design.visits else None, design.sets(rig, phase)]
        role = "moved" if rig == design.moved else "stayed"
        rows.append((str(rig), role, *counts))
    columns = [
        Column(key="rig", caption="rig", kind=ColumnKind.TEXT),
        Column(key="role", caption="role", kind=ColumnKind.TEXT),
    ]
    for key, phase in (("before", design.before), ("after", design.after)):
        columns += [
            Column(key=f"visits {key}", caption=f"visits, {phase}", kind=ColumnKind.COUNT),
            Column(key=f"sets {key}", caption=f"pad sets, {phase}", kind=ColumnKind.COUNT),
        ]
    return Table(key="runs", caption="What was run", columns=tuple(columns), rows=tuple(rows))


def changes_table(design: MoveDesign, quantity: Quantity) -> Table:
    """The plain change of every rig, sets counting alike: what the difference of differences is made of."""
    rigs = (design.moved, *design.controls)
    rows: list[tuple[Value, ...]] = []
    for section, part in design.table.groupby("section", sort=False):
        means = part.groupby([RIG, PHASE, PAD_SET])["result"].mean().groupby([RIG, PHASE]).mean()
        changes: list[Value] = []
        for rig in rigs:
            early, late = (_mean_at(means, rig, phase) for phase in (design.before, design.after))
            changes += [early, late, None if early is None or late is None else late - early]
        rows.append((str(section), *changes))
    columns = [_SECTION]
    for rig in rigs:
        columns += [
            Column(key=f"{rig} {what}", caption=f"{rig} {what}", kind=ColumnKind.RESULT, unit=quantity.unit)
            for what in ("before", "after", "change")
        ]
    return Table(
        key="changes",
        caption="Plain means of the pad sets before and after, rig by rig",
        columns=tuple(columns),
        rows=tuple(rows),
        remarks=(
            "The shift is estimated from all rigs, phases and visits in one model; where numbers of sets differ it is "
            "not exactly the difference of these plain means.",
        ),
    )


def _mean_at(means: pd.Series[float], rig: Any, phase: Any) -> float | None:
    return float(means[rig, phase]) if (rig, phase) in means.index else None


def drift_table(
    comparison: LevelComparison, sections: Mapping[str, RequalSection], quantity: Quantity
) -> Table:
    """Ordinary drift between visits, what visits share, and the scatter of fresh sets, as standard deviations."""
    rows: list[tuple[Value, ...]] = []
    for claim in comparison.compared:
        fit = claim.pooled.fit
        names = [*(fit.layout.sources[i] for i in fit.layout.estimated), fit.layout.sources[-1]]
        sd = dict(zip(names, np.sqrt(np.maximum(fit.variances[0], 0)), strict=True))
        upper = dict(zip(names, np.sqrt(fit.limits[1][0]), strict=True))
        drift, stated = " × ".join(DRIFT), sections[claim.section.name].drift
        if drift in sd:
            how, value, most = "estimated", float(sd[drift]), finite(float(upper[drift]))
        elif drift_shows(fit.layout):
            how, value, most = "part of the scatter of sets", None, None
        elif stated is not None:
            how, value, most = "stated by the laboratory", stated.sd, None
        else:
            how, value, most = "not known", None, None
        rest = math.sqrt(sum(v**2 for name, v in sd.items() if name not in (drift, VISIT)))
        common = None if VISIT not in sd else float(sd[VISIT])
        rows.append((claim.section.name, how, value, most, common, rest))
    return Table(
        key="drift",
        caption="Does the rig ordinarily drift between visits?",
        columns=(
            _SECTION,
            Column(key="how", caption="ordinary drift is", kind=ColumnKind.TEXT),
            Column(key="drift", caption="SD of drift", kind=ColumnKind.RESULT, unit=quantity.unit),
            Column(key="drift_upper", caption="upper limit", kind=ColumnKind.RESULT, unit=quantity.unit),
            Column(key="visit", caption="SD common to all rigs", kind=ColumnKind.RESULT, unit=quantity.unit),
            Column(key="sets", caption="SD of a fresh set", kind=ColumnKind.RESULT, unit=quantity.unit),
        ),
        rows=tuple(rows),
        remarks=(
            "A zero estimate is common with few visits and does not make the intervals narrower: the component stays "
            "in their degrees of freedom.",
        ),
    )


def ratio_table(claims: Sequence[RatioClaim], *, level: float, target: float) -> Table:
    """The ratio of standard deviations after / before, its bounds, and the limits these numbers of sets can meet."""
    rows: list[tuple[Value, ...]] = []
    for c in claims:
        role = "decides" if c.section.decides else "informs"
        if c.ratio is None:
            rows.append((c.section.name, role, *[None] * 9, c.limit, c.verdict.value))
            continue
        r = c.ratio
        tail = f", {c.qualifier.value}" if c.qualifier.value else ""
        rows.append(
            (c.section.name, role, r.sd_b, r.df_b, r.sd_a, r.df_a, r.ratio, finite(c.lower), finite(c.upper),
             c.smallest, c.likely, c.limit, c.verdict.value + tail)
        )  # fmt: skip
    ratio = ColumnKind.RATIO
    return Table(
        key="ratio",
        caption="Does the moved rig repeat worse than before?",
        columns=(
            _SECTION,
            Column(key="role", caption="role", kind=ColumnKind.TEXT),
            Column(key="sd_before", caption="SD before", kind=ColumnKind.RESULT),
            Column(key="df_before", caption="df before", kind=ColumnKind.COUNT),
            Column(key="sd_after", caption="SD after", kind=ColumnKind.RESULT),
            Column(key="df_after", caption="df after", kind=ColumnKind.COUNT),
            Column(key="ratio", caption="ratio after / before", kind=ratio),
            Column(key="lower", caption="lower bound, adjusted", kind=ratio),
            Column(key="upper", caption=f"upper bound, {level:.3g}", kind=ratio),
            Column(key="smallest", caption="smallest limit that could be met", kind=ratio),
            Column(key="likely", caption=f"limit met with {target:.0%} probability", kind=ratio),
            Column(key="limit", caption="limit", kind=ratio),
            Column(key="verdict", caption="verdict", kind=ColumnKind.TEXT),
        ),
        rows=tuple(rows),
        remarks=(
            "Smallest limit that could be met: the upper bound that these numbers of sets give when both phases come "
            "out with the same standard deviation; about every second study of an unchanged rig does better. The "
            "limit beside it is met with the stated probability if nothing has changed.",
        ),
    )


def next_sets_table(planned: Mapping[str, MoreRuns], *, rigs: int, hours_per_set: float | None) -> Table:
    """Fresh sets per rig after the move that would bring a verdict on the level."""
    rows: list[tuple[Value, ...]] = []
    for name, plan in planned.items():
        for need in plan.needed:
            hours = None
            if need.further is not None and hours_per_set is not None:
                hours = need.further * rigs * hours_per_set
            rows.append((name, need.belief, need.sets, need.further, hours))
    plan = next(iter(planned.values()))
    error = 100 * (plan.target * (1 - plan.target) / plan.draws) ** 0.5
    return Table(
        key="next_runs",
        caption="What to run next",
        columns=(
            _SECTION,
            Column(key="belief", caption="if the truth is", kind=ColumnKind.TEXT),
            Column(key="sets", caption="sets per rig after the move in all", kind=ColumnKind.COUNT),
            Column(key="further", caption="further sets per rig", kind=ColumnKind.COUNT),
            Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
        ),
        rows=tuple(rows),
        remarks=(
            f"Fresh sets (not stops) on the moved rig and on each control, in further visits, for a probability of "
            f"{plan.target:.0%} of a verdict on the level, judged once on all sets together; {plan.draws} simulated "
            f"studies per number, Monte Carlo error about {error:.1f} points. What ran before the move cannot be added "
            f"to. No entry: no number up to {plan.reach} sets per rig suffices.",
        ),
    )
