"""Stacks: the sections that share a layout, one block for all of them, so that one fit serves them all.

In: how a comparison lies, its sections.  Out: Stacks, and how a job fits one.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from repeatab.base.errors import StudyError
from repeatab.cells import reduce_to_cells
from repeatab.estimation.pairs import GroupedPair
from repeatab.jobs.levels.layout import ComparisonLayout, LevelPair
from repeatab.jobs.levels.pairs import LevelFit
from repeatab.jobs.questions import Analysis, Section
from repeatab.layout.blocks import Block, divided

# Sections fitted together at most: more gain nothing and take memory.
_MOST = 64


class Views(Protocol):
    """What a comparison asks of a fitted block; LevelFit is the usual one."""

    @property
    def block(self) -> Block: ...

    def views(self, pair: LevelPair) -> tuple[GroupedPair, ...]:
        """The views of the scatter of a pair, pooled first, the sections of the block as their groups."""
        ...


def _plain(_: Section, block: Block, how: ComparisonLayout) -> Views:
    return LevelFit(block=block, how=how)


def _all_together(_: Section) -> Hashable:
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """How a job fits its sections; a plain difference of levels if nothing else is said.

    views : one of the sections, the block of all of them, how the comparison lies -> the views of the scatter.
    apart : what sections must agree on to be fitted together beside their layout.
    """

    views: Callable[[Section, Block, ComparisonLayout], Views] = _plain
    apart: Callable[[Section], Hashable] = _all_together


PLAIN = Fitting()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """Sections of one layout; block : their results, the sections as its groups."""

    sections: tuple[Section, ...]
    block: Block

    def take(self, at: Sequence[int]) -> Stack:
        """Some of the sections."""
        return Stack(
            sections=tuple(self.sections[i] for i in at), block=_renumbered(self.block.take(np.array(at)))
        )


def stacks_of(
    how: ComparisonLayout, analysis: Analysis, sections: Sequence[Section], fitting: Fitting
) -> Iterator[Stack]:
    """The sections that have results, those of one layout together; levels that stand apart are left out.

    Raises
    ------
    StudyError
        A ratio analysis of results that have no logarithm.
    """
    wanted = {section.name: section for section in sections}
    for block, names in _blocks(how, analysis):
        alike: dict[Hashable, list[int]] = {}
        for place, name in enumerate(names):
            if name in wanted:
                alike.setdefault(fitting.apart(wanted[name]), []).append(place)
        for members in alike.values():
            for start in range(0, len(members), _MOST):
                part = members[start : start + _MOST]
                yield Stack(
                    sections=tuple(wanted[names[place]] for place in part),
                    block=_renumbered(block.take(np.array(part))),
                )


def blocks_by_section(how: ComparisonLayout, analysis: Analysis) -> dict[str, Block]:
    """The block of each section by itself, of logarithms in a ratio analysis.

    Raises
    ------
    StudyError
        A ratio analysis of results that have no logarithm.
    """
    return {
        name: _renumbered(block.take(np.array([place])))
        for block, names in _blocks(how, analysis)
        for place, name in enumerate(names)
    }


def _blocks(how: ComparisonLayout, analysis: Analysis) -> Iterator[tuple[Block, list[str]]]:
    """Blocks of sections that share a layout, and the names of these."""
    table = how.table[~how.table[how.factor].isin(how.apart)]
    if analysis is Analysis.RATIO:
        if (table["result"] <= 0).any():
            raise StudyError(
                "analysis 'ratio': the results hold values of zero or below, which have no logarithm."
            )
        table = table.assign(result=np.log(table["result"]))
    cells = reduce_to_cells(
        table, result="result", factors=["section", *how.keys], covariates=how.model.covariates
    )
    division = divided(cells, ["section"])
    labels = division.labels
    for block in division.blocks():
        yield block, [str(labels[int(g)][0]) for g in block.groups]


def same_layout(block: Block) -> bytes:
    """What two blocks with the same labels agree in when their cells, counts and covariates are the same."""
    covariates = block.mean[0, :, 1:].tobytes() + block.cross[0, :, 1:, 1:].tobytes()
    return block.codes.tobytes() + block.count.tobytes() + covariates


def _renumbered(block: Block) -> Block:
    return replace(block, groups=np.arange(len(block.mean)))
