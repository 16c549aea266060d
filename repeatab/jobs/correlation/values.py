"""Whole sets: the results of a comparison laid out as one row per set and run, one column per section.

In: how the comparison lies.  Out: tables of whole sets, with lots, order and covariates taken out where asked.
What is asked of several sections together is asked of these: sections of one set are not independent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from repeatab.cells import FloatArray, IntArray
from repeatab.jobs.levels.layout import ComparisonLayout, LevelPair, SetUse
from repeatab.jobs.levels.run_order import POSITION
from repeatab.jobs.questions import Analysis

if TYPE_CHECKING:
    import pandas as pd

REPLICATE = "replicate"
_ORDERS = ("run_order", "time", "day")
_RANK = 1e-10


@dataclass(frozen=True, kw_only=True)
class WholeSets:
    """Runs of whole sets at the two levels of a pair, beside effects taken out.

    values : (runs, sections); missing nan. at_b : (runs,) 0 at level a, 1 at level b. sets : (runs,) set labels.
    taken_out : number of effects (lots, order, covariates) that were taken out of each section.
    """

    pair: LevelPair
    sections: tuple[str, ...]
    values: FloatArray
    at_b: IntArray
    sets: tuple[Any, ...]
    taken_out: int

    @property
    def paired(self) -> bool:
        """Whether sets that ran at both levels carry the comparison; of a mixture, the larger part does."""
        if self.pair.use is SetUse.MIXTURE:
            alone = min(self.pair.sets_a, self.pair.sets_b) - self.pair.sets_both
            return self.pair.sets_both >= max(alone, 2)
        return self.pair.use is SetUse.SAME

    @property
    def unequal(self) -> bool:
        """Whether different numbers of sets, each at one level only, carry the comparison."""
        a, b = self.sides
        return not self.paired and len(a) != len(b)

    @property
    def sides(self) -> tuple[FloatArray, FloatArray]:
        """(sets, sections) means of the sets at a and at b: of sets at both levels, in the same rows, where these
        carry the comparison, else of those at one level only."""
        named = [self._means(side) for side in (0, 1)]
        both = [label for label in named[0] if label in named[1]]
        alone = [[label for label in side if label not in both] for side in named]
        kept = [both, both] if self.paired else alone
        width = len(self.sections)
        a, b = (
            np.array([side[label] for label in labels]).reshape(-1, width)
            for side, labels in zip(named, kept, strict=True)
        )
        return a, b

    @property
    def repeats(self) -> tuple[tuple[FloatArray, int], ...]:
        """At a and at b: (runs, sections) results less their set's mean, and the degrees of freedom of a section."""
        found = []
        for side in (0, 1):
            means, own = self._means(side), np.flatnonzero(self.at_b == side)
            left = np.array([self.values[i] - means[self.sets[i]] for i in own])
            found.append((left.reshape(-1, len(self.sections)), len(own) - len(means)))
        return tuple(found)

    def _means(self, side: int) -> dict[Any, FloatArray]:
        found: dict[Any, FloatArray] = {}
        own = np.flatnonzero(self.at_b == side)
        for label in dict.fromkeys(self.sets[i] for i in own):
            rows = self.values[[i for i in own if self.sets[i] == label]]
            count = np.isfinite(rows).sum(axis=0)
            found[label] = np.divide(
                np.nansum(rows, axis=0), count, out=np.full(rows.shape[1], np.nan), where=count > 0
            )
        return found


def runs_of(how: ComparisonLayout, sections: Sequence[str]) -> tuple[pd.DataFrame, FloatArray]:
    """One row per run of a set (what is known of it beside its results) and (runs, sections) results.

    Runs that are known by a name are matched by it over the sections, others by their order within set and level.
    """
    import pandas as pd

    table = how.table[how.table["section"].isin(sections)]
    clock = next((name for name in _ORDERS if name in table.columns and table[name].notna().all()), None)
    if "run" in table.columns and table["run"].notna().all():
        replicate = table["run"]
    else:
        ordered = table.sort_values(clock, kind="stable") if clock else table
        replicate = ordered.groupby(["section", how.factor, "pad_set"]).cumcount().reindex(table.index)
    table = table.assign(**{REPLICATE: replicate})
    keys = [how.factor, "pad_set", REPLICATE]
    wide = table.pivot_table(index=keys, columns="section", values="result", sort=False)[list(sections)]
    beside = _beside(how, table, keys).reindex(wide.index)
    known = pd.DataFrame(index=wide.index).join(beside).reset_index()
    return known, wide.to_numpy(float)


def _beside(how: ComparisonLayout, table: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Lot, order and covariates of each run: covariates as their mean over the sections."""
    wanted: dict[str, str] = {name: "first" for name in ("pad_lot",) if name in table.columns}
    wanted |= {POSITION: "max"} if POSITION in table.columns else {}
    wanted |= {name: "mean" for name in how.model.covariates if name != POSITION}
    grouped = table.groupby(keys, sort=False)
    return grouped.agg(wanted) if wanted else grouped.size().to_frame("runs")


def whole_sets(
    how: ComparisonLayout, pair: LevelPair, sections: Sequence[str], analysis: Analysis, *, log: bool
) -> WholeSets:
    """The runs of a pair with lots, order and covariates taken out, section by section.

    log : take logarithms, as a ratio analysis always does.
    """
    known, values = runs_of(how, sections)
    own = known[how.factor].isin([pair.a, pair.b]).to_numpy()
    known, values = known[own].reset_index(drop=True), values[own]
    if log or analysis is Analysis.RATIO:
        values = np.log(values)
    at_b = (known[how.factor] == pair.b).to_numpy().astype(np.int64)
    beside = _columns_beside(how, known)
    return WholeSets(
        pair=pair, sections=tuple(sections), values=_without(values, known, at_b, beside, pair.use), at_b=at_b,
        sets=tuple(known["pad_set"]), taken_out=beside.shape[1],
    )  # fmt: skip


def _columns_beside(how: ComparisonLayout, known: pd.DataFrame) -> FloatArray:
    """(runs, effects) columns of what acts beside the levels, each centred so that taking it out moves no level."""
    columns = []
    fixed = [term.factors[0] for term in how.model.fixed if term.factors != (how.factor,)]
    for name in fixed:
        if name in known.columns:
            labels = known[name].dropna().unique()
            share = 1 / len(labels)
            columns += [(known[name] == label).to_numpy(float) - share for label in labels[1:]]
    for name in how.model.covariates:
        columns.append(known[name].to_numpy(float) - float(known[name].mean()))
    return np.stack(columns, axis=1) if columns else np.zeros((len(known), 0))


def _without(
    values: FloatArray, known: pd.DataFrame, at_b: IntArray, beside: FloatArray, use: SetUse
) -> FloatArray:
    """Results less what lots, order and covariates explain within levels (and within sets, where shared)."""
    if beside.shape[1] == 0:
        return values
    groups = [np.eye(2)[at_b]]
    if use is not SetUse.SPLIT:
        codes = known["pad_set"].factorize()[0]
        groups.append(np.eye(codes.max() + 1)[codes])
    base = np.concatenate(groups, axis=1)
    found = values.copy()
    for column in range(values.shape[1]):
        here = np.isfinite(values[:, column])
        design = np.concatenate([base, beside], axis=1)[here]
        y = values[here, column]
        solution = np.linalg.lstsq(design, y - y.mean(), rcond=_RANK)[0]
        found[here, column] -= beside[here] @ solution[base.shape[1] :]
    return found
