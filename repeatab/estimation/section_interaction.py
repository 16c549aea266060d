"""Section interaction: whether the offset between levels (rigs, phases, lots) differs from section to section.

In: results of whole sets by section.  Out: a probability that holds however the sections of a set hang together,
because whole sets are resampled and never single results.

Each set's own level is taken out, so that only its pattern over the sections counts.
permutation  sets of different levels are exchanged. Exact where, apart from the offset, the levels scatter alike
             (Anderson & ter Braak 2003, J. Stat. Comput. Simul. 73, 85-113: exchangeable units), and badly wrong
             where they do not and the numbers of sets differ (simulated: 44 percent false alarms at 3 sets
             against 10 with four times the scatter).
signs        sets that ran at both levels: the difference of a set may as well have the other sign (Fisher 1935,
             The Design of Experiments, section 21).
bootstrap    residual vectors of sets are drawn within each level, which need not scatter alike; the statistic
             weighs the pattern by its own error (Brunner, Dette & Munk 1997, JASA 92, 1494-1502). Cautious with
             few sets (simulated: 1 to 2 percent at a stated 5).
Where it is not known that the levels scatter alike, the larger of the two probabilities holds either way.
A high probability does not show that the offset is the same in all sections; see Deviations in set_effects.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from itertools import combinations

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.cells import FloatArray, IntArray

_MOST_ARRANGEMENTS = 5000
# Numbers held for the arrangements that are worked through at once, about: 32 MiB.
_NUMBERS = 1 << 22
# Arrangements that give the same value up to rounding count as equal.
_TIE = 1 - 1e-9


class Resampling(Enum):
    """How the reference distribution was made; the value is what the report prints."""

    PERMUTATION = "whole sets exchanged between levels"
    SIGNS = "signs of whole sets' differences turned"
    BOOTSTRAP = "residual patterns of whole sets drawn within levels"


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionInteraction:
    """The test that the offset is the same in every section.

    statistic : sum of squares of the interaction (permutation, signs); its size over its error (bootstrap).
    p : probability of one as large if the offset is the same everywhere.
    resampled : arrangements or draws behind it; `complete` where they are all there are.
    smallest_p : the least p that this number of sets could give.
    """

    statistic: float
    p: float
    resampling: Resampling
    resampled: int
    complete: bool
    smallest_p: float

    def __str__(self) -> str:
        kind = "all" if self.complete else "random"
        return f"section by level: p = {self.p:.3g} ({self.resampling.value}, {self.resampled} {kind})"


def split_interaction(
    values: FloatArray,
    level: IntArray,
    *,
    rng: np.random.Generator,
    draws: int = 1999,
    scale: FloatArray | None = None,
) -> SectionInteraction:
    """Test on different sets at each level, by exchanging whole sets between the levels.

    Parameters
    ----------
    values : (sets, sections) results; missing ones nan. level : (sets,) codes of two or more levels.
    scale : (sections,) what a result is measured in, such as the margin of its section; 1 if not given.

    Raises
    ------
    LayoutError
        One level or section only, or fewer than two sets at a level.
    EstimationError
        The sections of all sets follow one pattern exactly.
    """
    scaled, codes, sizes = _laid_out(values, level, scale, fewest=2)
    arrangements, complete = _arrangements(codes, sizes, draws, rng)
    space = _Space(scaled)
    observed = float(space.explained(codes[None])[0])
    at_once = max(1, _NUMBERS // (scaled.shape[1] * (len(sizes) - 1)) ** 2)
    found = np.concatenate([
        space.explained(arrangements[i : i + at_once]) for i in range(0, len(arrangements), at_once)
    ])  # fmt: skip
    # Levels of one size can swap their names, and the statistic does not notice.
    same = math.prod(math.factorial(int(n)) for n in np.unique(sizes, return_counts=True)[1])
    return SectionInteraction(
        statistic=observed, p=_p(found, observed, complete), resampling=Resampling.PERMUTATION,
        resampled=len(found), complete=complete, smallest_p=_smallest(same / _number(sizes), draws, complete),
    )  # fmt: skip


def paired_interaction(
    difference: FloatArray,
    *,
    rng: np.random.Generator,
    draws: int = 1999,
    scale: FloatArray | None = None,
) -> SectionInteraction:
    """Test on sets that ran at both levels, by turning the signs of whole sets' differences.

    Parameters
    ----------
    difference : (sets, sections) result at one level minus result at the other; missing ones nan.
    """
    scaled, _, _ = _laid_out(difference, np.zeros(len(difference), np.int64), scale, fewest=2, levels=1)
    sets = len(scaled)
    complete = 2 ** (sets - 1) <= _MOST_ARRANGEMENTS
    if complete:
        # Turning all signs at once changes nothing, so the first set keeps its own.
        bits = np.arange(2 ** (sets - 1))[:, None] >> np.arange(sets - 1)
        signs = np.c_[np.ones(len(bits)), 1.0 - 2 * (bits & 1)]
    else:
        signs = rng.choice([-1.0, 1.0], size=(draws, sets))
    row, column = np.nonzero(np.isfinite(scaled))
    y = scaled[row, column]
    own = np.eye(sets)[row]
    # Each set's own mean out, then the part that a common pattern over sections explains.
    y = y - own @ ((own.T @ y) / own.sum(axis=0))
    pattern = np.eye(scaled.shape[1])[column]
    pattern = pattern - own @ ((own.T @ pattern) / own.sum(axis=0)[:, None])
    basis = _basis(pattern)
    # (Signs turn whole sets, and so stay within each set's own space.)
    found = ((signs[:, row] * y) @ basis) ** 2
    observed = float(((y @ basis) ** 2).sum())
    _refuse_exact(y, scaled)
    return SectionInteraction(
        statistic=observed, p=_p(found.sum(axis=1), observed, complete), resampling=Resampling.SIGNS,
        resampled=len(signs), complete=complete, smallest_p=_smallest(2.0 ** (1 - sets), draws, complete),
    )  # fmt: skip


def bootstrap_interaction(
    values: FloatArray,
    level: IntArray,
    *,
    rng: np.random.Generator,
    draws: int = 1999,
    scale: FloatArray | None = None,
) -> SectionInteraction:
    """Test on different sets at each level that need not scatter alike; arguments as `split_interaction`.

    Raises
    ------
    LayoutError
        Fewer than three sets of a section at a level.
    """
    scaled, codes, sizes = _laid_out(values, level, scale, fewest=3)
    patterns = [_patterns(scaled[codes == code]) for code in range(len(sizes))]
    means = np.stack([part.mean(axis=0) for part in patterns])
    errors = np.stack([part.var(axis=0, ddof=1) / len(part) for part in patterns])
    if not errors.sum() > 0:
        raise EstimationError(_EXACT)
    observed = _pattern_over_error(means[None], errors[None])[0]
    drawn_means, drawn_errors = [], []
    for part in patterns:
        left = part - part.mean(axis=0)
        drawn = left[rng.integers(0, len(part), (draws, len(part)))]
        drawn_means.append(drawn.mean(axis=1))
        drawn_errors.append(drawn.var(axis=1, ddof=1) / len(part))
    found = _pattern_over_error(np.stack(drawn_means, axis=1), np.stack(drawn_errors, axis=1))
    return SectionInteraction(
        statistic=float(observed), p=_p(found, float(observed), complete=False),
        resampling=Resampling.BOOTSTRAP, resampled=draws, complete=False, smallest_p=1 / (draws + 1),
    )  # fmt: skip


_EXACT = (
    "section by level: the sections of all sets follow one pattern exactly, so there is no scatter to judge by. "
    "Check that the results are not copies of each other."
)


def _laid_out(
    values: FloatArray, level: IntArray, scale: FloatArray | None, *, fewest: int, levels: int = 2
) -> tuple[FloatArray, IntArray, IntArray]:
    """Scaled values of the sets with two sections or more (others have no pattern), level codes from 0 and the
    number of sets at each."""
    kept = np.isfinite(values).sum(axis=1) >= 2
    scaled = (values if scale is None else values / scale)[kept]
    names, codes, sizes = np.unique(level[kept], return_inverse=True, return_counts=True)
    lost = np.setdiff1d(np.unique(level), names)
    if values.shape[1] < 2 or len(names) < levels:
        raise LayoutError(
            f"section by level: found {values.shape[1]} section(s) and sets with two or more of them at "
            f"{len(names)} level(s), expected two or more of each."
        )
    if sizes.min() < fewest or len(lost):
        least = 0 if len(lost) else int(sizes.min())
        raise LayoutError(
            f"section by level: {least} set(s) ran two or more sections at one level, expected at least {fewest}. "
            "Run more sets."
        )
    return scaled, codes.astype(np.int64), sizes.astype(np.int64)


class _Space:
    """Results with sets and sections taken out, and what a level-by-section pattern explains of the rest.

    Sets are taken out by their own means, so that what is left to solve for has the size of the sections, however many
    the sets are.
    """

    def __init__(self, scaled: FloatArray) -> None:
        present = np.isfinite(scaled)
        self.complete = bool(present.all())
        self.mask = present.astype(np.float64)
        self.own = self.mask / present.sum(axis=1, keepdims=True)
        self.sections = self.mask.shape[1]
        left = np.where(present, scaled - scaled[present].mean(), 0.0)
        self.inverse = np.linalg.pinv(self._inner(np.ones((1, len(scaled))))[0], rcond=1e-9, hermitian=True)
        # The second round takes out the rounding of the first.
        for _ in range(2):
            left = left - self.mask * (left * self.own).sum(axis=1, keepdims=True)
            common = self.inverse @ left.sum(axis=0)
            left = left - self.mask * (common - (self.own @ common)[:, None])
        self.left = left
        _refuse_exact(left, scaled)

    def _inner(self, chosen: FloatArray) -> FloatArray:
        """(arrangements, sections, sections) cross-products of the sections' indicators over the chosen sets
        (arrangements, sets), the means of sets taken out."""
        beside = (chosen[:, :, None] * self.own).swapaxes(1, 2) @ self.mask
        inner: FloatArray = np.negative(beside, out=beside)
        place = np.arange(self.sections)
        inner[:, place, place] += chosen @ self.mask
        return inner

    def explained(self, codes: IntArray) -> FloatArray:
        """(arrangements,) sums of squares for the level codes (arrangements, sets)."""
        levels = int(codes.max()) + 1
        chosen = [(codes == code).astype(np.float64) for code in range(levels)]
        along = [part @ self.left for part in chosen]
        if self.complete:
            # Every set has every section: the pattern is what the means of the levels are apart.
            parts = zip(along, chosen, strict=True)
            return np.asarray(sum((total**2).sum(axis=1) / part.sum(axis=1) for total, part in parts))
        # The last level follows from the section means, so it has no columns of its own.
        inner = [self._inner(part) for part in chosen[:-1]]
        blocks = [
            [(a if i == j else 0.0) - a @ self.inverse @ b for j, b in enumerate(inner)]
            for i, a in enumerate(inner)
        ]
        return _explained(np.block(blocks), np.concatenate(along[:-1], axis=1), self.sections)


def _explained(inner: FloatArray, along: FloatArray, sections: int) -> FloatArray:
    """(arrangements,) quadratic forms of (arrangements, p) in the inverse of (arrangements, p, p), of which each block
    of sections is known to have no weight on its sum."""
    size = np.trace(inner, axis1=1, axis2=2) / inner.shape[1]
    blocks = np.kron(np.eye(inner.shape[1] // sections), np.ones((sections, sections)))
    lifted = inner + size[:, None, None] * blocks
    try:
        root = np.diagonal(np.linalg.cholesky(lifted), 0, 1, 2)
        firm = root.min(axis=1) ** 2 > 1e-6 * size
    except np.linalg.LinAlgError:
        firm = np.zeros(len(inner), bool)
    found = np.empty(len(inner))
    solved = np.linalg.solve(lifted[firm], along[firm, :, None])[:, :, 0]
    found[firm] = (along[firm] * solved).sum(axis=1)
    # Where a section was run at one level only, its own part of the pattern is nothing.
    inverse = np.linalg.pinv(inner[~firm], rcond=1e-9, hermitian=True)
    found[~firm] = np.einsum("ap,apq,aq->a", along[~firm], inverse, along[~firm])
    return found


def _basis(columns: FloatArray) -> FloatArray:
    left, size, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(left[:, size > 1e-9 * size[0]])


def _refuse_exact(left: FloatArray, scaled: FloatArray) -> None:
    """Refuse results of which nothing but rounding is left once sets (and sections) are taken out."""
    size = float(np.nanmax(np.abs(scaled)))
    if not float(np.abs(left).max()) > 1e-12 * size:
        raise EstimationError(_EXACT)


def _number(sizes: IntArray) -> float:
    """Number of different ways to give the sets to the levels."""
    return math.exp(math.lgamma(sizes.sum() + 1) - sum(math.lgamma(n + 1) for n in sizes))


def _arrangements(
    codes: IntArray, sizes: IntArray, draws: int, rng: np.random.Generator
) -> tuple[IntArray, bool]:
    """Level codes (arrangements, sets): all of them for two levels where they are few, else random ones."""
    sets = len(codes)
    if len(sizes) == 2 and _number(sizes) <= _MOST_ARRANGEMENTS + 0.5:
        chosen = list(combinations(range(sets), int(sizes[1])))
        found = np.zeros((len(chosen), sets), np.int64)
        found[np.arange(len(chosen))[:, None], np.array(chosen)] = 1
        return found, True
    return rng.permuted(np.tile(codes, (draws, 1)), axis=1), False


def _p(found: FloatArray, observed: float, complete: bool) -> float:
    """Share of values as large as the observed one, which itself counts (Phipson & Smyth 2010, Stat. Appl. Genet.
    Mol. Biol. 9, article 39). A value without a number counts as large."""
    large = int((~(found < observed * _TIE)).sum())
    return large / len(found) if complete else (large + 1) / (len(found) + 1)


def _smallest(least: float, draws: int, complete: bool) -> float:
    return least if complete else max(least, 1 / (draws + 1))


def _patterns(values: FloatArray) -> FloatArray:
    """(sets, sections) results less the set's mean; only of sets with every section."""
    full = values[np.isfinite(values).all(axis=1)]
    if len(full) < 3:
        raise LayoutError(
            f"section by level: {len(full)} set(s) ran every section at one level, expected at least three to draw "
            "from. Run more sets, or leave out the section that is missing."
        )
    return np.asarray(full - full.mean(axis=1, keepdims=True))


def _pattern_over_error(means: FloatArray, errors: FloatArray) -> FloatArray:
    """(draws,) sum of squares of the level-by-section pattern of the means over the sum of their error variances,
    from (draws, levels, sections)."""
    pattern = means - means.mean(axis=1, keepdims=True)
    total = errors.sum(axis=(1, 2))
    size = (pattern**2).sum(axis=(1, 2))
    return np.asarray(np.divide(size, total, out=np.full(len(total), np.nan), where=total > 0))
