"""The runs before and after a move laid out as a design.

In: run results and the question.  Out: MoveDesign.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import narwhals.stable.v2 as nw
import numpy as np

from repeatab.base.errors import listed
from repeatab.intake.results import Results
from repeatab.jobs.levels.layout import LevelPair, Surroundings, comparison_layout
from repeatab.jobs.requalifying.companions import what_goes_with
from repeatab.jobs.requalifying.design import (
    DRIFT,
    MOVED_AFTER,
    NO,
    PAD_LOT,
    PAD_SET,
    PHASE,
    RIG,
    VISIT,
    YES,
    MoveDesign,
    rows_where,
    sets_of,
    use_of,
)
from repeatab.jobs.requalifying.lots_and_sets import fresh_only, shared_lots
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.requalifying.refusals import refuse_missing_phases, refuse_overlap, refuse_unknown_rigs
from repeatab.layout.terms import Model, TermName, model_of

if TYPE_CHECKING:
    import pandas as pd


def move_design(question: Requalification, results: Results) -> MoveDesign:
    """Lay out the runs before and after the move.

    Raises
    ------
    StudyError
        A rig, phase or section is not in the results; the moved rig or a control did not run in a phase; the
        phases overlap in time; the rigs did not run on a lot that they share in both phases.
    """
    rigs = (question.moved_rig, *question.control_rigs)
    refuse_unknown_rigs(question, results)
    base = comparison_layout(
        _of_rigs(results, rigs),
        factor=PHASE,
        pairs=((question.after, question.before),),
        sections=tuple(section.name for section in question.sections),
        beside=Surroundings(),
    )
    # The engine sets aside lots that ran in one phase only; here that is a fault to be named.
    whole = _of_rigs(results, rigs).to_frame()
    refuse_missing_phases(whole, question, rigs)
    refuse_overlap(whole, question)
    lots = shared_lots(whole, question, rigs)
    table = base.table if not lots else base.table[base.table[PAD_LOT].isin(lots)].reset_index(drop=True)
    table, worn = fresh_only(table, question, rigs)
    visits = VISIT in table.columns
    table = _with_labels(table, question, visits)
    common, confounded = what_goes_with(table, question, results)
    use = use_of(table, question.moved_rig)
    sets = [sets_of(table, question.moved_rig, phase) for phase in (question.after, question.before)]
    pair = LevelPair(
        a=question.after, b=question.before, use=use, sets_a=len(sets[0]), sets_b=len(sets[1]),
        sets_both=len(sets[0] & sets[1]), a_first={}, confounded=confounded,
    )  # fmt: skip
    model = _model(table, question, lots)
    aside = [*_others(results, rigs, question), *base.set_aside, *worn]
    how = replace(base, table=table, model=model, pairs=(pair,), set_aside=tuple(aside))
    return MoveDesign(
        moved=question.moved_rig, controls=question.control_rigs, how=how, visits=visits, common=common
    )


def _model(table: pd.DataFrame, question: Requalification, lots: Sequence[Any]) -> Model:
    several = table.groupby(PAD_SET)[[RIG, PHASE]].nunique().max().max() > 1
    lot = [PAD_LOT] if len(lots) > 1 else []
    if question.control_rigs:
        random: list[TermName] = [VISIT, DRIFT, PAD_SET, *([(RIG, PHASE, PAD_SET)] if several else [])]
        return model_of(random=random, fixed=[RIG, PHASE, MOVED_AFTER, *lot], covariates=question.covariates)
    alone: list[TermName] = [DRIFT, PAD_SET, *([(PHASE, PAD_SET)] if several else [])]
    return model_of(random=alone, fixed=[PHASE, *lot], covariates=question.covariates)


def _of_rigs(results: Results, rigs: Sequence[Any]) -> Results:
    return rows_where(results, nw.col(RIG).is_in(list(rigs)))


def _others(results: Results, rigs: Sequence[Any], question: Requalification) -> list[str]:
    rest = [rig for rig in results.levels(RIG) if rig not in rigs and rig != question.sister_rig]
    return [f"Results of {listed(rest)} take no part in this requalification."] if rest else []


def _with_labels(table: pd.DataFrame, question: Requalification, visits: bool) -> pd.DataFrame:
    """Visit labels that belong to one phase each, and the marker of the moved rig after the move."""
    visit = table[PHASE].astype(str)
    if visits:
        visit = (
            visit + " / " + table[VISIT].astype(object).where(table[VISIT].notna(), "no visit").astype(str)
        )
    moved = (table[RIG] == question.moved_rig) & (table[PHASE] == question.after)
    return table.assign(visit=visit, moved_after=np.where(moved, YES, NO))
