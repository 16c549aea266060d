"""The views of a shift: the difference of differences under the two views of the scatter.

In: Blocks of run results (real ones, or simulated by planning) and the design of the move.  Out: Pairs for
judgement/comparison. In both, mean_b is the level of the moved rig before, and mean_a is that level plus the shift:
what the rig would read now, had nothing changed that changed on the controls too. So a percent margin refers to
the level before.

pooled      one REML fit with Kenward-Roger inference: rig, phase and "moved rig after the move" fixed; visit, rig x
            visit (ordinary drift) and pad set random. The last fixed coefficient is the shift.
rig by rig  each rig's change with the scatter of its own sets in each phase, combined by Satterthwaite (1946,
            Biometrics Bulletin 2, 110-114). Within a visit only sets differ, so the visits are held fixed there and
            the ordinary drift of the pooled fit is added: it is the same question for every rig, the scatter of
            sets is not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.base.interval import IntervalMethod
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.contrasts import level_weights
from repeatab.estimation.pairs import GroupedPair, PooledPair, difference_pair, separate_pair
from repeatab.jobs.levels.layout import LevelPair, SetUse
from repeatab.jobs.levels.pairs import set_means
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
    rig_use,
)
from repeatab.jobs.requalifying.question import StatedDrift
from repeatab.layout.blocks import Block
from repeatab.layout.fixed import FixedDesign
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import Model, model_of

_DRIFT_NAME = " × ".join(DRIFT)


@dataclass(frozen=True, kw_only=True)
class Added:
    """Variance that a view adds for drift: of the change of the moved rig at ratio r it is now + r^2 * earlier +
    rest, times `variance` (groups,), known with `df` (groups,) degrees of freedom."""

    variance: FloatArray
    df: FloatArray
    now: float
    earlier: float
    rest: float

    def at(self, ratio: FloatArray) -> FloatArray:
        return self.variance * (self.now + ratio**2 * self.earlier + self.rest)

    def take(self, groups: IntArray) -> Added:
        return replace(self, variance=self.variance[groups], df=self.df[groups])


@dataclass(frozen=True, kw_only=True)
class StatedDriftPair(PooledPair):
    """The pooled view where the lab states the drift."""

    added: Added

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        # PooledPair.precision by name: super() loses its class in a frozen dataclass that is made anew.
        se, df = PooledPair.precision(self, ratio)
        return _combined([(se, df), (np.sqrt(self.added.at(ratio)), self.added.df)])

    def take(self, groups: IntArray) -> StatedDriftPair:
        return replace(
            self, fit=self.fit.take(groups), mean_a=self.mean_a[groups], mean_b=self.mean_b[groups],
            added=self.added.take(groups),
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class RigByRigPair:
    """The change of the moved rig less the mean change of the controls, each with a scatter of its own."""

    moved: GroupedPair
    controls: tuple[GroupedPair, ...]
    added: tuple[Added, ...]
    method: IntervalMethod = IntervalMethod.WELCH

    @property
    def mean_b(self) -> FloatArray:
        return self.moved.mean_b

    @property
    def mean_a(self) -> FloatArray:
        if not self.controls:
            return self.moved.mean_a
        change = np.mean([pair.mean_a - pair.mean_b for pair in self.controls], axis=0)
        return np.asarray(self.moved.mean_a - change)

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        pieces = [self.moved.precision(ratio)]
        for pair in self.controls:
            se, df = pair.precision(np.ones_like(ratio))
            pieces.append((se / len(self.controls), df))
        pieces += [(np.sqrt(added.at(ratio)), added.df) for added in self.added]
        return _combined(pieces)

    def take(self, groups: IntArray) -> RigByRigPair:
        return replace(
            self, moved=self.moved.take(groups), controls=tuple(pair.take(groups) for pair in self.controls),
            added=tuple(added.take(groups) for added in self.added),
        )  # fmt: skip


def _combined(pieces: list[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray]:
    """Standard error and degrees of freedom of a sum of independent parts."""
    total = np.sum([se**2 for se, _ in pieces], axis=0)
    spent = np.sum([se**4 / df for se, df in pieces], axis=0)
    return np.sqrt(total), total**2 / spent


@dataclass(frozen=True, kw_only=True)
class MoveFit:
    """The shift of one section, fitted when it is first asked for; gives both views of the scatter."""

    block: Block
    design: MoveDesign
    stated: StatedDrift | None = None
    logarithmic: bool = False

    @cached_property
    def fit(self) -> BlockFit:
        """The joint fit of all rigs.

        Raises
        ------
        NotSeparableError
            The shift cannot be told from another effect in this section.
        """
        layout = layout_of(self.block, self._model)
        return BlockFit(block=self.block, layout=layout, method=Method.REML, level=0.95)

    @property
    def _model(self) -> Model:
        """Drift that the lab states is no source to estimate; without controls, visits have no other source."""
        model = self.design.how.model
        if self.stated is None or not self.design.controls:
            return model
        return replace(model, random=tuple(term for term in model.random if term.factors != DRIFT))

    def views(self, pair: LevelPair) -> tuple[GroupedPair, ...]:
        """Both views of the scatter, pooled first.

        Raises
        ------
        LayoutError
            A rig has too few sets in a phase for a scatter of its own.
        """
        pooled = _pooled(self.fit, self.design, pair)
        changes, shares = _rig_changes(self.block, self.design, pair)
        if drift_shows(self.fit.layout):
            own = _shown_drift(self.fit, shares)
        else:
            own = self._stated_drift(pooled.mean_b, shares)
            if own:
                pooled = StatedDriftPair(
                    fit=pooled.fit, weights_a=pooled.weights_a, weights_b=pooled.weights_b,
                    mean_a=pooled.mean_a, mean_b=pooled.mean_b, added=own[0],
                )  # fmt: skip
        moved = changes.pop(self.design.moved)
        separate = RigByRigPair(moved=moved, controls=tuple(changes.values()), added=tuple(own))
        return pooled, separate

    def _stated_drift(self, level: FloatArray, shares: Mapping[Any, _Visits]) -> list[Added]:
        if self.stated is None or self.stated.sd == 0:
            return []
        sd = self.stated.sd / np.exp(level) if self.logarithmic else np.full_like(level, self.stated.sd)
        df = np.full_like(level, np.inf if self.stated.df is None else self.stated.df)
        return [_added(sd**2, df, shares)]


def drift_shows(layout: Layout) -> bool:
    """Whether the rig x visit source is in the model and leaves a trace beside the fixed effects, alone or mixed."""
    if _DRIFT_NAME not in layout.sources:
        return False
    return layout.sources.index(_DRIFT_NAME) not in layout.separable.absorbed


def least_drift(fitted: MoveFit) -> float:
    """Lower limit of the standard deviation of drift that the design shows; zero where it shows none of its own."""
    layout = fitted.fit.layout
    if not drift_shows(layout) or layout.sources.index(_DRIFT_NAME) not in layout.estimated:
        return 0.0
    k = layout.estimated.index(layout.sources.index(_DRIFT_NAME))
    return float(np.sqrt(fitted.fit.limits[0][0, k]))


def _pooled(fit: BlockFit, design: MoveDesign, pair: LevelPair) -> PooledPair:
    fixed, covariates = fit.layout.fixed, fit.layout.model.covariates
    before = _condition(fixed, {RIG: design.moved, PHASE: pair.b, MOVED_AFTER: NO})
    if design.controls:
        shift = level_weights(fixed, MOVED_AFTER, YES) - level_weights(fixed, MOVED_AFTER, NO)
    else:
        shift = level_weights(fixed, PHASE, pair.a) - level_weights(fixed, PHASE, pair.b)
    # Covariates stay at their mean over all rows.
    slopes = np.zeros(len(covariates))
    weights = [np.concatenate([w, slopes]) for w in (before + shift, before)]
    means = [fit.moments.fixed @ w * fit.system.unit + fit.system.origin * w[0] for w in weights]
    return PooledPair(fit=fit, weights_a=weights[0], weights_b=weights[1], mean_a=means[0], mean_b=means[1])


def _condition(design: FixedDesign, at: Mapping[str, Any]) -> FloatArray:
    """(columns,) weights of the mean at stated levels of some factors, the levels of the others counting alike."""
    sizes = {name: 1 + sum(c.factors == (name,) for c in design.columns) for name, _ in design.references}
    weights = np.ones(len(design.columns))
    for i, column in enumerate(design.columns):
        for name, level in zip(column.factors, column.level, strict=True):
            weights[i] *= (level == at[name]) if name in at else 1 / sizes[name]
    return weights


@dataclass(frozen=True, slots=True, kw_only=True)
class _Visits:
    """Visits of a rig after and before that were held fixed; the signed share of each visit in its change."""

    after: int
    before: int
    fixed: bool
    part: float


def _rig_changes(
    block: Block, design: MoveDesign, pair: LevelPair
) -> tuple[dict[Any, GroupedPair], dict[Any, _Visits]]:
    """The change of every rig that ran in both phases, and how its visits enter."""
    found: dict[Any, GroupedPair] = {}
    shares: dict[Any, _Visits] = {}
    here = {
        rig: own
        for rig in (design.moved, *design.controls)
        for own in [block.keep(block.holds(RIG, rig))]
        if len(np.unique(own.code_of(PHASE))) == 2 or rig == design.moved
    }
    for rig, own in here.items():
        counts = [_visit_counts(own, phase) for phase in (pair.a, pair.b)]
        # One set per visit leaves no scatter within visits: drift is then part of the scatter of the sets.
        fixed = all(sets > visits for sets, visits in counts)
        part = 1.0 if rig == design.moved else 1 / (len(here) - 1)
        shares[rig] = _Visits(after=counts[0][1], before=counts[1][1], fixed=fixed, part=part)
        found[rig] = _change(own, design, rig, pair, visits_fixed=fixed)
    return found, shares


def _change(
    block: Block, design: MoveDesign, rig: Any, pair: LevelPair, *, visits_fixed: bool
) -> GroupedPair:
    use = rig_use(design, rig)
    if use is SetUse.SAME:
        _, means, _ = set_means(block, PHASE, replace(pair, use=use))
        try:
            return difference_pair(means, None)
        except LayoutError as error:
            raise LayoutError(f"rig {rig}: {error}") from None
    several = PAD_LOT in block.factors and len(np.unique(block.code_of(PAD_LOT))) > 1
    fixed = [PHASE, *([VISIT] if visits_fixed else []), *([PAD_LOT] if several else [])]
    model = model_of(random=[PAD_SET], fixed=fixed, covariates=design.how.model.covariates)
    try:
        return separate_pair(block, model, PHASE, pair.a, pair.b)
    except LayoutError as error:
        raise LayoutError(f"rig {rig}: {error}") from None


def _visit_counts(block: Block, phase: Any) -> tuple[int, int]:
    """Pad sets and visits of a phase."""
    own = block.keep(block.holds(PHASE, phase))
    return len(np.unique(own.code_of(PAD_SET))), len(np.unique(own.code_of(VISIT)))


def _added(variance: FloatArray, df: FloatArray, shares: Mapping[Any, _Visits]) -> Added:
    """Drift of each rig and visit, visits of a phase counting alike; a rig whose visits were not held fixed has its
    drift in the scatter of its sets."""
    moved, *controls = shares.values()
    rest = sum(v.part**2 * (1 / v.after + 1 / v.before) for v in controls if v.fixed)
    now, earlier = (1 / moved.after, 1 / moved.before) if moved.fixed else (0.0, 0.0)
    return Added(variance=variance, df=df, now=now, earlier=earlier, rest=rest)


def _shown_drift(fit: BlockFit, shares: Mapping[Any, _Visits]) -> list[Added]:
    """Drift as the pooled fit estimates it, for the rigs whose visits were held fixed.

    Nothing is added where it is one number with the scatter of the sets: that carries it already. The common part
    of a visit cancels between the rigs that ran it; where they did not all run every visit, the pooled view
    carries what is left of it.
    """
    sources, estimated = fit.layout.sources, fit.layout.estimated
    position = sources.index(_DRIFT_NAME)
    if position not in estimated or not any(visits.fixed for visits in shares.values()):
        return []
    k = estimated.index(position)
    theta, spread = fit.minimum.theta[:, k], fit.covariance.variance[:, k, k]
    # Satterthwaite: the degrees of freedom of a chi-square with this mean and variance.
    df = np.where(theta > 0, 2 * theta**2 / spread, 1.0)
    return [_added(theta * fit.system.unit**2, df, shares)]
