"""The cells of one level of a round robin: laboratories with count, mean and centred sum of squares.

In: arrays of one level, however they were come by.  Out: LevelCells, checked once and then relied on.
Not here: reading tables or cell files, leaving out what a study excludes (jobs).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import InputError, listed
from repeatab.cells import FloatArray, IntArray

Label = Hashable

# The mean of equal results can be off by a unit or two of the last binary digit; that is not scatter.
_ROUNDING = 8 * float(np.finfo(np.float64).eps)


def _cell(level: Label, laboratory: Label) -> str:
    return f"level '{level}', laboratory '{laboratory}'"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelCells:
    """One level's cells in the sense of ISO 5725: the results of one laboratory at one level form a cell.

    level : the label of the level, of the caller's own type.
    laboratories : (p,) codes, each once.
    count : (p,) results per cell, each at least 1.
    mean : (p,) cell means, unit of the result.
    centred_ss : (p,) sums of squares about the cell mean, unit of the result squared; 0 where count is 1.

    Raises
    ------
    InputError
        Unequal lengths, no cell at all, a code twice, a count below 1, a number that is not finite, or a sum
        of squares that cannot be one.
    """

    level: Label
    laboratories: tuple[Label, ...]
    count: IntArray
    mean: FloatArray
    centred_ss: FloatArray

    def __post_init__(self) -> None:
        sizes = {len(self.laboratories), self.count.size, self.mean.size, self.centred_ss.size}
        if len(sizes) != 1:
            raise InputError(
                f"level '{self.level}': found {len(self.laboratories)} laboratories, "
                f"{self.count.size} counts, "
                f"{self.mean.size} means and {self.centred_ss.size} sums of squares, expected as "
                "many of each."
            )
        if sizes == {0}:
            raise InputError(
                f"level '{self.level}': no laboratory has a result here. Leave the level out of the study."
            )
        self._refuse_repeated_codes()
        for index, laboratory in enumerate(self.laboratories):
            self._refuse_impossible(index, laboratory)

    def _refuse_repeated_codes(self) -> None:
        twice = [code for code, times in Counter(self.laboratories).items() if times > 1]
        if twice:
            raise InputError(
                f"level '{self.level}': the laboratory code {listed(twice)} stands in more than one "
                "cell, expected "
                "one cell per laboratory. Give each laboratory its own code, or merge the cells first."
            )

    def _refuse_impossible(self, index: int, laboratory: Label) -> None:
        where = _cell(self.level, laboratory)
        count, mean, square = int(self.count[index]), float(self.mean[index]), float(self.centred_ss[index])
        if count < 1:
            raise InputError(
                f"{where}: found a count of {count}, expected at least 1. Leave an empty cell out "
                "of the table."
            )
        if not (np.isfinite(mean) and np.isfinite(square)):
            raise InputError(
                f"{where}: found mean {mean} and sum of squares {square}, expected finite numbers."
            )
        if square < 0:
            raise InputError(
                f"{where}: found a centred sum of squares of {square:g}, which cannot be negative. "
                "Form it about the cell mean, not from raw squares."
            )
        if count == 1 and square > 0:
            raise InputError(
                f"{where}: found a sum of squares of {square:g} from one result, expected 0. Check the count."
            )

    @classmethod
    def from_results(
        cls, *, level: Label, results: Mapping[Label, Sequence[float] | FloatArray]
    ) -> LevelCells:
        """Cells from raw results per laboratory; an empty list of results is an error, as the class says."""
        values = [np.asarray(cell, dtype=np.float64) for cell in results.values()]
        means = np.array([cell.mean() if cell.size else 0.0 for cell in values])
        squares = np.array([np.sum((cell - mean) ** 2) for cell, mean in zip(values, means, strict=True)])
        return cls(
            level=level,
            laboratories=tuple(results),
            count=np.array([cell.size for cell in values], dtype=np.int64),
            mean=means,
            # Equal results can leave a rounding residue of 1e-32 in the mean; the SD of equal results is 0.
            centred_ss=np.array(
                [
                    0.0 if cell.size and np.ptp(cell) == 0 else s
                    for cell, s in zip(values, squares, strict=True)
                ]
            ),
        )

    @property
    def p(self) -> int:
        """Number of laboratories."""
        return len(self.laboratories)

    @property
    def degrees_of_freedom(self) -> int:
        """Degrees of freedom of repeatability: results minus cells."""
        return int(np.sum(self.count - 1))

    @property
    def sd(self) -> FloatArray:
        """(p,) standard deviations within cells; NaN where a cell holds one result."""
        return np.sqrt(self.variance)

    @property
    def variance(self) -> FloatArray:
        """(p,) variances within cells; NaN where a cell holds one result."""
        found = np.full(self.p, np.nan)
        np.divide(self.centred_ss, self.count - 1, out=found, where=self.count > 1)
        return found

    @property
    def means_differ(self) -> bool:
        """Whether the cell means differ by more than the rounding in forming them."""
        return float(np.ptp(self.mean)) > _ROUNDING * float(np.max(np.abs(self.mean)))

    @property
    def results_differ(self) -> bool:
        """Whether results within cells differ by more than the rounding in forming the sums of squares."""
        noise = _ROUNDING * float(np.max(np.abs(self.mean)))
        return float(self.centred_ss.sum()) > int(self.count.sum()) * noise**2

    @property
    def harmonic_count(self) -> float:
        """Harmonic mean of the numbers of results: the n of an unweighted mean of cell means."""
        return float(self.p / np.sum(1 / self.count))

    @property
    def general_mean(self) -> float:
        """Mean of all results, each result with equal weight (ISO 5725-2, 7.4.4)."""
        if np.ptp(self.mean) == 0:
            return float(self.mean[0])  # exactly, without a rounding that would count as scatter
        return float(np.average(self.mean, weights=self.count))

    def without(self, laboratories: Collection[Label]) -> LevelCells:
        """The cells of the other laboratories; the order is kept."""
        return self._kept(np.array([code not in laboratories for code in self.laboratories], dtype=bool))

    def replicated(self) -> LevelCells:
        """The cells with two results or more: what the worked example of ISO 5725-2, B.2, computes with."""
        return self._kept(self.count > 1)

    def _kept(self, keep: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> LevelCells:
        return LevelCells(
            level=self.level,
            laboratories=tuple(code for code, kept in zip(self.laboratories, keep, strict=True) if kept),
            count=self.count[keep],
            mean=self.mean[keep],
            centred_ss=self.centred_ss[keep],
        )


def majority_count(level: LevelCells) -> int:
    """The number of results that most cells hold, among cells with two or more.

    Where two numbers are equally frequent the smaller is taken: its critical values are the wider ones.

    References
    ----------
    ISO 5725-2:1994, 7.3.3.2: the criterion is applied with the number of results in the majority of cells.
    """
    numbers, frequency = np.unique(level.count[level.count > 1], return_counts=True)
    if numbers.size == 0:
        raise InputError(
            f"level '{level.level}': every cell holds one result, so there is no scatter within cells. "
            "Run at least two results per laboratory and level."
        )
    return int(numbers[np.argmax(frequency)])
