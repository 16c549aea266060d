"""How the runs of a comparison lie: which sets ran at which level, in which order, and what goes with the level.

In: run results and the factor whose levels are compared (rigs, phases, lots).  Out: ComparisonLayout: the table
the model is fitted to, the model, and every reason why a comparison cannot be told from something else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

from repeatab.base.errors import StudyError, listed, nearest
from repeatab.intake.results import Results
from repeatab.jobs.levels.blocks import levels_apart, sets_across_blocks, time_trouble
from repeatab.layout.terms import Model, TermName, model_of

if TYPE_CHECKING:
    import pandas as pd

POSITION = "position in set"
# What is recorded of a run and may go with the compared level; the words are those of the page.
_COMPANIONS = {
    "rig": "rig", "pad_lot": "pad lot", "operator": "operator", "disc": "disc", "phase": "phase",
    "visit": "visit", "laboratory": "laboratory",
}  # fmt: skip
# Of these, levels that share none of their values are one with them; discs and visits are often used once only.
_SHARED = ("pad_lot", "operator", "laboratory")
_ORDERS = ("run_order", "time", "day", "visit")


class SetUse(Enum):
    """How pad sets are shared by two levels."""

    SPLIT = "each set at one level"
    SAME = "the same sets at both levels"
    MIXTURE = "some sets at both levels, some at one"


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What acts beside the compared factor.

    fixed : blocks whose levels all compared levels share, such as the rigs of a lot comparison.
    sampled : blocks taken as a sample of many, such as rigs; they and their interaction with the factor are random.
    random : further sources of scatter, such as visits.
    covariates : columns of numbers with a straight-line effect.
    wear : whether a trend with the runs of a set is taken out where every set belongs to one level.
    """

    fixed: tuple[str, ...] = ()
    sampled: tuple[str, ...] = ()
    random: tuple[TermName, ...] = ()
    covariates: tuple[str, ...] = ()
    wear: bool = False

    @property
    def blocks(self) -> tuple[str, ...]:
        """All blocks, whichever way they are taken."""
        return (*self.fixed, *self.sampled)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPair:
    """Two levels that are compared, a against b, and how their sets lie.

    sets_a, sets_b, sets_both : number of pad sets at each level and at both.
    a_first : pad set -> whether it ran at level a first, for sets at both levels with a known order.
    confounded : sentences, each naming what cannot be told from the difference and what would separate it.
    """

    a: Any
    b: Any
    use: SetUse
    sets_a: int
    sets_b: int
    sets_both: int
    a_first: Mapping[Any, bool]
    confounded: tuple[str, ...]

    @property
    def name(self) -> str:
        return f"{self.a} against {self.b}"


@dataclass(frozen=True, kw_only=True)
class ComparisonLayout:
    """The compared levels of a factor and how their runs lie.

    table : one row per run result and section, columns section, the factor, pad_set, pad_lot (if several),
        POSITION (if sets ran at several levels), covariates, result.
    alone : the model in which a pair is judged by its own sets: sampled blocks are fixed there.
    pairs : the comparisons asked for.
    set_aside : sentences on rows that take no part.
    blocks : columns beside the factor whose levels the compared levels share.
    apart : levels that share no block with the others, so that the blocks are one with them.
    """

    factor: str
    table: pd.DataFrame
    model: Model
    alone: Model
    pairs: tuple[LevelPair, ...]
    set_aside: tuple[str, ...]
    blocks: tuple[str, ...] = ()
    apart: tuple[Any, ...] = ()

    @property
    def factor_name(self) -> str:
        """The factor in words."""
        return self.factor.replace("_", " ")

    @property
    def levels(self) -> tuple[Any, ...]:
        """The compared levels, in the order in which the pairs name them."""
        return tuple(dict.fromkeys(level for pair in self.pairs for level in (pair.a, pair.b)))

    @property
    def keys(self) -> tuple[str, ...]:
        """Key columns of the cells: what the model needs, and always the sets and the level."""
        return tuple(dict.fromkeys([*self.model.keys, self.factor, "pad_set"]))


