"""A planned comparison of levels, laid out and judged as the study will be.

In: planned runs, the comparison's question, beliefs.  Out: JointPlan for planning, and what the layout leaves mixed
together, found by the very code that lays out the study's results.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from repeatab.base.margin import Margin
from repeatab.cells import FloatArray
from repeatab.estimation.pairs import Pair
from repeatab.intake.results import Results
from repeatab.jobs.levels.layout import ComparisonLayout, Surroundings, comparison_layout
from repeatab.jobs.levels.pairs import LevelFit
from repeatab.jobs.levels.stacks import blocks_by_section
from repeatab.jobs.plans.question import PlanBeliefs, SectionBelief
from repeatab.jobs.questions import Analysis
from repeatab.judgement.comparison import bounds_of
from repeatab.judgement.looks import Spending, information_fractions, look_levels
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout, layout_of
from repeatab.planning.contrast_information import contrast_correlations
from repeatab.planning.family_rule import FamilyRule
from repeatab.planning.joint_verdicts import JointPlan, PlannedLook, PlannedSection
from repeatab.planning.layouts import PlannedRuns
from repeatab.planning.widths import component_values

_SECTION = "plan"
_DRAWN = 4_000


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedSection:
    """A section with its margin, as any comparison asks for it."""

    name: str
    margin: Margin
    decides: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedComparison:
    """A comparison in the form that every job of this kind can be put into.

    factor : what is compared; pairs : first against second; rigs : blocks on which the levels of another factor run.
    """

    factor: str
    pairs: tuple[tuple[Any, Any], ...]
    sections: tuple[AskedSection, ...]
    confidence: float
    analysis: Analysis
    looks: tuple[int, ...]
    seed: int
    rigs: tuple[str, ...] = ()

    @property
    def reference(self) -> str:
        """The level that the first pair is compared with."""
        return str(self.pairs[0][1])

    @property
    def levels(self) -> tuple[str, ...]:
        """The reference last."""
        named = dict.fromkeys(str(level) for pair in self.pairs for level in pair)
        return (*(level for level in named if level != self.reference), self.reference)


@dataclass(frozen=True, kw_only=True)
class LaidOut:
    """A candidate as the study would see it."""

    runs: PlannedRuns
    how: ComparisonLayout
    block: Block
    layout: Layout

    @property
    def mixed(self) -> tuple[str, ...]:
        """What this layout leaves mixed together."""
        confounded = [reason for pair in self.how.pairs for reason in pair.confounded]
        notes = [_in_words(f"{note.text} {note.remedy}") for note in self.layout.notes()]
        return tuple(dict.fromkeys([*confounded, *notes]))


def _in_words(text: str) -> str:
    """A sentence that names columns as the page shows them."""
    shown = text.replace("pad_set", "pad set").replace("pad_lot", "pad lot")
    return shown[:1].upper() + shown[1:]


def lay_out(runs: PlannedRuns, asked: AskedComparison) -> LaidOut:
    """Lay the planned runs out as results would be."""
    results = _as_results(runs, asked)
    beside = Surroundings(fixed=("rig",) if len(asked.rigs) > 1 else ())
    how = comparison_layout(
        results, factor=asked.factor, pairs=asked.pairs, sections=(_SECTION,), beside=beside
    )
    block = blocks_by_section(how, Analysis.DIFFERENCE)[_SECTION]
    return LaidOut(runs=runs, how=how, block=block, layout=layout_of(block, how.model))


def _as_results(runs: PlannedRuns, asked: AskedComparison) -> Results:
    import pandas as pd

    rows = []
    for number, run in enumerate(sorted(runs.runs, key=lambda run: (run.place, run.pad_set)), start=1):
        row = {"result": 0.4, asked.factor: run.level, "pad_set": run.pad_set, "run": number, "run_order": number,
               "section": _SECTION}  # fmt: skip
        if run.rig is not None:
            row["rig"] = run.rig
        rows.append(row)
    return planned_results(pd.DataFrame(rows))


def planned_results(frame: Any) -> Results:
    """Planned runs in the form of checked results; nothing is checked, for nothing was measured."""
    from repeatab.base.quantity import FRICTION

    factors = tuple(str(name) for name in frame.columns if name not in ("result", "run_order"))
    return Results(frame=frame, quantity=FRICTION, factors=factors)


def joint_plan(laid: LaidOut, asked: AskedComparison, beliefs: PlanBeliefs) -> JointPlan:
    """What planning simulates for one candidate: every pair of the study, by its own family rule."""
    how = laid.how
    sections = tuple(_section(one, beliefs.of(one.name), laid.layout, asked) for one in asked.sections)
    count = len(sections)

    def views(block: Block) -> Sequence[Sequence[Pair]]:
        fit = LevelFit(block=block, how=how)
        return [fit.views(pair) for pair in how.pairs]

    correlation = contrast_correlations(
        laid.block, laid.layout, sections[0].variances, asked.factor, [(pair.a, pair.b) for pair in how.pairs]
    )
    return JointPlan(
        block=laid.block, layout=laid.layout, sections=sections, pairs=views, looks=_looks(laid, asked),
        correlation=np.full((count, count), beliefs.correlation) + (1 - beliefs.correlation) * np.eye(count),
        rule=FamilyRule(correlation=correlation), away=moved_levels(asked, asked.levels[:-1]),
    )  # fmt: skip


def moved_levels(asked: AskedComparison, moved: Sequence[str]) -> tuple[tuple[float, float], ...]:
    """Per pair, which of its two levels are moved by the true offset."""
    return tuple((float(str(a) in moved), float(str(b) in moved)) for a, b in asked.pairs)


def _section(
    asked: AskedSection, belief: SectionBelief, layout: Layout, how: AskedComparison
) -> PlannedSection:
    ratio = how.analysis is Analysis.RATIO
    # On the logarithmic scale a standard deviation is its share of the level.
    unit = 1 / belief.level if ratio else 1.0
    rng = np.random.default_rng([how.seed, len(asked.name)])
    drawn: dict[str, float | FloatArray] = {
        source_name(key): one.variances(_DRAWN, rng) * unit**2 for key, one in belief.scatter.items()
    }
    point: dict[str, float | FloatArray] = {
        source_name(key): one.sd**2 * unit**2 for key, one in belief.scatter.items()
    }
    return PlannedSection(
        name=asked.name, bounds=bounds_of(asked.margin, logarithmic=ratio),
        level=math.log(belief.level) if ratio else belief.level,
        variances=component_values(layout, point), drawn=np.atleast_2d(component_values(layout, drawn)),
        decides=asked.decides,
    )  # fmt: skip


def source_name(key: str) -> str:
    """The name that a model gives to a source of a belief."""
    return key.replace("_by_", " × ")


def _looks(laid: LaidOut, asked: AskedComparison) -> tuple[PlannedLook, ...]:
    alpha = 1 - asked.confidence
    everything = np.ones(len(laid.block.count), np.bool_)
    last = laid.runs.per_level
    counts = [look for look in asked.looks if look < last]
    if not counts:
        return (PlannedLook(cells=everything, difference=alpha, equivalence=1 - asked.confidence),)
    counts.append(last)
    fractions = information_fractions([(n, n) for n in counts])
    rates = look_levels(list(fractions), confidence=asked.confidence, spending=Spending.O_BRIEN_FLEMING)
    return tuple(
        PlannedLook(
            cells=_first_sets(laid.block, asked.factor, n), difference=max(float(rates.difference[i]), 1e-10),
            equivalence=max(float(rates.equivalence[i]), 1e-10),
        )
        for i, n in enumerate(counts)
    )  # fmt: skip


def _first_sets(block: Block, factor: str, number: int) -> np.ndarray:
    """The cells of the first so many sets of each level."""
    sets, level = block.code_of("pad_set"), block.code_of(factor)
    kept = np.zeros(len(sets), np.bool_)
    for code in np.unique(level):
        own = np.unique(sets[level == code])[:number]
        kept |= (level == code) & np.isin(sets, own)
    return kept


def gathered_named(belief: SectionBelief) -> dict[str, float | FloatArray]:
    """The believed variances by the names that a model gives to its sources."""
    return {source_name(key): one.sd**2 for key, one in belief.scatter.items()}
