"""What goes with a compared level, so that the two are one.

In: the table of a comparison and two levels.  Out: sentences with what to do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from repeatab.base.errors import listed

if TYPE_CHECKING:
    import pandas as pd


# What is recorded of a run and may go with the compared level; the words are those of the page.
_COMPANIONS = {
    "rig": "rig", "pad_lot": "pad lot", "operator": "operator", "disc": "disc", "phase": "phase",
    "visit": "visit", "laboratory": "laboratory",
}  # fmt: skip
# Of these, levels that share none of their values are one with them; discs and visits are often used once only.
_SHARED = ("pad_lot", "operator", "laboratory")


def companions_of(table: pd.DataFrame, factor: str, a: Any, b: Any, blocks: tuple[str, ...]) -> list[str]:
    """What is recorded and has one value at each level, another at the other."""
    found = []
    for name, words in {**{block: block.replace("_", " ") for block in blocks}, **_COMPANIONS}.items():
        if name == factor or name not in table.columns:
            continue
        values = [set(table.loc[table[factor] == level, name].dropna()) for level in (a, b)]
        lonely = len(values[0]) == 1 and len(values[1]) == 1 and values[0] != values[1]
        apart = name in (*_SHARED, *blocks) and values[0] and values[1] and not values[0] & values[1]
        if lonely or apart:
            found.append(
                f"{words} {listed(sorted(values[0], key=str))} goes with {a} and {listed(sorted(values[1], key=str))} "
                f"with {b} throughout, so {words} and {factor.replace('_', ' ')} are one. {_remedy(factor, words)}"
            )
    return found


def _remedy(factor: str, words: str) -> str:
    if factor == "pad_lot":
        return f"Run sets of both lots with each {words}."
    return f"Run each {words} on both, or leave that column out if it counts as part of the {factor.replace('_', ' ')}."
