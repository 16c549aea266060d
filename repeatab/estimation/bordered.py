"""Bordered: mixed-model equations that fall into blocks by the classes of one random term.

In: a Block and its Layout.  Out: Bordered, whose criterion and derivatives cost what its border costs.

Every random term that is nested in one term (pad sets, and with them rig × pad set and pad set × day) acts within
a class of it only. Its columns are the local ones; all other random and fixed columns and the result form the
border. With the cross-products of the columns, formed once, scaled by E = diag(sqrt ratio, I), the equations are
M = [[A, B], [B', C]] + diag(I, 0) with A block-diagonal: a Cholesky factor of A block by block leaves a dense
matrix of the border's size.
For the random columns Z' P Z = E^-1 (I - M^-1) E^-1, so traces and norms follow from the inverse. Among the local
columns M^-1 = A^-1 + F F', of which the blocks alone are formed: |F_j F_k'|^2 is the sum of the products of the
elements of F_j' F_j and F_k' F_k, which have the border's size.
Sources: Henderson (1953), Biometrics 9, 226-252; Patterson & Thompson (1971), Biometrika 58, 545-554. Eliminating
blocks before a border: George (1973), SIAM J. Numer. Anal. 10, 345-363.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.linalg import blas, lapack

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.class_sums import counted, summed
from repeatab.estimation.system import longest_chain, scaled_values
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout
from repeatab.layout.partitions import Partition

# Derivatives with respect to a ratio next to zero are taken where its columns carry this much: at zero itself
# I - M^-1 is zero, and here it has half of all digits.
_SMALL = 1e-8
# Below this many dense random columns there is nothing to gain.
_FEWEST = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class Bordered:
    """Cross-products of the columns [local | border random | fixed | covariates | result].

    local_terms, border_terms : positions in the list of estimated random terms.
    local_slices, border_slices : per such term its columns; where a class has fewer than others, zeros fill up.
    random_columns, fixed_columns : of the border.
    inner : (classes, l, l) within the local columns of a class.
    shared : (classes, l, m) with the random and fixed columns of the border, the same for all groups.
    own : (groups, classes, l, c + 1) with covariates and result.
    corner : (groups, m + c + 1, m + c + 1) within the border.
    most : (sources,) rows in the largest class of each term.
    rows : results per group; unit : (groups,) the result is divided by this.
    """

    local_terms: tuple[int, ...]
    border_terms: tuple[int, ...]
    local_slices: tuple[slice, ...]
    border_slices: tuple[slice, ...]
    random_columns: int
    fixed_columns: int
    inner: FloatArray
    shared: FloatArray
    own: FloatArray
    corner: FloatArray
    most: FloatArray
    rows: int
    unit: FloatArray

    @property
    def groups(self) -> int:
        return len(self.own)

    @property
    def sources(self) -> int:
        """Number of random terms; the residual is one more."""
        return len(self.local_terms) + len(self.border_terms)

    @property
    def df(self) -> int:
        """Rows less fixed columns."""
        return self.rows - self.fixed_columns

    @property
    def numbers(self) -> int:
        """About how many numbers a group takes."""
        return int(self.own[0].size + self.corner[0].size)

    def take(self, groups: IntArray) -> Bordered:
        """The same equations for some of the groups (repeats allowed)."""
        return Bordered(
            local_terms=self.local_terms, border_terms=self.border_terms, local_slices=self.local_slices,
            border_slices=self.border_slices, random_columns=self.random_columns,
            fixed_columns=self.fixed_columns, inner=self.inner, shared=self.shared, own=self.own[groups],
            corner=self.corner[groups], most=self.most, rows=self.rows, unit=self.unit[groups],
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Sums:
    """In units of the residual variance: criterion, tr(P V_k), tr(P V_j P V_k), y'P V_k P y, y'P V_j P V_k P y for
    the random terms, y' P y; ratio is where the derivatives were taken. All with a leading group axis."""

    ratio: FloatArray
    criterion: FloatArray
    trace: FloatArray
    norm: FloatArray
    quadratic: FloatArray
    average: FloatArray
    rss: FloatArray


def dividing_term(terms: Sequence[Partition]) -> int | None:
    """The position of the term by whose classes the equations fall apart best; None where that gains little over
    eliminating a chain of terms alone."""
    chain = longest_chain(terms)
    dense = sum(t.size for i, t in enumerate(terms) if i not in chain)
    if dense < _FEWEST:
        return None
    best, least = None, 0.5 * float(dense**3 + terms[chain[0]].size * dense**2)
    for i, term in enumerate(terms):
        local = [t.size for t in terms if t.is_finer_than(term)]
        border = sum(t.size for t in terms) - sum(local)
        cost = float(border**3 + sum(local) * border**2 + sum(local) ** 3 / term.size**2)
        if len(local) > 1 and cost < least:
            best, least = i, cost
    return best


