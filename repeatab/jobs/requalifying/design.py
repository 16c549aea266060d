"""The design of a requalification: which rigs ran in which phase and visit, and what goes with the move.

In: run results and the question.  Out: MoveDesign: the table and model of the difference of differences, and every
reason why a shift cannot be told from something else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import narwhals.stable.v2 as nw
import numpy as np

from repeatab.base.errors import StudyError, listed, nearest
from repeatab.intake.results import Results
from repeatab.jobs.levels.layout import (
    ComparisonLayout,
    LevelPair,
    SetUse,
    Surroundings,
    comparison_layout,
)
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.wording import enumerated
from repeatab.layout.terms import Model, TermName, model_of

if TYPE_CHECKING:
    import pandas as pd

RIG, PHASE, VISIT, PAD_SET, PAD_LOT = "rig", "phase", "visit", "pad_set", "pad_lot"
MOVED_AFTER, YES, NO = "moved_after", "yes", "no"
DRIFT: tuple[str, ...] = (RIG, VISIT)
_CLOCKS = ("time", "day")
# Labels that place a run and do not describe what it ran with.
_PLACES = (
    RIG, PHASE, VISIT, PAD_SET, PAD_LOT, "section", "run", "stop", "condition", "run_order", "time", "day",
    "position_in_lot", "level", "stated_uncertainty",
)  # fmt: skip


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
        return self.how.table

    @property
    def before(self) -> Any:
        return self.how.pairs[0].b

    @property
    def after(self) -> Any:
        return self.how.pairs[0].a

    @property
    def confounded(self) -> tuple[str, ...]:
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


def move_design(question: Requalification, results: Results) -> MoveDesign:
    """Lay out the runs before and after the move.

    Raises
    ------
    StudyError
        A rig, phase or section is not in the results; the moved rig or a control did not run in a phase; the
        phases overlap in time; the rigs did not run on a lot that they share in both phases.
    """
    rigs = (question.moved_rig, *question.control_rigs)
    _check_rigs(question, results)
    base = comparison_layout(
        _of_rigs(results, rigs),
        factor=PHASE,
        pairs=((question.after, question.before),),
        sections=tuple(section.name for section in question.sections),
        beside=Surroundings(),
    )
    # The engine sets aside lots that ran in one phase only; here that is a fault to be named.
    whole = _of_rigs(results, rigs).to_frame()
    _check_phases(whole, question, rigs)
    _check_time(whole, question)
    lots = _shared_lots(whole, question, rigs)
    table = base.table if not lots else base.table[base.table[PAD_LOT].isin(lots)].reset_index(drop=True)
    table, worn = _fresh_only(table, question, rigs)
    visits = VISIT in table.columns
    table = _with_labels(table, question, visits)
    common, confounded = _what_goes_with(table, question, results)
    use = _use_of(table, question.moved_rig)
    sets = [_sets(table, question.moved_rig, phase) for phase in (question.after, question.before)]
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


def _check_rigs(question: Requalification, results: Results) -> None:
    for role in (RIG, PHASE):
        if not results.has(role):
            raise StudyError(
                f"the results have no column for '{role}'. A requalification needs to know of every run "
                "on which rig and in which phase it was made; name the column under [columns]."
            )
    present = results.levels(RIG)
    named = [("moved_rig", question.moved_rig), *(("control_rigs", rig) for rig in question.control_rigs)]
    if question.sister_rig is not None:
        named.append(("sister_rig", question.sister_rig))
    for key, rig in named:
        if rig not in present:
            raise StudyError(
                f"{key}: there is no rig '{rig}' in the results; there are {listed(present)}."
                f"{nearest(str(rig), map(str, present))} Correct the study, or add an alias."
            )


def of_phase(results: Results, phase: Any, rigs: Sequence[Any]) -> Results:
    """The results of some rigs in one phase."""
    return _kept(results, (nw.col(RIG).is_in(list(rigs))) & (nw.col(PHASE) == phase))


def _of_rigs(results: Results, rigs: Sequence[Any]) -> Results:
    return _kept(results, nw.col(RIG).is_in(list(rigs)))


def _kept(results: Results, wanted: nw.Expr) -> Results:
    frame = results.lazy().filter(wanted).collect(backend="pandas").to_native()
    return replace(results, frame=frame.reset_index(drop=True))


def _others(results: Results, rigs: Sequence[Any], question: Requalification) -> list[str]:
    rest = [rig for rig in results.levels(RIG) if rig not in rigs and rig != question.sister_rig]
    return [f"Results of {listed(rest)} take no part in this requalification."] if rest else []


def _check_phases(table: pd.DataFrame, question: Requalification, rigs: Sequence[Any]) -> None:
    for rig in rigs:
        for phase in (question.before, question.after):
            if at(table, rig, phase).empty:
                role, remedy = (
                    ("the moved rig", "Run pad sets there, or correct the labels of the phases.")
                    if rig == question.moved_rig
                    else ("a control", "Run it in that phase too, or leave it out of control_rigs.")
                )
                raise StudyError(
                    f"rig '{rig}' ({role}) has no results of phase '{phase}'; a change needs both phases. {remedy}"
                )


def _check_time(table: pd.DataFrame, question: Requalification) -> None:
    """Refuse phases that overlap: a run marked as before that was made later than one marked as after."""
    for clock in _CLOCKS:
        if clock not in table.columns:
            continue
        known = table.dropna(subset=[clock])
        early = known[known[PHASE] == question.before].sort_values(clock, kind="stable")
        late = known[known[PHASE] == question.after].sort_values(clock, kind="stable")
        if early.empty or late.empty or not early[clock].iloc[-1] > late[clock].iloc[0]:
            continue
        last, first = early.iloc[-1], late.iloc[0]
        raise StudyError(
            f"{PHASE}: '{question.before}' and '{question.after}' overlap in time. Pad set '{_set_of(last)}' on rig "
            f"'{last[RIG]}' is marked '{question.before}' and ran at {_moment(last[clock])}, but pad set "
            f"'{_set_of(first)}' on rig '{first[RIG]}' is marked '{question.after}' and ran at "
            f"{_moment(first[clock])}. Correct the phase or the date of these runs."
        )


def _set_of(row: pd.Series[Any]) -> Any:
    return row[PAD_SET] if PAD_SET in row.index else row.get("run", "?")


def _moment(value: Any) -> str:
    return str(value).removesuffix(" 00:00:00")


def _shared_lots(table: pd.DataFrame, question: Requalification, rigs: Sequence[Any]) -> list[Any]:
    """The lots that every rig ran in both phases; none where lots are not recorded.

    A change of the lot would go with the phase, and what a lot does on one rig need not be what it does on
    another.
    """
    if PAD_LOT not in table.columns:
        return []
    by_rig = {
        (rig, phase): set(at(table, rig, phase)[PAD_LOT])
        for rig in rigs
        for phase in (question.before, question.after)
    }
    moved = by_rig[question.moved_rig, question.before] & by_rig[question.moved_rig, question.after]
    if not moved:
        first, second = (by_rig[question.moved_rig, phase] for phase in (question.before, question.after))
        raise StudyError(
            f"rig '{question.moved_rig}' ran on lot {listed(sorted(first, key=str))} before and on "
            f"{listed(sorted(second, key=str))} after the move, so the change of the lot and that of the rig are one. "
            "Run sets of one lot in both phases; keep sets of the reference lot back for this."
        )
    for rig in question.control_rigs:
        for phase in (question.before, question.after):
            if not moved & by_rig[rig, phase]:
                raise StudyError(
                    f"control rig '{rig}' ran on lot {listed(sorted(by_rig[rig, phase], key=str))} in phase '{phase}', "
                    f"the moved rig on {listed(sorted(moved, key=str))}. Controls show what changed alike only on the "
                    "same lot: run it there, or leave this rig out of control_rigs."
                )
    shared = sorted(set.intersection(*by_rig.values()), key=str)
    if not shared:
        raise StudyError(
            "no pad lot ran on every rig in both phases. Run one lot throughout, or name fewer control_rigs."
        )
    return shared


def _fresh_only(
    table: pd.DataFrame, question: Requalification, rigs: Sequence[Any]
) -> tuple[pd.DataFrame, list[str]]:
    """Where a rig ran fresh sets after the move beside sets it had run before, only the fresh ones count there."""
    aside = []
    for rig in rigs:
        early, late = (_sets(table, rig, phase) for phase in (question.before, question.after))
        if early & late and late - early:
            again = (table[RIG] == rig) & (table[PHASE] == question.after) & table[PAD_SET].isin(early & late)
            table = table[~again].reset_index(drop=True)
            names = listed(sorted(early & late, key=str))
            aside.append(
                f"Runs of {names} on {rig} after the move take no part: these sets were worn by their runs "
                "before, and fresh sets ran as well."
            )
    return table, aside


def _with_labels(table: pd.DataFrame, question: Requalification, visits: bool) -> pd.DataFrame:
    """Visit labels that belong to one phase each, and the marker of the moved rig after the move."""
    visit = table[PHASE].astype(str)
    if visits:
        visit = (
            visit + " / " + table[VISIT].astype(object).where(table[VISIT].notna(), "no visit").astype(str)
        )
    moved = (table[RIG] == question.moved_rig) & (table[PHASE] == question.after)
    return table.assign(visit=visit, moved_after=np.where(moved, YES, NO))


def _use_of(table: pd.DataFrame, rig: Any) -> SetUse:
    own = table[table[RIG] == rig]
    return SetUse.SAME if own.groupby(PAD_SET)[PHASE].nunique().max() > 1 else SetUse.SPLIT


def rig_use(design: MoveDesign, rig: Any) -> SetUse:
    """Whether a rig ran the same sets in both phases, or different ones."""
    return _use_of(design.table, rig)


def _sets(table: pd.DataFrame, rig: Any, phase: Any) -> set[Any]:
    return set(at(table, rig, phase)[PAD_SET])


def _what_goes_with(
    table: pd.DataFrame, question: Requalification, results: Results
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What changed with the phase on all rigs alike, and what cannot be told from the move."""
    changed = _changed_companions(table, question, results)
    worn = {rig: _use_of(table, rig) for rig in (question.moved_rig, *question.control_rigs)}
    if not question.control_rigs:
        return (), _without_controls(question, changed, worn[question.moved_rig])
    common, mixed = [], []
    for name, words in changed.items():
        if _told_apart(table, name):
            common.append(words)
        else:
            mixed.append(
                f"{words[:1].upper()}{words[1:]} on {question.moved_rig} and not likewise on the "
                "rigs that stayed, so that change and the move are one. "
                f"Run {question.moved_rig} with what the others ran with."
            )
    if len(set(worn.values())) > 1:
        again = [rig for rig, use in worn.items() if use is SetUse.SAME]
        mixed.append(
            f"On {enumerated([str(rig) for rig in again])} the same pad sets ran in both phases, on the others fresh "
            "ones, so wear of the sets and the move are one. Run fresh sets on every rig, or the same on every rig."
        )
    elif SetUse.SAME in worn.values():
        common.append("the pad sets were worn by their runs before")
    return tuple(common), tuple(mixed)


