"""The rows of a comparison: of the compared levels and sections, in the order of the study, one label per physical set.

In: run results, the factor, levels and sections.  Out: a table, and sentences on what takes no part.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from repeatab.base.errors import StudyError, listed, nearest
from repeatab.intake.results import Results

if TYPE_CHECKING:
    import pandas as pd


def sets_at_several_levels(table: pd.DataFrame, factor: str) -> bool:
    """Whether some set ran at more than one level."""
    return bool(table.groupby("pad_set")[factor].nunique().max() > 1)


def rows_of(
    results: Results, factor: str, levels: Sequence[Any], sections: tuple[str, ...]
) -> tuple[pd.DataFrame, list[str]]:
    """The rows of the compared levels and named sections.

    Raises
    ------
    StudyError
        A level or a section is not in the data, or there is no column for the factor.
    """
    table = results.to_frame()
    if factor not in table.columns:
        raise StudyError(f"the results have no column for '{factor}'. Name it under [columns].")
    present = list(dict.fromkeys(table[factor]))
    for level in levels:
        if level not in present:
            raise StudyError(
                f"{factor}: there is no '{level}' in the results; there are {listed(sorted(present, key=str))}."
                f"{_unlike(level, present)} Correct the study, or add an alias."
            )
    others = [level for level in present if level not in levels]
    set_aside = [f"Results of {listed(others)} take no part in this comparison."] if others else []
    table = table[table[factor].isin(levels)].copy()
    if "section" not in table.columns:
        if len(sections) != 1:
            raise StudyError(
                "the results have no column for 'section', and the study names several sections."
            )
        table["section"] = sections[0]
    known = list(dict.fromkeys(table["section"]))
    for name in sections:
        if name not in known:
            raise StudyError(
                f"sections: '{name}' is not in the results; there are {listed(known)}.{nearest(name, map(str, known))} "
                "Correct the study, or add an alias."
            )
    return _in_the_study_s_order(table, factor, levels, sections), set_aside


def _unlike(level: Any, present: Sequence[Any]) -> str:
    """The nearest label, or that the same one is there as another type."""
    alike = [known for known in present if str(known) == str(level)]
    if alike:
        return f" The labels there are of type {type(alike[0]).__name__}, not {type(level).__name__}."
    return nearest(str(level), map(str, present))


def _in_the_study_s_order(
    table: pd.DataFrame, factor: str, levels: Sequence[Any], sections: tuple[str, ...]
) -> pd.DataFrame:
    """The named sections, in the order in which the study names them, and the levels likewise."""
    kept = table[table["section"].isin(sections)]
    ranks = kept["section"].map(sections.index) * len(levels) + kept[factor].map(list(levels).index)
    return kept.iloc[ranks.argsort(kind="stable").to_numpy()].reset_index(drop=True)


def with_sets(table: pd.DataFrame) -> pd.DataFrame:
    """Make one label per physical set: labels may repeat in each lot; without any, each run is its own set."""
    if "pad_set" not in table.columns:
        if "run" not in table.columns:
            raise StudyError(
                "the results name neither pad set nor run, so independent results cannot be told from repeats. "
                "Name the column of the pad set under [columns]."
            )
        return table.assign(pad_set=table["run"])
    if "pad_lot" in table.columns and table["pad_lot"].nunique() > 1:
        labels = table["pad_lot"].astype(str) + " / " + table["pad_set"].astype(str)
        return table.assign(pad_set=labels)
    return table


def of_shared_lots(table: pd.DataFrame, factor: str, *, alone: bool) -> tuple[pd.DataFrame, bool, list[str]]:
    """Keep the lots that ran at several levels; whether several remain, so that the lot is an effect of its own.

    alone : every set ran at one level only. Sets that ran at several carry their lot with them, so that the lot
        cancels in their differences.
    """
    if "pad_lot" not in table.columns or table["pad_lot"].nunique() < 2 or factor == "pad_lot":
        return table, False, []
    spread = table.groupby("pad_lot")[factor].nunique()
    shared = list(spread.index[spread > 1])
    if not shared:
        return table, False, []
    lonely = [lot for lot in spread.index if lot not in shared]
    kept = table[table["pad_lot"].isin(shared)].reset_index(drop=True)
    dropped = [f"Pad lots {listed(lonely)} ran at one level only and take no part."] if lonely else []
    return kept, len(shared) > 1 and alone, dropped
