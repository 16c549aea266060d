"""Influence: the verdicts of a comparison with each pad set left out in turn.

In: a LevelComparison.  Out: for each claim the verdict and offset without each set, as a table and notes.
A set that carries a verdict is named and never taken out: that is for the laboratory to decide, with a reason.
The error rates stay those of the whole study, so that only the data change.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.base.notes import Note, NoteKind
from repeatab.base.quantity import Quantity
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.pairs import GroupedPair
from repeatab.jobs.levels.comparison import Claim, LevelComparison, single_set
from repeatab.jobs.levels.layout import ComparisonLayout
from repeatab.jobs.levels.stacks import PLAIN, Fitting, Views, same_layout
from repeatab.jobs.levels.tables import claim_name, leading, leading_values, shown_as
from repeatab.jobs.wording import enumerated
from repeatab.judgement.comparison import decide, evidence_of
from repeatab.layout.blocks import Block
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Verdict

# More sets than this that change a verdict say something about the verdict, not about the sets.
_FEW = 3
# Sections whose sets are left out in one pass: more gain nothing and take memory.
_TOGETHER = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """One claim with each set left out.

    estimates : pad set -> the offset without it, on the scale of the bounds; nan where it cannot be compared.
    verdicts : pad set -> the verdict without it.
    """

    claim: Claim
    estimates: Mapping[Any, float]
    verdicts: Mapping[Any, Verdict]

    @property
    def carrying(self) -> dict[Any, Verdict]:
        """The sets without which the verdict is another one."""
        return {name: verdict for name, verdict in self.verdicts.items() if verdict is not self.claim.verdict}


def influence_of(comparison: LevelComparison, *, fitting: Fitting = PLAIN) -> tuple[Influence, ...]:
    """Judge every claim with a margin again without each set of its section.

    fitting : how the job fits its sections, as for `compare_levels`.
    """
    by_section: dict[str, list[Claim]] = {}
    for claim in comparison.compared:
        if claim.bounds is not None and not claim.pair.confounded:
            by_section.setdefault(claim.section.name, []).append(claim)
    found: dict[str, list[Influence]] = {}
    for group in _alike(list(by_section.values()), fitting):
        for influences in _without_each(group, comparison, fitting):
            found[influences[0].claim.section.name] = influences
    return tuple(influence for section in by_section for influence in found[section])


def _alike(sections: list[list[Claim]], fitting: Fitting) -> Iterator[list[list[Claim]]]:
    """The claims of the sections that can be fitted together, some sections at a time."""
    groups: dict[Hashable, list[list[Claim]]] = {}
    for claims in sections:
        block = claims[0].block
        assert block is not None
        key = (
            fitting.apart(claims[0].section),
            tuple((claim.pair.a, claim.pair.b) for claim in claims),
            same_layout(block),
        )
        groups.setdefault(key, []).append(claims)
    for alike in groups.values():
        for start in range(0, len(alike), _TOGETHER):
            yield alike[start : start + _TOGETHER]


def influence_table(
    comparison: LevelComparison, influences: tuple[Influence, ...], quantity: Quantity
) -> Table:
    """The range of the offset over the sets left out, and the sets without which the verdict is another."""
    rows: list[tuple[Value, ...]] = []
    for found in influences:
        claim = found.claim
        shown = shown_as(claim, comparison.analysis, quantity)
        known = {name: value for name, value in found.estimates.items() if np.isfinite(value)}
        low, high = (pick(known, key=lambda name: known[name], default=None) for pick in (min, max))
        ends: list[Value] = []
        for name in (low, high):
            ends += [None, None] if name is None else [shown.value(known[name]), str(name)]
        rows.append(
            (*leading_values(claim, comparison), claim.verdict.value, len(found.verdicts), *ends,
             shown.unit or quantity.symbol, _changes(found) or "never")
        )  # fmt: skip
    columns = (
        *leading(comparison),
        Column(key="verdict", caption="verdict with all sets", kind=ColumnKind.TEXT),
        Column(key="sets", caption="sets left out in turn", kind=ColumnKind.COUNT),
        Column(key="lowest", caption="lowest offset", kind=ColumnKind.RESULT),
        Column(key="lowest_without", caption="without", kind=ColumnKind.TEXT),
        Column(key="highest", caption="highest offset", kind=ColumnKind.RESULT),
        Column(key="highest_without", caption="without", kind=ColumnKind.TEXT),
        Column(key="unit", caption="in", kind=ColumnKind.TEXT),
        Column(key="changed", caption="another verdict", kind=ColumnKind.TEXT),
    )
    remark = (
        "Each pad set is left out in turn and the claim judged again at its own error rate. A set that changes the "
        "verdict is a reason to look at its run sheet, not to take it out."
    )
    return Table(
        key="influence", caption="Does a verdict rest on one pad set?", columns=columns, rows=tuple(rows),
        remarks=(remark,),
    )  # fmt: skip


def influence_notes(comparison: LevelComparison, influences: tuple[Influence, ...]) -> tuple[Note, ...]:
    """The deciding verdicts that rest on a single set."""
    return tuple(
        _note(claim_name(found.claim, comparison), found)
        for found in influences
        if found.claim.section.decides and found.claim.verdict is not Verdict.UNDECIDED and found.carrying
    )


def influence_sentence(comparison: LevelComparison, influences: tuple[Influence, ...]) -> tuple[str, ...]:
    """One sentence on whether any verdict rests on a single set; none where nothing is decided."""
    decided = [one for one in influences if one.claim.verdict is not Verdict.UNDECIDED]
    names = [claim_name(one.claim, comparison) for one in decided if one.carrying]
    if names:
        return (
            f"Leaving out one pad set would change the verdict in {enumerated(names)}; the table 'Does a verdict rest "
            "on one pad set?' says which.",
        )
    return (
        ("No verdict rests on a single pad set: each stands whichever set is left out.",) if decided else ()
    )


def _note(name: str, found: Influence) -> Note:
    word, sets = found.claim.verdict.value, len(found.carrying)
    start = "rests on a single pad set" if sets == 1 else "is near its border"
    return Note(
        kind=NoteKind.ASSUMPTION,
        sources=tuple(str(label) for label in found.carrying),
        text=f"{name}: the verdict '{word}' {start} ({_changes(found)}).",
        remedy="Look at the run sheets. Leave a run out only for a fault found there, under [[exclude]] with its "
        "reason, never for its result."
        if sets <= _FEW
        else "More sets would move it away from there.",
    )


def _changes(found: Influence) -> str:
    """The sets by the verdict that stands without them; many are counted, since then none of them is special."""
    by_verdict: dict[Verdict, list[str]] = {}
    for name, verdict in found.carrying.items():
        by_verdict.setdefault(verdict, []).append(str(name))
    return "; ".join(
        f"{verdict.value} without {enumerated(names)}"
        if len(names) <= _FEW
        else f"{verdict.value} without any one of {len(names)} sets"
        for verdict, names in by_verdict.items()
    )


def _without_each(
    sections: list[list[Claim]], comparison: LevelComparison, fitting: Fitting
) -> list[list[Influence]]:
    """Per section the influences on its claims; the sections are alike."""
    how = comparison.how
    blocks = [claims[0].block for claims in sections if claims[0].block is not None]
    stack = replace(
        blocks[0], mean=np.concatenate([block.mean for block in blocks]),
        cross=np.concatenate([block.cross for block in blocks]), groups=np.arange(len(blocks)),
    )  # fmt: skip
    kept = [[_Kept(claim, set(_sets_of(claim, how))) for claim in claims] for claims in sections]
    for names, reduced in _leave_outs(stack, how):
        fitted = fitting.views(sections[0][0].section, reduced, how)
        for pair_at, one in enumerate(kept[0]):
            wanted = [name for name in names if name in one.sets]
            if not wanted:
                continue
            try:
                views = _views(fitted, one.claim, how.factor)
            except EstimationError:
                if len(sections) > 1:
                    # One of them cannot be fitted: each section by itself, so that the others keep their answer.
                    return [_without_each([claims], comparison, fitting)[0] for claims in sections]
                views = None
            for place, own in enumerate(kept):
                # The groups stand set by set, the sections in turn within each.
                at = np.arange(len(names)) * len(sections) + place
                _note_judged(
                    own[pair_at], names, views and _taken(views, at), 1 - comparison.rates.equivalence
                )
    return [[one.influence() for one in own] for own in kept]


@dataclass(slots=True)
class _Kept:
    """What is gathered for one claim, set by set."""

    claim: Claim
    sets: set[Any]
    estimates: dict[Any, float] = field(default_factory=dict)
    verdicts: dict[Any, Verdict] = field(default_factory=dict)

    def influence(self) -> Influence:
        order = sorted(self.verdicts, key=str)
        return Influence(
            claim=self.claim,
            estimates={name: self.estimates[name] for name in order},
            verdicts={name: self.verdicts[name] for name in order},
        )


def _sets_of(claim: Claim, how: ComparisonLayout) -> list[Any]:
    """The sets at the two levels of the claim; another level's sets only lend it their scatter."""
    assert claim.block is not None
    block = claim.block
    levels = block.levels_of(how.factor)
    at = np.array([levels[code] in (claim.pair.a, claim.pair.b) for code in block.code_of(how.factor)])
    labels = block.levels_of("pad_set")
    return [labels[code] for code in np.unique(block.code_of("pad_set")[at])]


