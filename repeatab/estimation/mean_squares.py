"""Mean squares: the analysis of variance of a balanced layout, for many groups in one pass.

In: a Block and its balanced Layout.  Out: sums of squares, degrees of freedom, expected mean squares, F tests
with exact or combined denominators, and moment estimates of the components.

Effects are swept out of the cell means from the coarsest term to the finest and squared then: deviations are
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
from repeatab.cells import FloatArray
from repeatab.layout.blocks import Block
from repeatab.layout.hierarchy import Hierarchy
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
    at_first = len(layout.fixed_terms)
    shown = _distinct(layout.terms, at_first)
    terms = layout.terms.pick([*shown, *(at_first + i for i in layout.estimated)])
    fixed = len(shown)
    df = np.array([*terms.free, layout.rows - 1 - sum(terms.free)], dtype=np.float64)
    if df[-1] <= 0:
        raise LayoutError(
            "no degrees of freedom are left for repeatability. Run repeats, or leave the finest term out."
        )
    ss = _sums_of_squares(block, terms)
    expected = _expected(terms, fixed, layout.rows)
    ms = ss / df
    inverse = component_rows(expected[fixed:])
    combination = np.concatenate([np.zeros((len(inverse), fixed)), inverse], axis=1) if fixed else inverse
    names = [*(layout.model.fixed[i].name for i in shown), *(layout.sources[i] for i in layout.estimated)]
    return MeanSquares(
        names=(*names, layout.sources[-1]),
        random=(*[False] * fixed, *[True] * (len(terms) - fixed), True),
        df=df, ss=ss, ms=ms, expected=expected, components=ms @ combination.T, combination=combination,
    )  # fmt: skip


def _distinct(terms: Hierarchy, fixed: int) -> list[int]:
    """The fixed terms that have degrees of freedom of their own: not one level throughout, not a second name
    for a term before (the interaction with a factor that has one level)."""
    kept: list[int] = []
    for i in range(fixed):
        if terms.parts[i].size > 1 and not any(terms.alike(i, j) for j in kept):
            kept.append(i)
    return kept


def _sums_of_squares(block: Block, terms: Hierarchy) -> FloatArray:
    """(groups, rows) sums of squares, repeatability last.

    The effects are swept out from coarse to fine: of what is left the class means are the term's own effects, since
    those of terms that neither contain it nor are contained average to nothing over its classes.
    """
    count = block.count.astype(np.float64)
    share = count / count.sum()
    mean = block.mean[:, :, 0]
    left = mean - (mean @ share)[:, None]
    # A second pass: the first centring leaves its own rounding in the overall mean.
    left -= (left @ share)[:, None]
    ss = np.empty((len(mean), len(terms) + 1))
    whole = False
    for i in terms.from_coarse_to_fine:
        part = terms.parts[i]
        if part.size == len(count):
            # Each cell is a class: all that is left is the term's own.
            ss[:, i] = np.square(left, out=left) @ count
            whole = True
            break
        weights = part.weights(block.count)
        own = _class_means(left, part, count, weights)
        _take_out(left, own, part)
        ss[:, i] = np.square(own, out=own) @ weights
    ss[:, -1] = block.cross[:, :, 0, 0] @ np.ones(len(count))
    if not whole:
        ss[:, -1] += np.square(left, out=left) @ count
    return ss


def _class_means(values: FloatArray, term: Partition, count: FloatArray, weights: FloatArray) -> FloatArray:
    """(groups, classes) means of (groups, cells) values."""
    if len(values) == 1:
        return (np.bincount(term.codes, values[0] * count, term.size) / weights)[None]
    if len(count) * term.size <= _SMALL_TABLE:
        # Many groups of few cells: the means of all of them are one product.
        table = np.zeros((len(count), term.size))
        table[np.arange(len(count)), term.codes] = count / weights[term.codes]
        return values @ table
    order = np.argsort(term.codes, kind="stable")
    starts = np.searchsorted(term.codes[order], np.arange(term.size))
    return np.add.reduceat((values * count).take(order, axis=1), starts, axis=1) / weights


def _take_out(values: FloatArray, effect: FloatArray, term: Partition) -> None:
    """Subtract the (groups, classes) effects of a term from the (groups, cells) values, in place."""
    inner = 0 if len(values) == 1 else term.stride
    if inner:
        # The classes take turns: each effect meets a block of cells, without a copy for every cell.
        shaped = values.reshape(len(values), -1, term.size, inner)
        shaped -= effect[:, None, :, None]
    else:
        values -= effect.take(term.codes, axis=1)


def _expected(terms: Hierarchy, fixed: int, rows: int) -> FloatArray:
    """Component U enters T's mean square, times its rows per class, where T's classes are unions of U's."""
    per_class = [rows / part.size for part in terms.parts[fixed:]]
    table = [
        [*(size if terms.finer[fixed + j][i] else 0.0 for j, size in enumerate(per_class)), 1.0]
        for i in range(len(terms))
    ]
    return np.array([*table, [*(0.0 for _ in per_class), 1.0]])


def component_rows(expected: FloatArray) -> FloatArray:
    """(components, rows) each component as a combination of mean squares: the inverse of the (rows, components)
    expected ones."""
    inverse: FloatArray = np.linalg.inv(expected).astype(np.float64, copy=False)
    # Multipliers are small whole numbers; the inverse is exact up to rounding, which is cleared here so that
    # a mean square that takes no part has a coefficient of zero.
    size = np.abs(inverse)
    inverse[size < 1e-12 * size.max(axis=1, keepdims=True)] = 0
    return inverse


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
