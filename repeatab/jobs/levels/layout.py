"""How the runs of a comparison lie: which sets ran at which level, in which order, and what goes with the level.

In: run results and the factor whose levels are compared (rigs, phases, lots).  Out: ComparisonLayout: the table
the model is fitted to, the model, and every reason why a comparison cannot be told from something else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

from repeatab.intake.results import Results
from repeatab.jobs.levels.blocks import levels_apart, sets_across_blocks, time_trouble
from repeatab.jobs.levels.companions import companions_of
from repeatab.jobs.levels.rows import of_shared_lots, rows_of, sets_at_several_levels, with_sets
from repeatab.jobs.levels.run_order import leads_of, order_column, order_trouble, with_positions
from repeatab.layout.terms import Model, TermName, model_of

if TYPE_CHECKING:
    import pandas as pd


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
    table, set_aside = rows_of(results, factor, levels, sections)
    table = with_sets(table)
    order = order_column(table, factor)
    shared = sets_at_several_levels(table, factor)
    table, crossed, dropped = of_shared_lots(table, factor, alone=not shared)
    laid = tuple(_level_pair(table, factor, a, b, order, beside.blocks) for a, b in pairs)
    table, fixed, slopes = with_positions(table, factor, shared, order, wear=beside.wear)
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
    leads = leads_of(own, factor, a, both, order) if order and both else {}
    trouble = order_trouble(a, b, order, leads) if both else time_trouble(own, factor, a, b, blocks)
    return LevelPair(
        a=a,
        b=b,
        use=use,
        sets_a=len(sets[a]),
        sets_b=len(sets[b]),
        sets_both=len(both),
        a_first={label: bool(lead >= 0) for label, lead in leads.items()},
        confounded=(*companions_of(own, factor, a, b, blocks), *trouble),
    )
