"""Chain: eliminate nested random terms analytically, finest first.

In: cells sorted so that a chain of terms, each nested in the next, has contiguous classes.  Out: the weighted
cross-products of everything else, as if the chain's covariance V_c = I + sum_l g_l Z_l Z_l' had been
inverted, and the sums over the chain's own levels that gradients and information need.

Each class of a chain term is a node of a forest. Going up, a node's weight and mean are those of its children
with the weights w = W / (1 + g W); going down, the random effects of the ancestors are subtracted. The cost
is one visit to each node, and sums of squares are formed about means throughout, never by subtraction.
The block-diagonal inversion goes back to Henderson (1953, Biometrics 9, 226-252); the recursion over several
nested levels is derived in DEVELOPERS.md and tested against dense matrices.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.class_sums import counted, summed

# Sums by class are kept up to this many numbers (64 MiB), or as many as the means themselves.
_MOST_NUMBERS = 1 << 23


@dataclass(frozen=True, slots=True, kw_only=True)
class Alike:
    """Nodes of a chain of one term that have the same weight, taken together: all that depends on the ratio is
    a factor that they share.

    weight, number : (classes,) rows of a node and how many such nodes there are.
    square : (groups, classes, b, b) sums of the products of their means.
    """

    weight: FloatArray
    number: FloatArray
    square: FloatArray

    def summed(self, factor: FloatArray) -> FloatArray:
        """(groups, b, b) sums of the products of the means, each class times its factor (groups, classes)."""
        groups, classes, b = self.square.shape[:3]
        if self.square.strides[0] == 0 or groups == 1:
            return np.asarray((factor @ self.square[0].reshape(classes, -1)).reshape(-1, b, b), np.float64)
        return np.asarray(np.einsum("gc,gcxy->gxy", factor, self.square), np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """The forest and what hangs on it.

    starts : per level, the (nodes,) first child of each node in the level below.
    parents : per level, the (children,) node of each child.
    weight : (nodes of the lowest level,) number of rows.
    mean : (groups, nodes of the lowest level, b) means of the columns carried along.
    scatter : (groups, b, b) cross-products within the lowest nodes.

    Without any chain term there is one level of cells and no forest above it.
    """

    starts: tuple[IntArray, ...]
    parents: tuple[IntArray, ...]
    terms: int
    weight: FloatArray
    mean: FloatArray
    scatter: FloatArray
    alike: Alike | None = None

    def take(self, groups: IntArray) -> Chain:
        """The same chain for some of the groups."""
        return Chain(
            starts=self.starts, parents=self.parents, terms=self.terms,
            weight=self.weight, mean=_picked(self.mean, groups), scatter=_picked(self.scatter, groups),
            alike=None if self.alike is None else Alike(
                weight=self.alike.weight, number=self.alike.number, square=_picked(self.alike.square, groups)
            ),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Ascent:
    """Weights and means of every level at given ratios; `cross` (groups, b, b) is B' V_c^-1 B."""

    full: tuple[FloatArray, ...]
    shrunk: tuple[FloatArray, ...]
    mean: tuple[FloatArray, ...]
    cross: FloatArray
    log_determinant: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainSums:
    """Sums over the chain's levels, j and k counting its terms from the finest.

    trace : (groups, L) of tr(Z_j' V_c^-1 Z_j).
    norm : (groups, L, L) of the squared Frobenius norms of Z_j' V_c^-1 Z_k.
    outer : per j, (groups, b, b) of (B' V_c^-1 Z_j)(Z_j' V_c^-1 B).
    middle : per j and k, (groups, b, b) of (B' V_c^-1 Z_j)(Z_j' V_c^-1 Z_k)(Z_k' V_c^-1 B).
    """

    trace: FloatArray
    norm: FloatArray
    outer: tuple[FloatArray, ...]
    middle: tuple[tuple[FloatArray, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """The columns that a chain carries along, over cells sorted from its coarsest term to its finest.

    indicators : per dense term, the (cells,) column of each cell; random : how many columns they have.
    plain : (groups, cells, q) means of all other columns; scatter : (groups, q, q) of these within cells.
    """

    indicators: tuple[IntArray, ...]
    random: int
    plain: FloatArray
    scatter: FloatArray


def build_chain(codes: list[IntArray], weight: FloatArray, columns: Columns) -> Chain:
    """Build a chain over sorted cells; without any term in it, one level of cells.

    Parameters
    ----------
    codes : per chain term from the finest, the (cells,) contiguous class of each cell.
    weight : (cells,).
    """
    if not codes:
        return Chain(
            starts=(), parents=(), terms=0, weight=weight, mean=columns.plain, scatter=columns.scatter
        )
    starts = _first_of(codes[0])
    weight_1 = np.add.reduceat(weight, starts)
    mean, scatter = _lowest(codes[0], starts, weight, weight_1, columns)
    level_starts, parents = [], []
    for finer, coarser in pairwise(codes):
        owner = coarser[_first_of(finer)]
        level_starts.append(_first_of(owner))
        parents.append(owner)
    return Chain(
        starts=tuple(level_starts), parents=tuple(parents), terms=len(codes),
        weight=weight_1, mean=mean, scatter=scatter,
        alike=_alike(weight_1, mean) if len(codes) == 1 else None,
    )  # fmt: skip


def _lowest(
    code: IntArray, starts: IntArray, weight: FloatArray, total: FloatArray, columns: Columns
) -> tuple[FloatArray, FloatArray]:
    """(groups, nodes, b) means of all columns at the lowest nodes and (groups, b, b) their scatter within."""
    plain = columns.plain
    groups, _, q = plain.shape
    r = columns.random
    centre = np.add.reduceat(plain * weight[:, None], starts, axis=1) / total[:, None]
    rest = plain - centre.take(code, axis=1)
    gap = rest * weight[:, None]
    scatter = np.empty((groups, r + q, r + q))
    scatter[:, r:, r:] = columns.scatter + gap.transpose(0, 2, 1) @ rest
    mean = np.empty((groups, len(total), r + q))
    mean[:, :, r:] = centre
    if r:
        shared = counted([code], columns.indicators, weight, (len(total), r))
        mean[:, :, :r] = shared / total[:, None]
        # Counts: whole numbers and their quotients, which lose nothing where they are subtracted.
        rooted = shared / np.sqrt(total)[:, None]
        scatter[:, :r, :r] = (
            counted(columns.indicators, columns.indicators, weight, (r, r)) - rooted.T @ rooted
        )
        # Deviations from a node's mean add up to nothing within it, so the indicators need no centring.
        beside = summed(columns.indicators, gap, r)
        scatter[:, :r, r:], scatter[:, r:, :r] = beside, beside.transpose(0, 2, 1)
    return mean, scatter


def _alike(weight: FloatArray, mean: FloatArray) -> Alike | None:
    """The nodes by weight; None where there are too many different ones for it to pay."""
    found, place = np.unique(weight, return_inverse=True)
    groups, nodes, b = mean.shape
    if len(found) * 4 > nodes or groups * len(found) * b * b > max(_MOST_NUMBERS, groups * nodes * b):
        return None
    square = np.empty((groups, len(found), b, b))
    for c in range(len(found)):
        part = mean if len(found) == 1 else mean[:, place == c]
        square[:, c] = part.transpose(0, 2, 1) @ part
    return Alike(weight=found, number=np.bincount(place).astype(np.float64), square=square)


def ascend(chain: Chain, ratio: FloatArray) -> Ascent:
    """Go up the forest at variance ratios (groups, L), finest term first."""
    groups = chain.mean.shape[0]
    full = [np.broadcast_to(chain.weight, (groups, len(chain.weight)))]
    means = [chain.mean]
    if chain.terms == 0:
        cross = chain.scatter + _cross(chain.mean, full[0])
        return Ascent(full=(), shrunk=(), mean=(), cross=cross, log_determinant=np.zeros(groups))
    if chain.alike is not None:
        return _ascend_alike(chain.alike, chain.scatter, ratio)
    cross, log_determinant = chain.scatter, np.zeros(groups)
    shrunk = []
    for level in range(chain.terms):
        growth = 1 + ratio[:, level, None] * full[level]
        log_determinant = log_determinant + np.log(growth).sum(axis=1)
        shrunk.append(full[level] / growth)
        if level + 1 < chain.terms:
            above, mean_above = _up(chain, level, shrunk[level], means[level])
            gap = means[level] - mean_above[:, chain.parents[level]]
            cross = cross + _cross(gap, shrunk[level])
            full.append(above)
            means.append(mean_above)
    cross = cross + _cross(means[-1], shrunk[-1])
    return Ascent(
        full=tuple(full),
        shrunk=tuple(shrunk),
        mean=tuple(means),
        cross=cross,
        log_determinant=log_determinant,
    )


def _ascend_alike(alike: Alike, scatter: FloatArray, ratio: FloatArray) -> Ascent:
    growth = 1 + ratio * alike.weight
    shrunk = alike.weight / growth
    return Ascent(
        full=(np.broadcast_to(alike.weight, shrunk.shape),),
        shrunk=(shrunk,),
        mean=(),
        cross=scatter + alike.summed(shrunk),
        log_determinant=np.log(growth) @ alike.number,
    )


def _sums_alike(alike: Alike, shrunk: FloatArray) -> ChainSums:
    # Nodes of the only level do not meet, so each has a number of its own: its weight after shrinking.
    return ChainSums(
        trace=(shrunk @ alike.number)[:, None],
        norm=(shrunk**2 @ alike.number)[:, None, None],
        outer=(alike.summed(shrunk**2),),
        middle=((alike.summed(shrunk**3),),),
    )


def chain_sums(chain: Chain, ratio: FloatArray, ascent: Ascent) -> ChainSums:
    """The sums over the chain's levels at the ratios of the ascent."""
    if chain.alike is not None:
        return _sums_alike(chain.alike, ascent.shrunk[0])
    groups, b = chain.scatter.shape[:2]
    levels = chain.terms
    spread, own = _posterior(chain, ratio, ascent)
    projected = _descend(chain, ratio, ascent, list(ascent.mean), lowest=0)
    middle = [[np.empty((groups, b, b))] * levels for _ in range(levels)]
    for k in range(levels):
        through = _descend(chain, ratio, ascent, _raise(chain, ascent, projected[k], k), lowest=k)
        for j in range(k, levels):
            middle[j][k] = projected[j].transpose(0, 2, 1) @ through[j - k]
            middle[k][j] = middle[j][k].transpose(0, 2, 1)
    return ChainSums(
        trace=np.stack([d.sum(axis=1) for d in own], axis=1) if levels else np.zeros((groups, 0)),
        norm=_norms(chain, ascent, spread, own),
        outer=tuple(p.transpose(0, 2, 1) @ p for p in projected),
        middle=tuple(tuple(row) for row in middle),
    )


def _picked(values: FloatArray, groups: IntArray) -> FloatArray:
    # Repeats of the only group are views of it, not copies.
    return np.broadcast_to(values, (len(groups), *values.shape[1:])) if len(values) == 1 else values[groups]


def _first_of(codes: IntArray) -> IntArray:
    return np.flatnonzero(np.concatenate([[True], codes[1:] != codes[:-1]]))


def _cross(values: FloatArray, weight: FloatArray) -> FloatArray:
    return (values * weight[:, :, None]).transpose(0, 2, 1) @ values


def _up(chain: Chain, level: int, weight: FloatArray, mean: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights and weighted means of the nodes one level above."""
    above = np.add.reduceat(weight, chain.starts[level], axis=1)
    total = np.add.reduceat(mean * weight[:, :, None], chain.starts[level], axis=1)
    return above, total / above[:, :, None]


def _raise(chain: Chain, ascent: Ascent, values: FloatArray, level: int) -> list[FloatArray]:
    """Means at `level` and above of columns that are constant within the nodes of `level`."""
    means = [values]
    for upper in range(level, chain.terms - 1):
        means.append(_up(chain, upper, ascent.shrunk[upper], means[-1])[1])
    return means


def _descend(
    chain: Chain, ratio: FloatArray, ascent: Ascent, means: list[FloatArray], *, lowest: int
) -> list[FloatArray]:
    """Z_l' V_c^-1 B for the levels from `lowest` up, given the means of B there."""
    projected: list[FloatArray] = [np.empty(0)] * len(means)
    effect: FloatArray | None = None
    for level in range(chain.terms - 1, lowest - 1, -1):
        rest = means[level - lowest]
        inherited = None if effect is None else effect[:, chain.parents[level]]
        if inherited is not None:
            rest = rest - inherited
        here = ascent.shrunk[level][:, :, None] * rest
        projected[level - lowest] = here
        own = ratio[:, level, None, None] * here
        effect = own if inherited is None else inherited + own
    return projected


def _posterior(chain: Chain, ratio: FloatArray, ascent: Ascent) -> tuple[list[FloatArray], list[FloatArray]]:
    """Per level the response of the summed effects of a node and its ancestors to a unit of information at
    the node, and the diagonal of Z_l' V_c^-1 Z_l."""
    spread: list[FloatArray] = [np.empty(0)] * chain.terms
    own: list[FloatArray] = [np.empty(0)] * chain.terms
    for level in range(chain.terms - 1, -1, -1):
        full, shrunk, g = ascent.full[level], ascent.shrunk[level], ratio[:, level, None]
        above = (
            spread[level + 1][:, chain.parents[level]] if level + 1 < chain.terms else np.zeros_like(shrunk)
        )
        own[level] = shrunk * (1 - above * shrunk)
        spread[level] = (above + g * (1 - above * shrunk)) / (1 + g * full)
    return spread, own


def _norms(chain: Chain, ascent: Ascent, spread: list[FloatArray], own: list[FloatArray]) -> FloatArray:
    """Squared Frobenius norms of Z_j' V_c^-1 Z_k, by pairs of nodes and their nearest common ancestor."""
    levels = chain.terms
    groups = chain.scatter.shape[0]
    norm = np.zeros((groups, levels, levels))
    # passed[j][m]: at each node of level m, the sum over the level-j nodes below it of the squared
    # information that one of them passes up to it.
    passed: list[dict[int, FloatArray]] = []
    for j in range(levels):
        here = {j: ascent.shrunk[j] ** 2}
        for m in range(j, levels - 1):
            gathered = np.add.reduceat(here[m], chain.starts[m], axis=1)
            here[m + 1] = gathered * (ascent.shrunk[m + 1] / ascent.full[m + 1]) ** 2
        passed.append(here)
    for j in range(levels):
        for k in range(j, levels):
            total = (own[k] ** 2 * passed[j][k] / ascent.shrunk[k] ** 2).sum(axis=1)
            for m in range(k, levels - 1):
                sum_j = np.add.reduceat(passed[j][m], chain.starts[m], axis=1)
                sum_k = np.add.reduceat(passed[k][m], chain.starts[m], axis=1)
                same = np.add.reduceat(passed[j][m] * passed[k][m], chain.starts[m], axis=1)
                total = total + (spread[m + 1] ** 2 * (sum_j * sum_k - same)).sum(axis=1)
            norm[:, j, k] = norm[:, k, j] = total
    return norm