def _without_controls(question: Requalification, changed: dict[str, str], use: SetUse) -> tuple[str, ...]:
    if question.nothing_else_changed.strip():
        return _contradicting(question, changed, use)
    wear = " the wear of the pad sets, which ran in both phases," if use is SetUse.SAME else ""
    recorded = f" Recorded as changed: {'; '.join(changed.values())}." if changed else ""
    return (
        f"No rig stayed behind as a control, so the move of {question.moved_rig} cannot be told from anything else "
        f"that changed between '{question.before}' and '{question.after}':{wear} ageing of the lot, season and "
        f"climate, discs, operators, procedure.{recorded} Name rigs that stayed and ran the same lot in both "
        "phases, or state why nothing else can have changed (nothing_else_changed).",
    )


def _contradicting(question: Requalification, changed: dict[str, str], use: SetUse) -> tuple[str, ...]:
    """What the data say against the statement that nothing else changed."""
    found = [*changed.values()]
    if use is SetUse.SAME:
        found.append("the pad sets ran in both phases and were worn by their runs before")
    if not found:
        return ()
    return (
        f"It is stated that nothing but the move can have changed the level "
        f'("{question.nothing_else_changed.strip()}"), but the results say otherwise: {"; ".join(found)}. Name rigs '
        "that stayed and ran the same lot in both phases, or leave out a column that is no part of the conditions.",
    )


