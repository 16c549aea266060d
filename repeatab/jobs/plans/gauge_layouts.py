"""Candidates of a gauge study: crossed, nested, staggered, split over the rigs, each set on some of the rigs.

In: numbers of rigs, sets and runs, beliefs, costs and limits.  Out: GaugePlan: the runs, what their layout tells apart,
and how well it would know each source of scatter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np

from repeatab.cells import FloatArray
from repeatab.jobs.gauge.fit import mixture_sentences, sources_of
from repeatab.jobs.plans.comparison import gathered_named
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.judgement.capability import MEASUREMENT, Source
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import REPEATABILITY, Model, TermName, model_of
from repeatab.planning.cost import front, hours_of, why_not
from repeatab.planning.gauge_verdicts import GaugeChance
from repeatab.planning.layouts import LayoutKind, PlannedRuns, by_operators, laid_out
from repeatab.planning.widths import QuickWidths, component_values
from repeatab.simulate import planned_block

RIGS, _SETS, _REPEATS = (2, 3, 4, 5, 6, 8), (3, 4, 5, 6, 8, 10, 12, 16, 20), (2, 3)
_MOST_RUNS = 160
REPEATED = (LayoutKind.CROSSED, LayoutKind.NESTED, LayoutKind.STAGGERED)
# In the order of the page; a set that runs on several rigs first.
GAUGE_KINDS = (
    LayoutKind.CROSSED, LayoutKind.CROSSOVER, LayoutKind.INCOMPLETE, LayoutKind.NESTED, LayoutKind.STAGGERED,
    LayoutKind.SPLIT_LOT,
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class GaugePlan:
    """A layout of a gauge study.

    rigs, sets, runs : rigs; sets of each rig where each has its own, else in all; runs of a repeated set on one rig.
    against_total : whether R&R is judged against the total variation, and not against tolerances alone.
    chance, expected : of a verdict, at the point estimate and averaged over what is not known; None until simulated.
    """

    planned: PlannedRuns
    rigs: int
    sets: int
    runs: int
    hours: float
    block: Block
    layout: Layout
    truth: FloatArray
    level: float
    against_total: bool
    chance: GaugeChance | None = None
    expected: GaugeChance | None = None

    @property
    def kind(self) -> LayoutKind:
        return self.planned.kind

    @cached_property
    def sources(self) -> tuple[Source, ...]:
        """What each component counts as, repeatability last."""
        return sources_of(self.layout)

    @property
    def names(self) -> tuple[str, ...]:
        """What each component holds, in words."""
        return tuple(source.name for source in self.sources)

    @property
    def bounded(self) -> bool:
        """Whether the scatter of the sets is inside R&R, which is then an upper bound."""
        return any(source.bounds for source in self.sources)

    @property
    def mixed(self) -> tuple[str, ...]:
        """What the layout leaves mixed together, with the runs that would tell."""
        return tuple(f"{text} {remedy}" for _, text, remedy in mixture_sentences(self.layout))

    @property
    def measurement(self) -> FloatArray:
        """(components,) 1 where a component belongs to the measurement."""
        return np.array([float(source.role in MEASUREMENT) for source in self.sources])

    @property
    def repeats(self) -> bool:
        """Whether repeatability is told from everything else."""
        return self.names[-1] == REPEATABILITY

    @cached_property
    def widths(self) -> QuickWidths:
        """About how well each source would be known."""
        return QuickWidths(block=self.block, layout=self.layout, truth=self.truth, level=self.level)

    @cached_property
    def doubt(self) -> float:
        """By how much what is judged may be larger than it looks, as a factor: R&R, or its ratio to the total."""
        parts = (1 - self.measurement) * float(self.against_total)
        total = self.widths.factor_of_sum(parts) if parts.any() else 1.0
        return float(np.exp(np.hypot(np.log(self.widths.factor_of_sum(self.measurement)), np.log(total))))


def gauge_model(*, operators: bool, repeated: bool) -> Model:
    """The model that the study will fit to such runs; repeated : some set ran twice with one operator on one rig."""
    random: list[TermName] = ["rig"]
    random += ["operator", ("rig", "operator")] if operators else []
    random += ["pad_set", ("rig", "pad_set")]
    random += [("operator", "pad_set")] if operators else []
    random += [("rig", "operator", "pad_set")] if operators and repeated else []
    return model_of(random=random)


def gauge_plan(
    kind: LayoutKind,
    size: tuple[int, int, int],
    beliefs: PlanBeliefs,
    options: PlanOptions,
    *,
    level: float,
    against_total: bool,
) -> GaugePlan:
    """One layout of so many rigs, sets and runs, with what it would know."""
    rigs, sets, runs = size
    planned = laid_out(kind, rig_names(rigs, options), sets, runs)
    operators = varied_operators(options)
    if operators:
        planned = by_operators(planned, operators)
    labels = {"rig": [r.level for r in planned.runs], "pad_set": [r.pad_set for r in planned.runs]}
    if operators:
        labels["operator"] = [str(r.operator) for r in planned.runs]
    block = planned_block(labels)
    repeated = bool(block.count.max() > 1)
    layout = layout_of(block, gauge_model(operators=bool(operators), repeated=repeated))
    return GaugePlan(
        planned=planned, rigs=rigs, sets=sets, runs=runs, hours=hours_of(planned, options.costs), block=block,
        layout=layout, truth=component_values(layout, gathered_named(beliefs.common)), level=level,
        against_total=against_total,
    )  # fmt: skip


def rig_names(number: int, options: PlanOptions) -> list[str]:
    """The rigs as the study calls them, as far as they are named."""
    return [options.rigs[i] if i < len(options.rigs) else f"R{i + 1}" for i in range(number)]


def varied_operators(options: PlanOptions) -> tuple[str, ...]:
    """Those who run, where there are several: the study will estimate their scatter, stated or not."""
    return options.operators if len(options.operators) > 1 else ()


def gauge_candidates(
    beliefs: PlanBeliefs, options: PlanOptions, *, level: float, against_total: bool
) -> tuple[list[GaugePlan], tuple[tuple[LayoutKind, str], ...]]:
    """The plans that can be run, and the kinds none of which can, with the reason."""
    most = options.limits.rigs or len(options.rigs) or max(RIGS)
    found: list[GaugePlan] = []
    left_out = []
    for kind in GAUGE_KINDS:
        own: list[GaugePlan] = []
        reason = "its runs cannot be shared out evenly"
        for size in _sizes(kind, most, len(varied_operators(options))):
            refused = why_not(
                laid_out(kind, rig_names(size[0], options), *size[1:]), options.costs, options.limits
            )
            if refused is not None:
                reason = refused
                continue
            own.append(gauge_plan(kind, size, beliefs, options, level=level, against_total=against_total))
        found += own
        left_out += [] if own else [(kind, reason)]
    return found, tuple(left_out)


def _sizes(kind: LayoutKind, most_rigs: int, operators: int) -> list[tuple[int, int, int]]:
    """(rigs, sets, runs) worth trying; operators share the runs of a set evenly, or run sets of their own."""
    repeats: tuple[int, ...] = _REPEATS if kind in REPEATED else (1,)
    if operators and kind in REPEATED:
        repeats = tuple(n for n in (operators, 2 * operators) if n <= 6)
    found = []
    for rigs, sets, runs in product([n for n in RIGS if n <= most_rigs], _SETS, repeats):
        each = sets * rigs if kind is not LayoutKind.INCOMPLETE else 2 * sets
        if each * runs > _MOST_RUNS or (kind is LayoutKind.INCOMPLETE and rigs < 3):
            continue
        # Unbalanced layouts cost most to weigh; with operators in turn they would be crooked twice over.
        unbalanced = kind in (LayoutKind.STAGGERED, LayoutKind.INCOMPLETE)
        if unbalanced and (operators or sets not in (4, 6, 8, 12, 16)):
            continue
        if kind is LayoutKind.INCOMPLETE and sets % rigs:
            continue
        if operators and kind in (LayoutKind.CROSSOVER, LayoutKind.SPLIT_LOT) and sets % operators:
            continue
        found.append((rigs, sets, runs))
    return found


def worth_simulating(found: Sequence[GaugePlan], number: int) -> list[GaugePlan]:
    """Plans that no cheaper one equals, evenly over the hours: most of them of the layouts that tell the sets from the
    measurement, some of those that tell repeatability at least, and one or two of the others."""
    telling = _front([plan for plan in found if not plan.bounded])
    repeating = _front([plan for plan in found if plan.bounded and plan.repeats])
    rest = _front([plan for plan in found if plan.bounded and not plan.repeats])
    few = (2, 1) if telling else (number - 3, 3)
    chosen = [*_spread(telling, number - sum(few)), *_spread(repeating, few[0]), *_spread(rest, few[1])]
    return sorted(chosen, key=lambda plan: plan.hours)


def _front(plans: Sequence[GaugePlan]) -> tuple[GaugePlan, ...]:
    return front(plans, lambda p: p.hours, lambda p: -p.doubt)


def _spread(plans: Sequence[GaugePlan], number: int) -> list[GaugePlan]:
    if len(plans) <= number:
        return list(plans)
    return [plans[i] for i in np.unique(np.linspace(0, len(plans) - 1, number).round().astype(int))]


def between(found: Sequence[GaugePlan], short: float, enough: float, number: int) -> list[GaugePlan]:
    """Plans of the front between the hours that were too few and those that were enough, evenly placed."""
    inside = [plan for plan in _front([p for p in found if not p.bounded]) if short < plan.hours < enough]
    return _spread(inside, number)
