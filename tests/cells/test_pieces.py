"""Long tables, which are gone through piece by piece: the cells are those of exact sums, whatever the order of the rows
and however many of them a cell has."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from repeatab.cells import reduce_to_cells

ROWS = 200_000
SIZES = {
    "one cell": [ROWS],
    "one large cell among small ones": [3, 150_000, 1, 2, ROWS - 150_006],
    "cells of seven": [7] * (ROWS // 7),
    "cells of eight": [8] * (ROWS // 8),
    "single rows": [1] * ROWS,
    "cells of different sizes": [*np.random.default_rng(1).integers(1, 400, 900)],
}


@pytest.mark.parametrize("mixed", [False, True], ids=["in order", "mixed"])
@pytest.mark.parametrize("name", SIZES)
def test_cells_of_a_long_table_are_those_of_exact_sums(name: str, mixed: bool) -> None:
    sizes = np.array(SIZES[name])
    rng = np.random.default_rng(2)
    cell = np.repeat(np.arange(len(sizes)), sizes)
    # Whole numbers of 2^-12 about 0.4: sums and squares are known exactly.
    ticks = 1638 + rng.integers(-200, 200, len(cell))
    frame = pd.DataFrame({"rig": cell // 50, "pad_set": cell % 50, "mu": ticks / 2**12})
    if mixed:
        place = rng.permutation(len(cell))
        frame, ticks, cell = frame.iloc[place], ticks[place], cell[place]
    cells = reduce_to_cells(frame, result="mu", factors=["rig", "pad_set"])
    assert cells.count.tolist() == sizes.tolist()
    assert (50 * cells.code_of("rig") + cells.code_of("pad_set")).tolist() == list(range(len(sizes)))
    total = np.bincount(cell, ticks).astype(np.int64)
    squares = np.bincount(cell, ticks.astype(np.float64) ** 2).astype(np.int64)
    # Doubles near 0.4 are 6e-17 apart; a sum of squares is asked for the digits that the engines agree to.
    for at in np.unique(np.linspace(0, len(sizes) - 1, 200).astype(int)):
        n = int(sizes[at])
        mean = Fraction(int(total[at]), n) / 2**12
        ss = (Fraction(int(squares[at])) - Fraction(int(total[at]) ** 2, n)) / 2**24
        assert abs(Fraction(float(cells.mean[at, 0])) + Fraction(float(cells.shift[0])) - mean) <= 1e-15
        assert abs(Fraction(float(cells.cross[at, 0, 0])) - ss) <= Fraction(1, 10**12) * ss