def build_bordered(block: Block, layout: Layout, by: int, *, names: Sequence[str] = ()) -> Bordered:
    """Set up the equations, falling apart by the classes of the estimated term at position `by`.

    Raises
    ------
    EstimationError
        All results of a group are equal, or a covariate does not vary.
    """
    terms = [layout.random[i] for i in layout.estimated]
    local_terms = tuple(i for i in range(len(terms)) if terms[i].is_finer_than(terms[by]))
    border_terms = tuple(i for i in range(len(terms)) if i not in local_terms)
    values = scaled_values(block, layout, np.arange(len(block.count)), names)
    count = block.count.astype(np.float64)
    classes = terms[by].size
    places, edges = _local_places([terms[i] for i in local_terms], terms[by])
    border_edges = np.cumsum([0, *(terms[i].size for i in border_terms)])
    columns = [e + terms[i].codes for e, i in zip(border_edges[:-1], border_terms, strict=True)]
    local, random = int(edges[-1]), int(border_edges[-1])
    fixed = layout.fixed.matrix * count[:, None]
    weighted = values.mean * count[:, None]
    shared = [counted(places, columns, count, (classes * local, random))]
    shared.append(summed(places, fixed[None], classes * local)[0])
    return Bordered(
        local_terms=local_terms, border_terms=border_terms, local_slices=_slices(edges),
        border_slices=_slices(border_edges), random_columns=random,
        fixed_columns=fixed.shape[1] + len(layout.model.covariates),
        inner=counted(places, [p % local for p in places], count, (classes * local, local)).reshape(
            classes, local, local
        ),
        shared=np.concatenate(shared, axis=1).reshape(classes, local, -1),
        own=summed(places, weighted, classes * local).reshape(len(weighted), classes, local, -1),
        corner=_corner(columns, random, layout.fixed.matrix, count, values.mean, values.scatter),
        most=np.array([t.weights(block.count).max() for t in terms]),
        rows=block.rows, unit=values.unit,
    )  # fmt: skip


def _local_places(terms: list[Partition], divider: Partition) -> tuple[list[IntArray], IntArray]:
    """Per term the (cells,) row of its class among the classes x l local columns, and the edges of the terms'
    columns within l."""
    owners, ranks, widths = [], [], []
    for term in terms:
        owner = np.empty(term.size, np.int64)
        owner[term.codes] = divider.codes
        order = np.argsort(owner, kind="stable")
        per_class = np.bincount(owner, minlength=divider.size)
        rank = np.empty(term.size, np.int64)
        rank[order] = np.arange(term.size) - np.repeat(np.cumsum(per_class) - per_class, per_class)
        owners.append(owner)
        ranks.append(rank)
        widths.append(int(per_class.max()))
    edges = np.cumsum([0, *widths])
    places = [
        (owner * edges[-1] + edge + rank)[term.codes]
        for term, owner, rank, edge in zip(terms, owners, ranks, edges[:-1], strict=True)
    ]
    return places, edges


def _slices(edges: IntArray) -> tuple[slice, ...]:
    return tuple(slice(int(a), int(b)) for a, b in pairwise(edges))


def _corner(
    columns: list[IntArray],
    random: int,
    fixed: FloatArray,
    count: FloatArray,
    mean: FloatArray,
    scatter: FloatArray,
) -> FloatArray:
    groups, _, c = mean.shape
    p = fixed.shape[1]
    table = np.zeros((groups, random + p + c, random + p + c))
    plain = np.concatenate([np.broadcast_to(fixed, (groups, *fixed.shape)), mean], axis=2)
    table[:, :random, :random] = counted(columns, columns, count, (random, random))
    beside = summed(columns, plain * count[:, None], random)
    table[:, :random, random:], table[:, random:, :random] = beside, beside.transpose(0, 2, 1)
    table[:, random:, random:] = (plain * count[:, None]).transpose(0, 2, 1) @ plain
    table[:, random + p :, random + p :] += scatter
    return table


