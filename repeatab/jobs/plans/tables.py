"""Tables and figures of a plan: candidates, chances against the true offset, expected intervals."""

from __future__ import annotations

from collections.abc import Sequence

from repeatab.jobs.plans.comparison import gathered_named
from repeatab.jobs.plans.question import SectionBelief
from repeatab.jobs.plans.trial import Trial
from repeatab.jobs.plans.weighing import Weighed, exact_equivalence
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout
from repeatab.outcome.figures import Figure
from repeatab.outcome.plan_figures import ChanceAtOffset, HoursAgainstGain, PlanPoint, VerdictAgainstOffset
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.planning.cost import front
from repeatab.planning.joint_verdicts import JointChance
from repeatab.planning.widths import expected_intervals

_ALL = "all pairs together"


def plans_table(trial: Trial) -> Table:
    """Every plan that can be run, by rig hours."""
    best = _best(trial)
    levels = trial.levels
    dearest = max(one.hours for one in trial.simulated)
    shown = [one for one in trial.candidates if one.hours <= dearest]
    dearer = len(trial.candidates) - len(shown)
    rows = tuple(_plan_row(one, levels, one in best, one is trial.recommended) for one in shown)
    return Table(
        key="plans",
        caption="Plans that can be run, by rig hours",
        columns=(
            Column(key="layout", caption="layout", kind=ColumnKind.TEXT),
            Column(key="note", caption="", kind=ColumnKind.TEXT),
            Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
            Column(key="expected", caption="averaged over unknown scatter", kind=ColumnKind.PROBABILITY),
            Column(key="error", caption="Monte Carlo error", kind=ColumnKind.PROBABILITY),
            Column(key="simulated", caption="scatter as believed", kind=ColumnKind.PROBABILITY),
            Column(key="integrated", caption="hardest section by integration", kind=ColumnKind.PROBABILITY),
            Column(key="sets", caption="pad sets", kind=ColumnKind.COUNT),
            Column(key="each", caption=f"sets at {', '.join(levels)}", kind=ColumnKind.TEXT),
            Column(key="runs", caption="runs", kind=ColumnKind.COUNT),
        ),
        rows=rows,
        remarks=(
            "Probability that the study shows, if there is no offset, that none matters, in all deciding sections.",
            "By integration is a first look, as if one t statistic of the hardest section decided; the plans that it "
            "puts first were simulated.",
            *([f"{dearer} dearer plans are left out."] if dearer else []),
        ),
    )


def _best(trial: Trial) -> tuple[Weighed, ...]:
    """The simulated plans that no cheaper one equals."""
    return front(trial.simulated, lambda c: c.hours, lambda c: c.gain)


def _plan_row(one: Weighed, levels: Sequence[str], best: bool, recommended: bool) -> tuple[Value, ...]:
    simulated, expected = one.simulated, one.expected
    each = one.laid.runs.sets_by_level
    note = "recommended" if recommended else "no cheaper one gives as much" if best else ""
    return (
        one.words, note, one.hours, None if expected is None else expected.equivalent,
        None if expected is None else expected.monte_carlo_error,
        None if simulated is None else simulated.equivalent, one.by_integration, one.laid.runs.sets,
        ", ".join(str(each[level]) for level in levels), len(one.laid.runs.runs),
    )  # fmt: skip


def chances_table(trial: Trial) -> Table:
    """The overall verdict against the true offset."""
    return chances_of(trial.chances, len(trial.recommended.plan.looks))


def chances_of(chances: Sequence[JointChance], looks: int) -> Table:
    """The overall verdict against the true offset, and at which look it falls."""
    rows = tuple(
        (c.share, c.overall.equivalent, c.overall.different, 1 - c.overall.decided, c.overall.monte_carlo_error,
         *(c.stopped if looks > 1 else ()))
        for c in chances
    )  # fmt: skip
    stops = [
        Column(key=f"look {i}", caption=f"verdict at look {i}", kind=ColumnKind.PROBABILITY)
        for i in range(1, looks + 1)
    ]
    return Table(
        key="chances",
        caption="What the recommended plan would say overall, by the true offset in every section",
        columns=(
            Column(key="share", caption="true offset, in margins", kind=ColumnKind.RATIO),
            Column(key="equivalent", caption="equivalent", kind=ColumnKind.PROBABILITY),
            Column(key="different", caption="different", kind=ColumnKind.PROBABILITY),
            Column(key="undecided", caption="undecided", kind=ColumnKind.PROBABILITY),
            Column(key="error", caption="Monte Carlo error", kind=ColumnKind.PROBABILITY),
            *(stops if looks > 1 else ()),
        ),
        rows=rows,
    )


