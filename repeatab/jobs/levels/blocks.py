"""Blocks beside a comparison: what the compared levels share, such as the rigs of a lot comparison.

In: run results and the block columns.  Out: which levels the blocks connect, whether the levels ran in turn within
the blocks, and whether sets ran in several blocks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from repeatab.layout.terms import TermName

if TYPE_CHECKING:
    import pandas as pd

_CLOCKS = ("time", "day", "run_order")


def levels_apart(
    table: pd.DataFrame, factor: str, blocks: Sequence[str], references: Sequence[Any]
) -> tuple[Any, ...]:
    """Levels that no chain of shared blocks connects with the first of `references`."""
    levels = list(dict.fromkeys(table[factor]))
    kept = set(levels)
    for block in blocks:
        pairs = set(table[[factor, block]].dropna().itertuples(index=False, name=None))
        kept &= _reached(pairs, references[0])
    return tuple(level for level in levels if level not in kept)


def _reached(pairs: set[tuple[Any, Any]], start: Any) -> set[Any]:
    levels, places = {start}, set[Any]()
    while True:
        more = {place for level, place in pairs if level in levels} - places
        if not more:
            return levels
        places |= more
        levels |= {level for level, place in pairs if place in places}


def sets_across_blocks(table: pd.DataFrame, blocks: Sequence[str]) -> list[TermName]:
    """A source of scatter of its own for each block in which the same sets ran, and ran more than once each.

    Where no set ran twice in a block, that scatter and repeatability are one number, and repeatability carries it.
    """
    found: list[TermName] = []
    for block in blocks:
        several = table.groupby("pad_set")[block].nunique().max() > 1
        if several and table.groupby(["section", "pad_set", block]).size().max() > 1:
            found.append((block, "pad_set"))
    return found


def time_trouble(table: pd.DataFrame, factor: str, a: Any, b: Any, blocks: Sequence[str]) -> list[str]:
    """Levels that were run one after the other: over all, or in the same order within every block."""
    for name in _CLOCKS:
        if name not in table.columns:
            continue
        turns = list(_turns(table, factor, a, b, name, blocks[:1]))
        if not turns:
            continue
        if all(turn < 0 for turn in turns) or all(turn > 0 for turn in turns):
            early, late = (a, b) if turns[0] < 0 else (b, a)
            where = f" on every {blocks[0].replace('_', ' ')}" if len(turns) > 1 else ""
            return [
                f"All runs of {early} came before all runs of {late}{where}, so whatever changed in between and the "
                "difference are one. Run the two in turn."
            ]
        return []
    return []


def _turns(
    table: pd.DataFrame, factor: str, a: Any, b: Any, clock: str, blocks: Sequence[str]
) -> Iterator[int]:
    """For each block that holds both levels: -1 where a came first throughout, 1 where b did, 0 in turn."""
    parts = [part for _, part in table.groupby(blocks[0], sort=False)] if blocks else [table]
    for part in parts:
        first, second = (part.loc[part[factor] == level, clock].dropna() for level in (a, b))
        if len(first) and len(second):
            yield -1 if first.max() < second.min() else 1 if second.max() < first.min() else 0