@dataclass(frozen=True, slots=True, kw_only=True)
class _Eliminated:
    """One group, the local columns eliminated.

    local, scale : the square roots of the ratios, per local column and per border column (1 for fixed and result).
    triangle : (classes, l, l) inverse Cholesky factor of A.
    over : (classes, l, m + c + 1) what it makes of the border's columns, those not yet scaled.
    factor : Cholesky factor of what is left of the border, the result last.
    log_determinant : of all, without the result.
    """

    local: FloatArray
    scale: FloatArray
    triangle: FloatArray
    over: FloatArray
    factor: FloatArray
    log_determinant: float


class _Room:
    """Arrays that every group fills anew: fetching as much memory from the system again and again costs more than
    the products that are written to it."""

    def __init__(self, system: Bordered) -> None:
        classes, width, _ = system.inner.shape
        size = system.corner.shape[1]
        self.over = np.empty((classes, width, size))
        self.wide, self.f = (np.empty((classes, width, size - 1)) for _ in range(2))
        self.part = np.empty(classes * width * (size - 1))
        self.grams = np.empty((len(system.local_terms), size - 1, size - 1))
        self.border = np.empty((system.random_columns, system.random_columns))


def _eliminated(system: Bordered, group: int, ratio: FloatArray, room: _Room) -> _Eliminated:
    classes, width, _ = system.inner.shape
    root = np.sqrt(ratio)
    local = np.empty(width)
    for term, where in zip(system.local_terms, system.local_slices, strict=True):
        local[where] = root[term]
    size = system.corner.shape[1]
    scale = np.ones(size)
    for term, where in zip(system.border_terms, system.border_slices, strict=True):
        scale[where] = root[term]
    a = system.inner * (local[:, None] * local)
    index = np.arange(width)
    a[:, index, index] += 1
    lower = np.linalg.cholesky(a)
    triangle = np.linalg.inv(lower)
    turned = triangle * local
    m = system.shared.shape[2]
    over = room.over
    np.matmul(turned, system.shared, out=over[:, :, :m])
    np.matmul(turned, system.own[group], out=over[:, :, m:])
    flat = over.reshape(classes * width, size)
    left = (system.corner[group] - flat.T @ flat) * (scale[:, None] * scale)
    index = np.arange(system.random_columns)
    left[index, index] += 1
    factor = np.linalg.cholesky(left)
    diagonals = np.log(np.diagonal(lower, 0, 1, 2)).sum() + np.log(np.diagonal(factor)[:-1]).sum()
    return _Eliminated(
        local=local, scale=scale, triangle=triangle, over=over, factor=factor,
        log_determinant=2 * float(diagonals),
    )  # fmt: skip


def bordered_criterion(system: Bordered, theta: FloatArray) -> FloatArray:
    """(groups,) -2 log restricted likelihood at variances (groups, K + 1) of the scaled result, all constants."""
    found, room = np.empty(len(theta)), _Room(system)
    for g, variances in enumerate(theta):
        here = _eliminated(system, g, variances[:-1] / variances[-1], room)
        found[g] = _criterion(system, here, variances[-1])
    return found


def _criterion(system: Bordered, here: _Eliminated, residual: float) -> float:
    rss = here.factor[-1, -1] ** 2
    return float(here.log_determinant + system.df * np.log(2 * np.pi * residual) + rss / residual)


def bordered_sums(system: Bordered, theta: FloatArray) -> Sums:
    """The criterion and what its derivatives are made of, at variances (groups, K + 1)."""
    plain = theta[:, :-1] / theta[:, -1:]
    ratio = np.maximum(plain, _SMALL / system.most)
    found = Sums(
        ratio=ratio, criterion=np.empty(len(theta)), trace=np.empty_like(ratio),
        norm=np.empty((*ratio.shape, ratio.shape[1])), quadratic=np.empty_like(ratio),
        average=np.empty((*ratio.shape, ratio.shape[1])), rss=np.empty(len(theta)),
    )  # fmt: skip
    room = _Room(system)
    for g in range(len(theta)):
        here = _eliminated(system, g, ratio[g], room)
        _add_group(system, here, ratio[g], g, found, room)
        exact = here if (plain[g] == ratio[g]).all() else _eliminated(system, g, plain[g], room)
        found.criterion[g] = _criterion(system, exact, theta[g, -1])
    return found