def comparison_layout(
    results: Results,
    *,
    factor: str,
    pairs: Sequence[tuple[Any, Any]],
    sections: tuple[str, ...],
    beside: Surroundings,
) -> ComparisonLayout:
    """Lay out a comparison of levels, each first one of `pairs` against its second.

    Raises
    ------
    StudyError
        A level or a section is not in the data, or there is no column for the factor or the pad set.
    """
    levels = list(dict.fromkeys(level for pair in pairs for level in pair))
    table, set_aside = _rows(results, factor, levels, sections)
    table = _with_sets(table)
    order = _order_column(table, factor)
    shared = _sets_at_several_levels(table, factor)
    table, crossed, dropped = _shared_lots(table, factor, alone=not shared)
    laid = tuple(_level_pair(table, factor, a, b, order, beside.blocks) for a, b in pairs)
    table, fixed, slopes = _positions(table, factor, shared, order, wear=beside.wear)
    # A set that belongs to one level only has no scatter of its own between levels.
    sets: list[TermName] = ["pad_set", (factor, "pad_set")] if shared else ["pad_set"]
    sets += sets_across_blocks(table, beside.blocks)
    last = [*(["pad_lot"] if crossed else []), *fixed]
    sampled: list[TermName] = [term for name in beside.sampled for term in (name, (name, factor))]
    covariates = [*beside.covariates, *slopes]
    return ComparisonLayout(
        factor=factor,
        table=table,
        model=model_of(
            random=[*sampled, *beside.random, *sets],
            fixed=[factor, *beside.fixed, *last],
            covariates=covariates,
        ),
        alone=model_of(
            random=[*beside.random, *sets],
            fixed=[factor, *beside.blocks, *last],
            covariates=covariates,
        ),
        pairs=laid,
        set_aside=(*set_aside, *dropped),
        blocks=beside.blocks,
        apart=levels_apart(table, factor, beside.blocks, [b for _, b in pairs]),
    )


def _level_pair(
    table: pd.DataFrame, factor: str, a: Any, b: Any, order: str | None, blocks: tuple[str, ...]
) -> LevelPair:
    own = table[table[factor].isin([a, b])]
    sets = {level: set(own.loc[own[factor] == level, "pad_set"]) for level in (a, b)}
    both = sets[a] & sets[b]
    use = SetUse.SPLIT if not both else SetUse.SAME if sets[a] == sets[b] else SetUse.MIXTURE
    leads = _leads(own, factor, a, both, order) if order and both else {}
    trouble = _order_trouble(a, b, order, leads) if both else time_trouble(own, factor, a, b, blocks)
    return LevelPair(
        a=a,
        b=b,
        use=use,
        sets_a=len(sets[a]),
        sets_b=len(sets[b]),
        sets_both=len(both),
        a_first={label: bool(lead >= 0) for label, lead in leads.items()},
        confounded=(*_companions(own, factor, a, b, blocks), *trouble),
    )


def _sets_at_several_levels(table: pd.DataFrame, factor: str) -> bool:
    return bool(table.groupby("pad_set")[factor].nunique().max() > 1)


def _rows(
    results: Results, factor: str, levels: Sequence[Any], sections: tuple[str, ...]
) -> tuple[pd.DataFrame, list[str]]:
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


def _with_sets(table: pd.DataFrame) -> pd.DataFrame:
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


def _shared_lots(table: pd.DataFrame, factor: str, *, alone: bool) -> tuple[pd.DataFrame, bool, list[str]]:
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


def _order_column(table: pd.DataFrame, factor: str) -> str | None:
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


def _leads(table: pd.DataFrame, factor: str, a: Any, both: set[Any], order: str) -> dict[Any, float]:
    """By how many runs each set was on level a before it was on the other, on average; zero for A, B, B, A."""
    shared = table[table["pad_set"].isin(both)].drop_duplicates(["pad_set", factor, order])
    shared = shared.assign(place=shared.groupby("pad_set")[order].rank())
    places = shared.groupby(["pad_set", shared[factor] == a])["place"].mean().unstack()
    return {label: float(lead) for label, lead in (places[False] - places[True]).items()}


def _companions(table: pd.DataFrame, factor: str, a: Any, b: Any, blocks: tuple[str, ...]) -> list[str]:
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


def _order_trouble(a: Any, b: Any, order: str | None, leads: Mapping[Any, float]) -> list[str]:
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


def _positions(
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
