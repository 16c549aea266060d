"""Planning a round robin: how many laboratories and results, and how well the precision would be known.

In: the question, beliefs, costs and limits.  Out: an Outcome with the plans, the recommended one and its run sheet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from repeatab.base.errors import StudyError
from repeatab.cells import FloatArray
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.jobs.plans.sheet import round_sheet
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.jobs.wording import plural, probability
from repeatab.outcome.figures import Figure
from repeatab.outcome.outcome import MethodNote, Outcome, Provenance
from repeatab.outcome.plan_figures import HoursAgainstGain, PlanPoint
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.planning.cost import front, hours_of, why_not
from repeatab.planning.layouts import LayoutKind, PlannedRuns, laid_out
from repeatab.planning.precision_plans import (
    chance_within,
    uncertainties_of_reproducibility,
    uncertainty_of_repeatability,
    uncertainty_of_reproducibility,
)

# Dearer plans than these, in hours of the recommended one, are not shown.
_SHOWN = 1.5
_MOST, _RESULTS, _DRAWN, _EVERY = 30, (2, 3, 4), 200, 20


@dataclass(frozen=True, kw_only=True)
class _Round:
    """doubt, expected : A_R of the level that is known worst, as believed and averaged over what is not known.

    within : probability that s_R comes out within the wanted share of its true value, averaged likewise.
    """

    laboratories: int
    results: int
    runs: PlannedRuns
    hours: float
    doubt: float
    expected: float
    within: float = 0.0


def plan_round_robin(question: RoundRobin, beliefs: PlanBeliefs, options: PlanOptions, title: str) -> Outcome:
    """Plan a round robin.

    Raises
    ------
    StudyError
        It is not stated how well the reproducibility has to be known, or nothing can be run under the limits.
    """
    if options.widest is None:
        raise StudyError(
            "plan.widest: is missing. Say how well the reproducibility standard deviation has to be known, as a share "
            "of itself, such as widest = 0.35: with 95 % probability the estimate then lies within 35 % of the truth."
        )
    levels = tuple(str(level) for level in question.levels) or ("all",)
    plans = _rounds(levels, beliefs, options, options.widest, question.seed)
    if not plans:
        raise StudyError("plan: no round robin can be run under the limits. Allow more sets, rigs or hours.")
    enough = [one for one in plans if one.expected <= options.widest]
    chosen = enough[0] if enough else plans[-1]
    names = tuple(str(level) for level in question.levels)
    return Outcome(
        job="plan", title=title,
        headline=Judgement(
            subject="round robin", verdict=Verdict.DESCRIBED,
            reason=_reason(chosen, bool(enough), len(levels), options.widest),
        ),
        judgements=(), evidence=_evidence(chosen, beliefs), methods=_METHODS,
        cannot_tell=(
            "What a level's results share because they came from one set or lot: sets that travel wear, and sets that "
            "are handed out differ.",
            "A plan is as good as what is believed of the scatter.",
        ),
        tables=(
            _table(plans, chosen, options.widest),
            round_sheet(chosen.runs, names, seed=question.seed, form=options.form),
        ),
        figures=(_figure(plans, chosen, options.target),),
        numbers=(("hours", chosen.hours), ("A_R", chosen.doubt), ("expected_A_R", chosen.expected)),
        provenance=Provenance(seed=question.seed),
    )  # fmt: skip


def _rounds(
    levels: Sequence[str], beliefs: PlanBeliefs, options: PlanOptions, widest: float, seed: int
) -> list[_Round]:
    """The plans that no cheaper one equals, by rig hours."""
    ratios = [_ratios(level, beliefs, seed) for level in levels]
    found = []
    for p, n in product(range(3, (options.limits.rigs or _MOST) + 1), _RESULTS):
        runs = laid_out(LayoutKind.NESTED, [f"L{i + 1:02d}" for i in range(p)], len(levels), n)
        if why_not(runs, options.costs, options.limits) is None:
            found.append(
                _Round(
                    laboratories=p, results=n, runs=runs, hours=hours_of(runs, options.costs),
                    doubt=max(uncertainty_of_reproducibility(p, n, point) for point, _ in ratios),
                    expected=max(
                        float(np.mean(uncertainties_of_reproducibility(p, n, drawn))) for _, drawn in ratios
                    ),
                )
            )  # fmt: skip
    best = front(found, lambda one: one.hours, lambda one: -one.expected)
    return [replace(one, within=min(_within(one, drawn, widest) for _, drawn in ratios)) for one in best]


def _within(one: _Round, ratios: FloatArray, widest: float) -> float:
    """Averaged over some of the possible ratios, evenly placed among them."""
    some = np.sort(ratios)[_EVERY // 2 :: _EVERY]
    return float(np.mean([chance_within(one.laboratories, one.results, float(r), widest) for r in some]))


def _ratios(level: str, beliefs: PlanBeliefs, seed: int) -> tuple[float, FloatArray]:
    """Reproducibility over repeatability standard deviation, as believed, and (draws,) as it may be."""
    scatter = beliefs.of(level).scatter
    between, within = scatter["rig"], scatter["repeatability"]
    rng = np.random.default_rng([seed, *level.encode()])
    drawn = np.sqrt(1 + between.variances(_DRAWN, rng) / within.variances(_DRAWN, rng))
    return float(np.hypot(between.sd, within.sd) / within.sd), drawn


def _reason(chosen: _Round, enough: bool, levels: int, widest: float) -> str:
    return (
        f"{'Recommended' if enough else 'No plan within the limits is good enough; the best'}: "
        f"{chosen.laboratories} laboratories with {chosen.results} results of each of {plural(levels, 'level')}, "
        f"{chosen.hours:g} rig hours. With 95 % probability s_R then lies within {_percent(chosen.expected)} of its "
        f"true value, averaged over what is not known of the scatter (wanted: {_percent(widest)}), s_r within "
        f"{_percent(uncertainty_of_repeatability(chosen.laboratories, chosen.results))}."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _evidence(chosen: _Round, beliefs: PlanBeliefs) -> tuple[str, ...]:
    few = uncertainty_of_reproducibility(3, chosen.results, 2.0)
    return (
        f"Scatter as {beliefs.told}; 'rig' stands for laboratories.",
        f"As believed, s_R is known to within {_percent(chosen.doubt)}; averaged over the range of the scatter to "
        f"within {_percent(chosen.expected)}.",
        f"Three laboratories know a reproducibility of twice the repeatability only to within {_percent(few)}, however "
        "many results each gives.",
    )


def _table(best: Sequence[_Round], chosen: _Round, widest: float) -> Table:
    rows: tuple[tuple[Value, ...], ...] = tuple(
        (one.laboratories, one.results, one.hours,
         100 * uncertainty_of_repeatability(one.laboratories, one.results), 100 * one.doubt, 100 * one.expected,
         one.within, "recommended" if one is chosen else "")
        for one in best
        if one.hours <= _SHOWN * chosen.hours
    )  # fmt: skip
    return Table(
        key="plans",
        caption="The plans that no cheaper one equals, by rig hours",
        columns=(
            Column(key="laboratories", caption="laboratories", kind=ColumnKind.COUNT),
            Column(key="results", caption="results per cell", kind=ColumnKind.COUNT),
            Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
            Column(key="A_r", caption="s_r known to within", kind=ColumnKind.PERCENT),
            Column(key="A_R", caption="s_R known to within", kind=ColumnKind.PERCENT),
            Column(key="expected", caption="averaged over unknown scatter", kind=ColumnKind.PERCENT),
            Column(
                key="within", caption=f"probability of s_R within {widest:.0%}", kind=ColumnKind.PROBABILITY
            ),
            Column(key="note", caption="", kind=ColumnKind.TEXT),
        ),
        rows=rows,
        remarks=(
            "With a probability of 95 % (ISO 5725-1:1994, 6.3.2), by the normal approximation of the standard; the "
            "probability beside it is that of the mean squares themselves.",
        ),
    )


def _figure(best: Sequence[_Round], chosen: _Round, target: float) -> Figure:
    return HoursAgainstGain(
        key="plans_by_hours",
        title="What does each plan give for its rig hours?",
        reading=(
            f"The recommended plan takes {chosen.hours:g} rig hours; s_R then comes out as near as wanted with a "
            f"probability of {probability(chosen.within)}."
        ),
        unit="h",
        rows=tuple(
            PlanPoint(
                label=f"{one.laboratories} laboratories", layout=f"{one.results} results", hours=one.hours,
                gain=one.within, best=True, recommended=one is chosen,
            )
            for one in best
        ),
        gain_label="probability that s_R comes out as near as wanted",
        target=target,
    )  # fmt: skip


_METHODS = (
    MethodNote(
        quantity="how well s_r and s_R are known",
        method="normal approximation of the standard deviation of an estimate",
        source="ISO 5725-1:1994, 6.3.2",
    ),
    MethodNote(
        quantity="probability that s_R comes out within a share of the truth",
        method="integral over the chi-square distributions of the two mean squares",
        source="Searle, Casella & McCulloch (1992), Variance Components, ch. 3",
    ),
)
