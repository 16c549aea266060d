"""What a gauge study has to check besides its components: wear within sets, rigs that repeat worse than
others, scatter that grows with the level, residuals far from normal.

In: the data and the fits.  Out: GaugeChecks. Several sections share one error rate per kind of check (Holm
1979, Scand. J. Statist. 6, 65-70).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from repeatab.cells import FloatArray
from repeatab.estimation.contrasts import Weights
from repeatab.estimation.pivotal import without_slopes
from repeatab.jobs.gauge.data import OPERATOR, ORDER, PAD_LOT, PAD_SET, RIG, GaugeData
from repeatab.jobs.gauge.fit import SectionFit, fit_sections, gauge_model, sources_of
from repeatab.judgement.capability import constrained_variances
from repeatab.judgement.equal_scatter import EqualityOfScatter, equality_of_scatter

ERROR_RATE = 0.05
_ONE_WITH_RIG = 0.95
_CELLS_FOR_LEVEL = 6
_CONTRASTS_FOR_NORMALITY = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Change of the result per run of a set, with Kenward-Roger inference.

    runs : how many runs apart the first and the last of a set lie at most.
    grr_without : R&R standard deviation with the trend taken out.
    adjusted_p : p over all sections together.
    """

    slope: float
    lower: float
    upper: float
    df: float
    p: float
    adjusted_p: float
    runs: float
    grr_without: float

    @property
    def found(self) -> bool:
        return self.adjusted_p < ERROR_RATE


@dataclass(frozen=True, slots=True, kw_only=True)
class RigScatter:
    """Repeatability of each rig, or the joint scatter of sets and repeatability where sets ran once."""

    rigs: tuple[object, ...]
    equality: EqualityOfScatter
    joint: bool
    adjusted_p: float

    @property
    def unequal(self) -> bool:
        return self.adjusted_p < ERROR_RATE


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelDependence:
    """Rank correlation of the scatter of repeats with their level."""

    correlation: float
    p: float
    adjusted_p: float

    @property
    def grows(self) -> bool:
        return self.adjusted_p < ERROR_RATE and self.correlation > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeChecks:
    """Per section what was found; a section is absent where the design does not allow the check.

    order_with_rig : wear and rig are one, since the rigs came in one order through the sets.
    normality_p : Shapiro-Wilk on contrasts of repeats, adjusted.
    """

    trends: dict[str, Trend] = field(default_factory=dict)
    rigs: dict[str, RigScatter] = field(default_factory=dict)
    levels: dict[str, LevelDependence] = field(default_factory=dict)
    normality_p: dict[str, float] = field(default_factory=dict)
    order_with_rig: bool = False


def gauge_checks(
    data: GaugeData, fits: dict[str, SectionFit], *, covariates: tuple[str, ...], level: float
) -> GaugeChecks:
    """Make every check that the design allows."""
    usable = {name: fit for name, fit in fits.items() if fit.part is not None}
    tied = _order_goes_with_rig(data)
    return GaugeChecks(
        trends={} if tied else _trends(data, covariates, level),
        rigs=_rigs(usable, level),
        levels=_levels(usable),
        normality_p=_normality(data),
        order_with_rig=tied,
    )


def adjusted(p: dict[str, float]) -> dict[str, float]:
    """p values over all sections together (Holm)."""
    if len(p) < 2:
        return dict(p)
    from statsmodels.stats.multitest import multipletests

    values = multipletests(list(p.values()), method="holm")[1]
    return dict(zip(p, (float(v) for v in values), strict=True))


def _order_goes_with_rig(data: GaugeData) -> bool:
    """Whether the rig tells the place in the set almost wholly, so that no slope can be told from the
    rigs."""
    if not data.has_order or RIG not in data.factors:
        return False
    table = data.table
    order = table[ORDER]
    within = order - order.groupby([table["section"], table[RIG]]).transform("mean")
    return float((within**2).sum()) < (1 - _ONE_WITH_RIG) * float((order**2).sum())


def _trends(data: GaugeData, covariates: tuple[str, ...], level: float) -> dict[str, Trend]:
    if not data.has_order:
        return {}
    model = gauge_model(data, tuple(dict.fromkeys([*covariates, ORDER])))
    fits = {name: f for name, f in fit_sections(data, model, level=level).items() if f.part is not None}
    raw = {name: _slope(fit, level) for name, fit in fits.items()}
    holm = adjusted({name: slope["p"] for name, slope in raw.items()})
    reach = data.table.groupby(["section", PAD_SET])[ORDER].agg(np.ptp).groupby("section").max()
    found = {}
    for name, fit in fits.items():
        variances = constrained_variances(fit.fit)[fit.group]
        part = [source.role.value == "part" for source in sources_of(fit.fit.layout)]
        grr = float(np.sqrt(variances[~np.array(part)].sum()))
        found[name] = Trend(**raw[name], adjusted_p=holm[name], runs=float(reach[name]), grr_without=grr)
    return found


