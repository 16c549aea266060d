"""Has the repeatability of a moved rig worsened? The ratio of standard deviations after / before against a limit.

In: the block of a section, the design of the move, the limit.  Out: RatioClaim: ratio, bounds, the smallest limit that
these numbers of sets could meet, the sets that would meet the stated one.

Shown to be kept: the one-sided upper bound of the ratio lies at or below the limit. Worsened beyond it: the lower
bound (adjusted over the deciding sections, as a claim of a difference is) lies above the limit. In between, a lower
bound above one says that it has worsened, by how much being open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import optimize, special

from repeatab.base.errors import LayoutError
from repeatab.base.interval import IntervalMethod
from repeatab.estimation.scatter_ratio import ScatterRatio
from repeatab.jobs.levels.comparison import Rates
from repeatab.jobs.levels.layout import LevelPair
from repeatab.jobs.levels.scatter import LevelScatter, level_scatter
from repeatab.jobs.requalifying.design import PAD_SET, PHASE, RIG, VISIT, MoveDesign, rig_use
from repeatab.jobs.requalifying.question import RequalSection
from repeatab.judgement.comparison import holm_levels
from repeatab.layout.blocks import Block
from repeatab.outcome.verdict import Qualifier, Verdict

# With more sets than this a requalification is no longer what is asked; common practice, no source.
_REACH = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioClaim:
    """One section's ratio of standard deviations, after over before.

    trouble : why there is none; everything after it is then empty.
    upper : one-sided bound that the limit is held against; lower : bound of the claim that it worsened.
    smallest : the smallest limit that these numbers of sets could meet if both phases scattered alike in the data.
    likely : the limit that they would meet with the wanted probability if nothing has changed; None where paired.
    further : sets on the moved rig still to run to meet the stated limit with that probability; None: no number.
    """

    section: RequalSection
    limit: float
    trouble: str | None
    source: str = ""
    ratio: ScatterRatio | None = None
    p_worse: float = 1.0
    lower: float = np.nan
    upper: float = np.nan
    smallest: float = np.nan
    likely: float | None = None
    further: int | None = None
    verdict: Verdict = Verdict.UNDECIDED
    qualifier: Qualifier = Qualifier.NONE


def ratio_claims(
    blocks: Mapping[str, Block | None],
    sections: Sequence[RequalSection],
    design: MoveDesign,
    *,
    limit: float,
    rates: Rates,
    target: float,
) -> tuple[RatioClaim, ...]:
    """The ratio of every section, judged together."""
    found = [_estimated(s, blocks.get(s.name), design, limit, rates, target) for s in sections]
    levels = [rates.difference] * len(found)
    for decides in (True, False):
        family = [i for i, c in enumerate(found) if c.trouble is None and c.section.decides is decides]
        if family:
            p = np.array([found[i].p_worse for i in family])
            for i, level in zip(family, holm_levels(p, rates.difference), strict=True):
                levels[i] = float(level)
    return tuple(
        _judged(claim, blocks.get(claim.section.name), design, level)
        for claim, level in zip(found, levels, strict=True)
    )


def overall_ratio(claims: Sequence[RatioClaim]) -> tuple[Verdict, Qualifier]:
    """What the deciding sections say together."""
    deciding = [claim for claim in claims if claim.section.decides]
    if any(claim.verdict is Verdict.NOT_ACCEPTABLE for claim in deciding):
        return Verdict.NOT_ACCEPTABLE, Qualifier.NONE
    if any(claim.verdict is Verdict.DIFFERENT for claim in deciding):
        return Verdict.DIFFERENT, Qualifier.MARGIN_OPEN
    if all(claim.verdict is Verdict.ACCEPTABLE for claim in deciding):
        return Verdict.ACCEPTABLE, Qualifier.NONE
    if any(claim.qualifier is Qualifier.BETWEEN_LOOKS for claim in deciding):
        return Verdict.UNDECIDED, Qualifier.BETWEEN_LOOKS
    return Verdict.UNDECIDED, Qualifier.NONE


def _estimated(
    section: RequalSection, block: Block | None, design: MoveDesign, limit: float, rates: Rates, target: float
) -> RatioClaim:
    if block is None:
        return RatioClaim(section=section, limit=limit, trouble="no results")
    inner = _scatter(block, design, 1 - 2 * rates.equivalence)
    if inner.ratio is None:
        return RatioClaim(section=section, limit=limit, trouble=inner.trouble)
    ratio = inner.ratio
    claim = RatioClaim(
        section=section, limit=limit, trouble=None, source=inner.source, ratio=ratio,
        p_worse=_p_worse(block, design), upper=ratio.interval.upper,
        smallest=ratio.interval.upper / ratio.ratio,
    )  # fmt: skip
    if ratio.interval.method is not IntervalMethod.F_RATIO:
        return claim
    likely = limit_met_with(target, ratio.df_a, ratio.df_b, level=1 - rates.equivalence)
    return replace(claim, likely=likely, further=_further(claim, rates, target))


def _scatter(block: Block, design: MoveDesign, level: float) -> LevelScatter:
    own = block.keep(block.holds(RIG, design.moved))
    pair = _moved_pair(design)
    if min(_sets_beyond_visits(own, phase) for phase in (pair.a, pair.b)) < 1:
        own = _without_visits(own)
    try:
        return level_scatter(own, PHASE, pair, level=level)
    except (LayoutError, ValueError) as error:
        return LevelScatter(source="", ratio=None, trouble=str(error))


def _moved_pair(design: MoveDesign) -> LevelPair:
    return replace(design.how.pairs[0], use=rig_use(design, design.moved))


def _sets_beyond_visits(block: Block, phase: Any) -> int:
    own = block.keep(block.holds(PHASE, phase))
    return len(np.unique(own.code_of(PAD_SET))) - len(np.unique(own.code_of(VISIT)))


def _without_visits(block: Block) -> Block:
    """Where each visit has one set, the scatter of sets can only be taken over visits, drift included."""
    keep = [i for i, name in enumerate(block.factors) if name != VISIT]
    return replace(
        block, factors=tuple(block.factors[i] for i in keep), levels=tuple(block.levels[i] for i in keep),
        codes=block.codes[:, keep],
    )  # fmt: skip


def _p_worse(block: Block, design: MoveDesign) -> float:
    """Two-sided probability of a ratio this far above one if nothing had changed; one where it is not above."""

    def lower(level: float) -> float:
        ratio = _scatter(block, design, level).ratio
        assert ratio is not None
        return ratio.interval.lower - 1

    narrow, wide = 1e-9, 1 - 1e-9
    if lower(narrow) <= 0:
        return 1.0
    return 1 - (wide if lower(wide) > 0 else float(optimize.brentq(lower, narrow, wide, xtol=1e-10)))


def _judged(claim: RatioClaim, block: Block | None, design: MoveDesign, alpha: float) -> RatioClaim:
    if claim.trouble is not None or block is None:
        return claim
    outer = _scatter(block, design, 1 - alpha).ratio
    assert outer is not None
    lower = outer.interval.lower
    verdict, qualifier = Verdict.UNDECIDED, Qualifier.NONE
    if lower > claim.limit:
        verdict = Verdict.NOT_ACCEPTABLE
    elif claim.upper <= claim.limit:
        verdict = Verdict.ACCEPTABLE
        qualifier = Qualifier.TOO_SMALL_TO_MATTER if lower > 1 else Qualifier.NONE
    elif lower > 1:
        verdict, qualifier = Verdict.DIFFERENT, Qualifier.MARGIN_OPEN
    return replace(claim, lower=lower, verdict=verdict, qualifier=qualifier)


def limit_met_with(probability: float, df_after: int, df_before: int, *, level: float) -> float:
    """The limit that the upper bound of the ratio meets with this probability if both phases scatter alike.

    The bound is the ratio times the root of an F quantile, and the squared ratio itself follows F.
    level : one-sided confidence of the bound.
    """
    bound = special.fdtri(df_before, df_after, level)
    chance = special.fdtri(df_after, df_before, probability)
    return float(np.sqrt(bound * chance))


def _further(claim: RatioClaim, rates: Rates, target: float) -> int | None:
    """Fresh sets after the move; what ran before the move cannot be run again."""
    assert claim.ratio is not None
    for more in range(_REACH + 1):
        met = limit_met_with(target, claim.ratio.df_a + more, claim.ratio.df_b, level=1 - rates.equivalence)
        if met <= claim.limit:
            return more
    return None