def pair_chances_table(trial: Trial, rate: float) -> Table | None:
    """Each pair by itself over all deciding sections; None where there is one pair.

    rate : of a difference claim over all pairs and sections.
    """
    if not trial.single:
        return None
    best = trial.recommended
    df = min(one.df for one in best.information)
    own = best.plan.rule.rate_at(rate, df)
    rows: list[tuple[Value, ...]] = []
    for who, chances in (
        ("all but the reference", trial.chances),
        (f"{trial.levels[0]} alone", trial.single),
    ):
        for chance in chances:
            if chance.share not in ((0.0, 0.5, 1.0, 2.0) if chances is trial.chances else (0.5, 1.0, 2.0)):
                continue
            named = [
                (pair.name, found) for pair, found in zip(best.laid.how.pairs, chance.pairs, strict=True)
            ]
            rows += [
                (who, chance.share, name, None if name == _ALL else own, found.equivalent, found.different,
                 1 - found.decided)
                for name, found in (*named, (_ALL, chance.overall))
            ]  # fmt: skip
    return Table(
        key="pair_chances",
        caption="What the recommended plan would say pair by pair, over all deciding sections",
        columns=(
            Column(key="off", caption="what is off", kind=ColumnKind.TEXT),
            Column(key="share", caption="by how many margins", kind=ColumnKind.RATIO),
            Column(key="pair", caption="pair", kind=ColumnKind.TEXT),
            Column(key="rate", caption="rate of its difference claim", kind=ColumnKind.PROBABILITY),
            Column(key="equivalent", caption="equivalent", kind=ColumnKind.PROBABILITY),
            Column(key="different", caption="different", kind=ColumnKind.PROBABILITY),
            Column(key="undecided", caption="undecided", kind=ColumnKind.PROBABILITY),
        ),
        rows=tuple(rows),
        remarks=(
            f"A difference of a pair is claimed at the stated rate in one section, so that all pairs together keep "
            f"{rate:.2f} (multivariate t); over several sections by Holm's steps beside it.",
        ),
    )


def section_chances_table(trial: Trial) -> Table:
    """Each section by itself, simulated and by integration."""
    best = trial.recommended
    rows: list[tuple[Value, ...]] = []
    for i, section in enumerate(best.plan.sections):
        for chance in trial.chances:
            if chance.share not in (0.0, 0.5, 1.0, 2.0):
                continue
            found = chance.sections[i]
            rows.append(
                (section.name, "decides" if section.decides else "informs", chance.share, found.equivalent,
                 found.different, 1 - found.decided, exact_equivalence(best.plan, i, best.information[i], chance.share))
            )  # fmt: skip
    return Table(
        key="section_chances",
        caption="What the recommended plan would say section by section",
        columns=(
            Column(key="section", caption="section", kind=ColumnKind.TEXT),
            Column(key="role", caption="role", kind=ColumnKind.TEXT),
            Column(key="share", caption="true offset, in margins", kind=ColumnKind.RATIO),
            Column(key="equivalent", caption="equivalent", kind=ColumnKind.PROBABILITY),
            Column(key="different", caption="different", kind=ColumnKind.PROBABILITY),
            Column(key="undecided", caption="undecided", kind=ColumnKind.PROBABILITY),
            Column(key="integrated", caption="equivalent, by integration", kind=ColumnKind.PROBABILITY),
        ),
        rows=tuple(rows),
        remarks=(
            "By integration: one t statistic decides. The study asks two views of the scatter to agree, which is a "
            "little stricter.",
        ),
    )


def widths_table(block: Block, layout: Layout, belief: SectionBelief, level: float, seed: int) -> Table:
    """How well the plan would know each source of scatter."""
    found = expected_intervals(block, layout, gathered_named(belief), level=level, seed=seed)
    return Table(
        key="scatter_widths",
        caption="How well the recommended plan would know each scatter",
        columns=(
            Column(key="source", caption="source", kind=ColumnKind.TEXT),
            Column(key="sd", caption="SD as believed", kind=ColumnKind.RESULT),
            Column(key="lower", caption=f"typical lower limit, {level:.0%}", kind=ColumnKind.RESULT),
            Column(key="upper", caption=f"typical upper limit, {level:.0%}", kind=ColumnKind.RESULT),
            Column(key="factor", caption="upper limit over SD", kind=ColumnKind.RATIO),
            Column(key="df", caption="degrees of freedom", kind=ColumnKind.NUMBER),
        ),
        rows=tuple(
            (one.source.replace("_", " "), one.sd, one.lower, one.upper, one.factor, one.df) for one in found
        ),
    )


def figures_of_plan(trial: Trial, target: float) -> tuple[Figure, ...]:
    """The chances of the recommended plan, and all plans by rig hours."""
    best = _best(trial)
    half = next(c for c in trial.chances if c.share == 0.5)
    return (
        VerdictAgainstOffset(
            key="verdict_chances",
            title="What would the recommended plan say, by the true offset?",
            reading=(
                f"At no offset the verdict is 'equivalent' in "
                f"{trial.chances[0].overall.equivalent:.0%} of studies, at half "
                f"the margin in {half.overall.equivalent:.0%}."
            ),
            unit="",
            rows=tuple(
                ChanceAtOffset(share=c.share, equivalent=c.overall.equivalent, different=c.overall.different)
                for c in trial.chances
            ),
            target=target,
        ),
        HoursAgainstGain(
            key="plans_by_hours",
            title="What does each plan give for its rig hours?",
            reading=(
                f"The recommended plan takes {trial.recommended.hours:g} rig hours; along the line no "
                "cheaper plan gives as "
                "much."
            ),
            unit="h",
            rows=tuple(
                PlanPoint(
                    label=f"{one.laid.runs.sets} sets", layout=one.words, hours=one.hours, gain=one.gain,
                    best=one in best, recommended=one is trial.recommended,
                )
                for one in trial.simulated
            ),
            gain_label="probability that no offset is shown to be none",
            target=target,
        ),
    )  # fmt: skip
