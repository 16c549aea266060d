"""The order of the runs of a set: which level came first, and the place of each run in the life of its set.

In: the table of a comparison.  Out: the column that tells the order, who led, places.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


POSITION = "position in set"
_ORDERS = ("run_order", "time", "day", "visit")


def order_column(table: pd.DataFrame, factor: str) -> str | None:
    """The column that tells in which order each set ran at several levels; None if none does.

    A date is no order for a set that ran at two levels on one day: the order of the rows must not stand in for it.
    """
    levels = table.groupby("pad_set")[factor].nunique()
    several = table[table["pad_set"].isin(levels.index[levels > 1])]
    for name in _ORDERS:
        if name not in table.columns or several[name].isna().any():
            continue
        if several.empty or several.groupby(["pad_set", name])[factor].nunique().max() == 1:
            return name
    return None


def leads_of(table: pd.DataFrame, factor: str, a: Any, both: set[Any], order: str) -> dict[Any, float]:
    """By how many runs each set was on level a before it was on the other, on average; zero for A, B, B, A."""
    shared = table[table["pad_set"].isin(both)].drop_duplicates(["pad_set", factor, order])
    shared = shared.assign(place=shared.groupby("pad_set")[order].rank())
    places = shared.groupby(["pad_set", shared[factor] == a])["place"].mean().unstack()
    return {label: float(lead) for label, lead in (places[False] - places[True]).items()}


def order_trouble(a: Any, b: Any, order: str | None, leads: Mapping[Any, float]) -> list[str]:
    """Why the order of the runs of shared sets makes wear and the difference one; empty where it does not."""
    if order is None:
        return [
            f"The same sets ran on {a} and {b}, but the order is not recorded for every set (a date does not tell it "
            "for two runs of one day), so wear of the sets cannot be told from the difference. Record the run order "
            "(a column run_order or time)."
        ]
    if all(lead > 0 for lead in leads.values()) or all(lead < 0 for lead in leads.values()):
        first, second = (a, b) if min(leads.values()) > 0 else (b, a)
        return [
            f"Every set ran on {first} first and on {second} afterwards, so wear of the sets and the difference "
            f"are one. Run some sets on {second} first."
        ]
    return []


def with_positions(
    table: pd.DataFrame, factor: str, shared: bool, order: str | None, *, wear: bool
) -> tuple[pd.DataFrame, list[str], list[str]]:
    """The run's position in its set: a fixed effect where each set ran once at each level, else a slope."""
    if order is None or not (shared or wear):
        return table, [], []
    # A set that ran at one level only may lack its order; it ran fresh.
    rank = places_in_sets(table, order).fillna(1.0)
    once = shared and table.groupby(["section", "pad_set", factor]).size().max() == 1
    if once:
        return table.assign(**{POSITION: rank.astype(int)}), [POSITION], []
    return table.assign(**{POSITION: rank.astype(float)}), [], [POSITION]


def places_in_sets(table: pd.DataFrame, order: str) -> pd.Series[float]:
    """Which run of its set each row is of: the first, the second, ...

    Counted over all sections of the set, so that a section missed in the first run does not make the second run
    a first one. Where the order differs between the sections of one run (each has a time of its own), it is
    counted section by section.
    """
    within = table.groupby(["section", "pad_set"])[order].rank()
    whole = table.groupby("pad_set")[order].rank(method="dense")
    richest = table.groupby(["section", "pad_set"])[order].nunique().groupby("pad_set").max()
    steady = table.groupby("pad_set")[order].nunique() <= richest
    alike = table["pad_set"].map(steady).fillna(False).astype(bool) & ~table.duplicated(
        ["section", "pad_set", order], keep=False
    )
    return whole.where(alike, within)
