"""Mean squares: the analysis of variance of a balanced layout, for many groups in one pass.

In: a Block and its balanced Layout.  Out: sums of squares, degrees of freedom, expected mean squares, F tests
with exact or combined denominators, and moment estimates of the components.

Each term's effect in a cell is the mean over its class less the effects of all coarser terms: deviations are
formed before they are squared, so nothing cancels. Mixed models follow the unrestricted convention: a random
interaction is in the mean squares of both its factors.
Sources: Searle, Casella & McCulloch (1992), Variance Components, ch. 4 and 5; Nelder (1965), Proc. R. Soc. A
283, 147-178; Satterthwaite (1946), Biometrics Bulletin 2, 110-114.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.cells import FloatArray, IntArray
from repeatab.layout.balance import coarser_terms
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout, require_balanced
from repeatab.layout.partitions import Partition

_SMALL_TABLE = 1 << 14


@dataclass(frozen=True, kw_only=True)
class MeanSquares:
    """Rows: fixed terms, estimated random terms, repeatability last.

    names : of the rows; random : whether the row's term is random (repeatability is).
    df : (rows,); ss, ms : (groups, rows).
    expected : (rows, components) multiplier of each component (estimated random terms, then repeatability) in
        the row's expected mean square; a fixed term's own effect is left out.
    components : (groups, components) moment estimates, which may be negative.
    combination : (components, rows) each component as a combination of mean squares.
    """

    names: tuple[str, ...]
    random: tuple[bool, ...]
    df: FloatArray
    ss: FloatArray
    ms: FloatArray
    expected: FloatArray
    components: FloatArray
    combination: FloatArray

    @property
    def denominator(self) -> FloatArray:
        """(rows, rows) the combination of mean squares that each row is tested against."""
        return self._tests[0]

    @property
    def f(self) -> FloatArray:
        """(groups, rows), nan for repeatability."""
        return self._tests[1]

    @property
    def denominator_df(self) -> FloatArray:
        """(groups, rows), Satterthwaite's where the combination is not one mean square; inf for none."""
        return self._tests[2]

    @cached_property
    def _tests(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return _tests(self.ms, self.df, self.expected, self.combination, self.random.index(True))


def mean_squares(block: Block, layout: Layout) -> MeanSquares:
    """Analyse a balanced layout.

    Raises
    ------
    LayoutError
        The layout is not balanced, or no degrees of freedom are left for repeatability.
    """
    require_balanced(layout)
    random = [layout.random[i] for i in layout.estimated]
    shown = _distinct(layout.fixed_terms)
    fixed = [layout.fixed_terms[i] for i in shown]
    terms = [*fixed, *random]
    ss, df = _sums_of_squares(block, terms)
    if df[-1] <= 0:
        raise LayoutError(
            "no degrees of freedom are left for repeatability. Run repeats, or leave the finest term out."
        )
    expected = _expected(terms, len(fixed), layout.rows)
    ms = ss / df
    combination = _combination(expected, len(fixed))
    names = [*(layout.model.fixed[i].name for i in shown), *(layout.sources[i] for i in layout.estimated)]
    return MeanSquares(
        names=(*names, layout.sources[-1]),
        random=(*(False for _ in fixed), *(True for _ in random), True),
        df=df, ss=ss, ms=ms, expected=expected, components=ms @ combination.T, combination=combination,
    )  # fmt: skip


def _distinct(terms: tuple[Partition, ...]) -> list[int]:
    """The fixed terms that have degrees of freedom of their own: not one level throughout, not a second name
    for a term before (the interaction with a factor that has one level)."""
    kept: list[int] = []
    for i, term in enumerate(terms):
        if term.size > 1 and not any(terms[j].same_as(term) for j in kept):
            kept.append(i)
    return kept


def _sums_of_squares(block: Block, terms: list[Partition]) -> tuple[FloatArray, FloatArray]:
    """(groups, rows) sums of squares and (rows,) degrees of freedom, repeatability last."""
    count = block.count.astype(np.float64)
    mean = block.mean[:, :, 0]
    grand = mean @ (count / count.sum())
    rest = mean - grand[:, None]
    # A second pass: the first centring leaves its own rounding in the overall mean.
    rest = rest - (rest @ (count / count.sum()))[:, None]
    order = sorted(range(len(terms)), key=lambda i: terms[i].size)
    coarser = coarser_terms(terms)
    effect: dict[int, FloatArray] = {}
    ss: dict[int, FloatArray] = {}
    df: dict[int, float] = {}
    left = rest
    for i in order:
        own = _class_means(rest, terms[i], count)
        for j in coarser[i]:
            own = own - effect[j].take(_owners(terms[i], terms[j]), axis=1)
        effect[i], ss[i] = own, (own**2) @ terms[i].weights(block.count)
        left = left - own.take(terms[i].codes, axis=1)
        df[i] = terms[i].size - 1 - sum(df[j] for j in coarser[i])
    free = [df[i] for i in range(len(terms))]
    residual = block.cross[:, :, 0, 0].sum(axis=1) + (left**2) @ count
    table = np.stack([*(ss[i] for i in range(len(terms))), residual], axis=1)
    return table, np.array([*free, count.sum() - 1 - sum(free)])


def _owners(finer: Partition, coarser: Partition) -> IntArray:
    """(classes of the finer,) the class of the coarser in which each lies."""
    owner = np.empty(finer.size, np.int64)
    owner[finer.codes] = coarser.codes
    return owner


def _class_means(values: FloatArray, term: Partition, count: FloatArray) -> FloatArray:
    """(groups, classes) means of (groups, cells) values."""
    order = np.argsort(term.codes, kind="stable")
    if term.size == len(count):
        return values.take(order, axis=1)
    starts = np.searchsorted(term.codes[order], np.arange(term.size))
    weight = np.add.reduceat(count[order], starts)
    if len(values) > 1 and len(count) * term.size <= _SMALL_TABLE:
        # Many groups of few cells: the means of all of them are one product.
        table = np.zeros((len(count), term.size))
        table[np.arange(len(count)), term.codes] = count / weight[term.codes]
        return values @ table
    return np.add.reduceat((values * count).take(order, axis=1), starts, axis=1) / weight


def _expected(terms: list[Partition], fixed: int, rows: int) -> FloatArray:
    """Component U enters T's mean square, times its rows per class, where T's classes are unions of U's."""
    random = terms[fixed:]
    table = np.zeros((len(terms) + 1, len(random) + 1))
    table[:, -1] = 1
    for i, term in enumerate(terms):
        for j, other in enumerate(random):
            if other.is_finer_than(term):
                table[i, j] = rows / other.size
    return table


def _combination(expected: FloatArray, fixed: int) -> FloatArray:
    """(components, rows) inverse of the expected mean squares of the random rows; fixed rows take no part."""
    inverse = np.linalg.inv(expected[fixed:])
    # Multipliers are small whole numbers; the inverse is exact up to rounding, which is cleared here so that
    # a mean square that takes no part has a coefficient of zero.
    inverse[np.abs(inverse) < 1e-12 * np.abs(inverse).max(axis=1, keepdims=True)] = 0
    return np.concatenate([np.zeros((len(inverse), fixed)), inverse], axis=1)


def _tests(
    ms: FloatArray, df: FloatArray, expected: FloatArray, combination: FloatArray, fixed: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    rows = len(expected)
    other = expected.copy()
    for i in range(fixed, rows - 1):
        other[i, i - fixed] = 0
    denominator = other @ combination
    denominator[np.abs(denominator) < 1e-9] = 0
    denominator[-1] = 0
    value = ms @ denominator.T
    spread = (ms**2 / df) @ (denominator.T**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = np.where(value > 0, ms / value, np.nan)
        denominator_df = np.where(value > 0, value**2 / spread, np.nan)
    # One mean square with coefficient one: its own degrees of freedom, exactly.
    single = (np.count_nonzero(denominator, axis=1) == 1) & np.isclose(denominator.sum(axis=1), 1)
    for row in np.flatnonzero(single):
        denominator_df[:, row] = df[np.argmax(denominator[row] != 0)]
    return denominator, f, denominator_df
