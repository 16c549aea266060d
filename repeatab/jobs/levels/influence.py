"""Influence: the verdicts of a comparison with each pad set left out in turn.

In: a LevelComparison.  Out: for each claim the verdict and offset without each set, as a table and notes.
A set that carries a verdict is named and never taken out: that is for the laboratory to decide, with a reason.
The error rates stay those of the whole study, so that only the data change.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.base.notes import Note, NoteKind
from repeatab.base.quantity import Quantity
from repeatab.cells import FloatArray
from repeatab.jobs.levels.comparison import Claim, LevelComparison, Views, level_fit, single_set
from repeatab.jobs.levels.layout import ComparisonLayout
from repeatab.jobs.levels.tables import claim_name, leading, leading_values, shown_as
from repeatab.jobs.questions import Section
from repeatab.jobs.wording import enumerated
from repeatab.judgement.comparison import decide, evidence_of
from repeatab.layout.blocks import Block
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Verdict

# More sets than this that change a verdict say something about the verdict, not about the sets.
_FEW = 3

Fit = Callable[[Section, Block, ComparisonLayout], Views]


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


def influence_of(comparison: LevelComparison, *, fit: Fit | None = None) -> tuple[Influence, ...]:
    """Judge every claim with a margin again without each set of its section.

    fit : the job's own views of the scatter, as for `compare_levels`.
    """
    found: list[Influence] = []
    for section in dict.fromkeys(claim.section.name for claim in comparison.compared):
        claims = [
            claim
            for claim in comparison.compared
            if claim.section.name == section and claim.bounds is not None and not claim.pair.confounded
        ]
        if claims:
            found += _without_each(claims, comparison, fit or level_fit)
    return tuple(found)


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


def _without_each(claims: list[Claim], comparison: LevelComparison, fit: Fit) -> Iterator[Influence]:
    block, how = claims[0].block, comparison.how
    assert block is not None
    own = {id(claim): set(_sets_of(claim, how)) for claim in claims}
    estimates: dict[int, dict[Any, float]] = {id(claim): {} for claim in claims}
    verdicts: dict[int, dict[Any, Verdict]] = {id(claim): {} for claim in claims}
    for names, reduced in _leave_outs(block, how):
        fitted = fit(claims[0].section, reduced, how)
        for claim in claims:
            wanted = own[id(claim)] & set(names)
            if not wanted:
                continue
            offset, verdict = _judged(claim, fitted, how.factor, 1 - comparison.rates.equivalence)
            for i, name in enumerate(names):
                if name in wanted:
                    estimates[id(claim)][name], verdicts[id(claim)][name] = offset[i], verdict[i]
    for claim in claims:
        order = sorted(verdicts[id(claim)], key=str)
        yield Influence(
            claim=claim,
            estimates={name: estimates[id(claim)][name] for name in order},
            verdicts={name: verdicts[id(claim)][name] for name in order},
        )


def _sets_of(claim: Claim, how: ComparisonLayout) -> list[Any]:
    """The sets at the two levels of the claim; another level's sets only lend it their scatter."""
    assert claim.block is not None
    block = claim.block
    levels = block.levels_of(how.factor)
    at = np.array([levels[code] in (claim.pair.a, claim.pair.b) for code in block.code_of(how.factor)])
    labels = block.levels_of("pad_set")
    return [labels[code] for code in np.unique(block.code_of("pad_set")[at])]


def _judged(claim: Claim, fitted: Views, factor: str, confidence: float) -> tuple[list[float], list[Verdict]]:
    groups = len(fitted.block.groups)
    assert claim.bounds is not None
    if single_set(fitted.block, claim.pair, factor) is not None:
        return [float("nan")] * groups, [Verdict.UNDECIDED] * groups
    try:
        evidence = evidence_of(fitted.views(claim.pair), claim.bounds)
    except (LayoutError, EstimationError):
        return [float("nan")] * groups, [Verdict.UNDECIDED] * groups
    found = decide(evidence, confidence=confidence, alpha=claim.alpha)
    return [float(value) for value in evidence.estimate], [found.verdict(i)[0] for i in range(groups)]


def _leave_outs(block: Block, how: ComparisonLayout) -> Iterator[tuple[list[Any], Block]]:
    """Blocks without one set each; those of the same layout are stacked, so that one fit serves them all."""
    place = block.factors.index("pad_set")
    firsts = {label: first for pair in how.pairs for label, first in pair.a_first.items()}
    stacks: dict[bytes, list[tuple[Any, Block]]] = {}
    for code in np.unique(block.codes[:, place]):
        keep = block.codes[:, place] != code
        reduced = _renumbered(replace(
            block, codes=block.codes[keep], count=block.count[keep],
            mean=block.mean[:, keep], cross=block.cross[:, keep],
        ), place)  # fmt: skip
        order = bytes(repr([firsts.get(label) for label in reduced.levels[place]]), "utf-8")
        covariates = reduced.mean[0, :, 1:].tobytes() + reduced.cross[0, :, 1:, 1:].tobytes()
        key = reduced.codes.tobytes() + reduced.count.tobytes() + covariates + order
        stacks.setdefault(key, []).append((block.levels[place][code], reduced))
    for stack in stacks.values():
        mean: FloatArray = np.concatenate([reduced.mean for _, reduced in stack])
        cross: FloatArray = np.concatenate([reduced.cross for _, reduced in stack])
        yield (
            [name for name, _ in stack],
            replace(stack[0][1], mean=mean, cross=cross, groups=np.arange(len(stack))),
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