def _views(fitted: Views, claim: Claim, factor: str) -> tuple[GroupedPair, ...] | None:
    """The views of the scatter without the sets; None where the levels cannot be compared without them.

    Raises
    ------
    EstimationError
        What is left of some group has no scatter.
    """
    if single_set(fitted.block, claim.pair, factor) is not None:
        return None
    try:
        views = fitted.views(claim.pair)
        for view in views:
            view.precision(np.ones(len(fitted.block.groups)))
    except LayoutError:
        return None
    return views


def _taken(views: tuple[GroupedPair, ...], at: IntArray) -> tuple[GroupedPair, ...]:
    return views if len(at) == len(views[0].mean_a) else tuple(view.take(at) for view in views)


def _note_judged(
    kept: _Kept, names: list[Any], views: tuple[GroupedPair, ...] | None, confidence: float
) -> None:
    """Add the claim's offset and verdict without each of the sets that are its own."""
    bounds = kept.claim.bounds
    assert bounds is not None
    if views is None:
        found = [(float("nan"), Verdict.UNDECIDED)] * len(names)
    else:
        evidence = evidence_of(views, bounds)
        decided = decide(evidence, confidence=confidence, alpha=kept.claim.alpha)
        found = [(float(value), decided.verdict(i)[0]) for i, value in enumerate(evidence.estimate)]
    for name, (offset, verdict) in zip(names, found, strict=True):
        if name in kept.sets:
            kept.estimates[name], kept.verdicts[name] = offset, verdict