def _slope(fit: SectionFit, level: float) -> dict[str, float]:
    from scipy import special

    columns = fit.fit.layout.fixed.matrix.shape[1]
    row = Weights(label=ORDER, fixed=np.zeros(columns), covariates={ORDER: 1.0})
    estimate, se, df = (float(x[fit.group, 0]) for x in fit.fit.combine((row,)))
    half = float(special.stdtrit(df, (1 + level) / 2)) * se
    p = float(2 * special.stdtr(df, -abs(estimate / se)))
    return {"slope": estimate, "lower": estimate - half, "upper": estimate + half, "df": df, "p": p}


def _rigs(fits: dict[str, SectionFit], level: float) -> dict[str, RigScatter]:
    raw: dict[str, tuple[tuple[object, ...], EqualityOfScatter, bool]] = {}
    for name, fit in fits.items():
        block = fit.fit.block
        if RIG not in block.factors:
            continue
        rigs = np.unique(block.code_of(RIG))
        ss, df, joint = _scatter_by_rig(fit)
        equality = equality_of_scatter(ss[rigs], df[rigs], level=level)
        if equality is not None:
            labels = tuple(block.levels_of(RIG)[rigs])
            raw[name] = (labels, equality, joint)
    holm = adjusted({name: equality.p for name, (_, equality, _) in raw.items()})
    return {
        name: RigScatter(rigs=labels, equality=equality, joint=joint, adjusted_p=holm[name])
        for name, (labels, equality, joint) in raw.items()
    }


def _scatter_by_rig(fit: SectionFit) -> tuple[FloatArray, FloatArray, bool]:
    """Per rig level, sums of squares and degrees of freedom of repeats within cells; where sets ran once
    each, of the runs of a rig about their mean (of the same lot and operator)."""
    block = fit.fit.block
    mean, within = without_slopes(fit.fit, fit.group)
    rig, size = block.code_of(RIG), len(block.levels_of(RIG))
    joint = block.count.max() == 1 and any(source.bounds for source in sources_of(fit.fit.layout))
    if joint:
        keys = [block.code_of(name) for name in (RIG, OPERATOR, PAD_LOT) if name in block.factors]
        _, first, group = np.unique(np.stack(keys, axis=1), axis=0, return_index=True, return_inverse=True)
        group = group.reshape(-1)
        centre = np.bincount(group, mean) / np.bincount(group)
        ss = np.bincount(rig, (mean - centre[group]) ** 2, size)
        df = np.bincount(rig, minlength=size) - np.bincount(rig[first], minlength=size)
    else:
        ss = np.bincount(rig, within, size)
        df = np.bincount(rig, block.count - 1.0, size)
    return np.asarray(ss, np.float64), np.asarray(df, np.float64), bool(joint)


def _levels(fits: dict[str, SectionFit]) -> dict[str, LevelDependence]:
    from scipy import stats

    raw: dict[str, tuple[float, float]] = {}
    for name, fit in fits.items():
        mean, within = without_slopes(fit.fit, fit.group)
        count = fit.fit.block.count
        repeated = count > 1
        if repeated.sum() < _CELLS_FOR_LEVEL:
            continue
        spread = within[repeated] / (count[repeated] - 1)
        if np.ptp(spread) == 0:
            continue
        rank: Any = stats.spearmanr(mean[repeated], spread)
        raw[name] = (float(rank.statistic), float(rank.pvalue))
    holm = adjusted({name: p for name, (_, p) in raw.items()})
    return {name: LevelDependence(correlation=r, p=p, adjusted_p=holm[name]) for name, (r, p) in raw.items()}


def _normality(data: GaugeData) -> dict[str, float]:
    """Shapiro-Wilk on Helmert contrasts of the repeats of each combination (in the order of the runs): n - 1
    independent values of equal variance, which deviations from the mean are not."""
    import pingouin

    order = [name for name in (ORDER, "run", "source_row") if name in data.table.columns]
    table = data.table.sort_values(["section", *data.factors, *order], kind="stable")
    contrasts: dict[str, list[float]] = {name: [] for name in data.sections}
    for keys, values in table.groupby(["section", *data.factors], sort=False)["result"]:
        contrasts[str(keys[0])] += _helmert(values.to_numpy(dtype=float))
    p = {
        name: float(pingouin.normality(np.array(found))["pval"].iloc[0])
        for name, found in contrasts.items()
        if len(found) >= _CONTRASTS_FOR_NORMALITY and float(np.ptp(found)) > 0
    }
    return adjusted(p)


def _helmert(values: FloatArray) -> list[float]:
    """Each value less the mean of those before it, scaled to the variance of one result."""
    return [float((values[i] - values[:i].mean()) * np.sqrt(i / (i + 1))) for i in range(1, len(values))]