def _add_group(
    system: Bordered, here: _Eliminated, ratio: FloatArray, g: int, found: Sums, room: _Room
) -> None:
    """Write the sums of one group, from I - M^-1 of the random columns and the scaled effects v = E^-1 u."""
    width = here.over.shape[1]
    r = system.random_columns
    small, _ = lapack.dtrtri(here.factor[:-1, :-1], lower=1)
    inverse = small.T @ small
    back = here.triangle.transpose(0, 2, 1)
    # M^-1 = A^-1 + F F' among the local columns, -F small towards the border.
    np.multiply(here.over[:, :, :-1], here.scale[:-1], out=room.wide)
    _turned(small, room.wide)
    f = np.matmul(back, room.wide, out=room.f)
    np.copyto(room.wide, f)
    far = _turned(small, room.wide, transposed=True)[:, :, :r]
    near = f @ f.transpose(0, 2, 1)
    rest = np.eye(width) - back @ here.triangle - near
    border = np.negative(inverse[:r, :r], out=room.border)
    border[np.arange(r), np.arange(r)] += 1

    slices, columns = system.local_slices, system.border_slices
    grams = [_gram(f[:, where], room, j) for j, where in enumerate(slices)]
    blocks = np.einsum("sij,sij->ij", rest, rest) - np.einsum("sij,sij->ij", near, near)
    beside = np.einsum("sij,sij->ij", far, far)
    squares = border**2
    trace, norm = found.trace[g], found.norm[g]
    on_diagonal = np.einsum("sii->i", rest)
    for j, a, gram in zip(system.local_terms, slices, grams, strict=True):
        trace[j] = on_diagonal[a].sum() / ratio[j]
        for k, b, other in zip(system.local_terms, slices, grams, strict=True):
            norm[j, k] = (blocks[a, b].sum() + np.vdot(gram, other)) / (ratio[j] * ratio[k])
        for k, b in zip(system.border_terms, columns, strict=True):
            norm[j, k] = norm[k, j] = beside[a, b].sum() / (ratio[j] * ratio[k])
    for j, a in zip(system.border_terms, columns, strict=True):
        trace[j] = np.trace(border[a, a]) / ratio[j]
        for k, b in zip(system.border_terms, columns, strict=True):
            norm[j, k] = squares[a, b].sum() / (ratio[j] * ratio[k])
    _add_effects(system, here, inverse, ratio, g, found)


def _turned(triangle: FloatArray, rows: FloatArray, *, transposed: bool = False) -> FloatArray:
    """Rows times the transpose of a lower triangle, or times the triangle, in place."""
    flat = rows.reshape(-1, rows.shape[2])
    blas.dtrmm(1.0, triangle, flat.T, lower=1, trans_a=int(transposed), overwrite_b=1)
    return rows


def _gram(part: FloatArray, room: _Room, place: int) -> FloatArray:
    rows = room.part[: part.size].reshape(part.shape)
    np.copyto(rows, part)
    flat = rows.reshape(-1, part.shape[2])
    return np.asarray(np.matmul(flat.T, flat, out=room.grams[place]), np.float64)


def _add_effects(
    system: Bordered, here: _Eliminated, inverse: FloatArray, ratio: FloatArray, g: int, found: Sums
) -> None:
    """Write the quadratic forms in the scaled effects v: v_j' (I - M^-1)_jk v_k."""
    classes, width, size = here.over.shape
    r, sources = system.random_columns, system.sources
    flat = here.over[:, :, :-1].reshape(classes * width, size - 1)
    back = here.triangle.transpose(0, 2, 1)
    left = here.factor[:-1, :-1] @ here.factor[-1, :-1]
    border = inverse @ left
    direct = here.over[:, :, -1].reshape(-1) - flat @ (here.scale[:-1] * border)
    local = (back @ direct.reshape(classes, width, 1))[:, :, 0]

    apart = np.zeros((classes, width, sources))
    beside = np.zeros((size - 1, sources))
    for k, where in zip(system.local_terms, system.local_slices, strict=True):
        apart[:, where, k] = local[:, where]
    for k, where in zip(system.border_terms, system.border_slices, strict=True):
        beside[where, k] = border[where]
    turned = (here.triangle @ apart).reshape(classes * width, sources)
    solved_border = inverse @ (beside - here.scale[:-1, None] * (flat.T @ turned))
    inside = turned - flat @ (here.scale[:-1, None] * solved_border)
    solved_local = back @ inside.reshape(classes, width, sources)
    flat_apart = apart.reshape(classes * width, sources)
    gap = flat_apart.T @ (apart - solved_local).reshape(classes * width, sources)
    gap += beside[:r].T @ (beside[:r] - solved_border[:r])
    found.quadratic[g] = ((apart**2).sum(axis=(0, 1)) + (beside[:r] ** 2).sum(axis=0)) / ratio
    found.average[g] = (gap + gap.T) / 2 / np.outer(ratio, ratio)
    found.rss[g] = here.factor[-1, -1] ** 2