def _leave_outs(block: Block, how: ComparisonLayout) -> Iterator[tuple[list[Any], Block]]:
    """Blocks without one set each; those of the same layout are stacked, so that one fit serves them all."""
    place = block.factors.index("pad_set")
    firsts = {label: first for pair in how.pairs for label, first in pair.a_first.items()}
    stacks: dict[bytes, list[tuple[Any, Block]]] = {}
    for code in np.unique(block.codes[:, place]):
        keep = block.codes[:, place] != code
        reduced = _renumbered(block.keep(keep), place)
        order = bytes(repr([firsts.get(label) for label in reduced.levels[place]]), "utf-8")
        stacks.setdefault(same_layout(reduced) + order, []).append((block.levels[place][code], reduced))
    for stack in stacks.values():
        mean: FloatArray = np.concatenate([reduced.mean for _, reduced in stack])
        cross: FloatArray = np.concatenate([reduced.cross for _, reduced in stack])
        yield (
            [name for name, _ in stack],
            replace(stack[0][1], mean=mean, cross=cross, groups=np.arange(len(mean))),
        )


def _renumbered(block: Block, place: int) -> Block:
    """Sets numbered as they appear, so that the same layout has the same numbers."""
    used, first = np.unique(block.codes[:, place], return_index=True)
    ranked = used[np.argsort(first)]
    position = {code: i for i, code in enumerate(ranked)}
    codes = block.codes.copy()
    codes[:, place] = [position[code] for code in block.codes[:, place]]
    levels = list(block.levels)
    levels[place] = block.levels[place][ranked]
    return replace(block, codes=codes, levels=tuple(levels))