def _changed_companions(table: pd.DataFrame, question: Requalification, results: Results) -> dict[str, str]:
    """Columns of which the moved rig had one set of values before and quite another after, in words."""
    moved = table[table[RIG] == question.moved_rig]
    found = {}
    for name in results.factors:
        if name in _PLACES or name not in table.columns:
            continue
        early, late = (
            set(moved.loc[moved[PHASE] == phase, name].dropna())
            for phase in (question.before, question.after)
        )
        # A label that is new for every run (a disc used once) is no companion of the phase.
        few = max(len(early), len(late)) < moved[PAD_SET].nunique() / 2
        if early and late and not early & late and few:
            old, new = (listed(sorted(values, key=str), most=3) for values in (early, late))
            found[name] = f"{name.replace('_', ' ')} went from {old} to {new}"
    return found


def _told_apart(table: pd.DataFrame, name: str) -> bool:
    """Whether the move still has an effect of its own beside rig, phase and this column."""
    known = table.dropna(subset=[name])
    columns = [np.ones(len(known))]
    for factor in (RIG, PHASE, name):
        columns += [(known[factor] == level).to_numpy(np.float64) for level in known[factor].unique()[1:]]
    beside = np.stack(columns, axis=1)
    moved = (known[MOVED_AFTER] == YES).to_numpy(np.float64)[:, None]
    rank = np.linalg.matrix_rank
    return bool(rank(np.concatenate([beside, moved], axis=1)) > rank(beside))
