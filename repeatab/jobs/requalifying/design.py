"""The design of a requalification: which rigs ran in which phase and visit.

In: nothing; `laying_out` fills it.  Out: MoveDesign: the table and model of the difference of differences, and every
reason why a shift cannot be told from something else; the rows of a rig in a phase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import narwhals.stable.v2 as nw

from repeatab.intake.results import Results
from repeatab.jobs.levels.layout import ComparisonLayout, SetUse

if TYPE_CHECKING:
    import pandas as pd


RIG, PHASE, VISIT, PAD_SET, PAD_LOT = "rig", "phase", "visit", "pad_set", "pad_lot"
MOVED_AFTER, YES, NO = "moved_after", "yes", "no"
DRIFT: tuple[str, ...] = (RIG, VISIT)


@dataclass(frozen=True, kw_only=True)
class MoveDesign:
    """Before and after on the moved rig and on its controls.

    how : table, model and the pair after against before, as the engine of comparisons takes them.
    visits : whether visits are recorded; without, each phase counts as one visit.
    common : what changed from before to after on the moved rig and its controls alike.
    set_aside : sentences on rows that take no part.
    """

    moved: Any
    controls: tuple[Any, ...]
    how: ComparisonLayout
    visits: bool
    common: tuple[str, ...]

    @property
    def table(self) -> pd.DataFrame:
        """The rows that take part."""
        return self.how.table

    @property
    def before(self) -> Any:
        """The label of the phase before."""
        return self.how.pairs[0].b

    @property
    def after(self) -> Any:
        """The label of the phase after."""
        return self.how.pairs[0].a

    @property
    def confounded(self) -> tuple[str, ...]:
        """Why the move cannot be told from something else; empty where it can."""
        return self.how.pairs[0].confounded

    def sets(self, rig: Any, phase: Any) -> int:
        """Pad sets of a rig in a phase, over all sections."""
        return int(self._rows(rig, phase)[PAD_SET].nunique())

    def visit_count(self, rig: Any, phase: Any) -> int:
        """Visits of a rig in a phase."""
        return int(self._rows(rig, phase)[VISIT].nunique())

    def _rows(self, rig: Any, phase: Any) -> pd.DataFrame:
        return at(self.table, rig, phase)


def at(table: pd.DataFrame, rig: Any, phase: Any) -> pd.DataFrame:
    """The rows of a rig in a phase."""
    rows: pd.DataFrame = table[(table[RIG] == rig) & (table[PHASE] == phase)]
    return rows


def of_phase(results: Results, phase: Any, rigs: Sequence[Any]) -> Results:
    """The results of some rigs in one phase."""
    return rows_where(results, (nw.col(RIG).is_in(list(rigs))) & (nw.col(PHASE) == phase))


def rows_where(results: Results, wanted: nw.Expr) -> Results:
    """The results of the rows that are wanted."""
    frame = results.lazy().filter(wanted).collect(backend="pandas").to_native()
    return replace(results, frame=frame.reset_index(drop=True))


def use_of(table: pd.DataFrame, rig: Any) -> SetUse:
    """Whether a rig ran the same sets in both phases, by the table of its rows."""
    own = table[table[RIG] == rig]
    return SetUse.SAME if own.groupby(PAD_SET)[PHASE].nunique().max() > 1 else SetUse.SPLIT


def rig_use(design: MoveDesign, rig: Any) -> SetUse:
    """Whether a rig ran the same sets in both phases, or different ones."""
    return use_of(design.table, rig)


def sets_of(table: pd.DataFrame, rig: Any, phase: Any) -> set[Any]:
    """The pad sets of a rig in a phase."""
    return set(at(table, rig, phase)[PAD_SET])
