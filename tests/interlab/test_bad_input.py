"""Cells that cannot be: each refusal names the level, the laboratory, what was found and what to do."""

import numpy as np
import pytest

from repeatab.base.errors import InputError, RepeatabError
from repeatab.interlab.level import LevelCells, majority_count


def cells(**changed):
    given = {
        "level": "mix B",
        "laboratories": ("L1", "L2", "L3"),
        "count": np.array([3, 3, 2]),
        "mean": np.array([0.40, 0.41, 0.39]),
        "centred_ss": np.array([2e-4, 1e-4, 1e-4]),
    }
    return LevelCells(**{**given, **changed})


@pytest.mark.parametrize(
    ("changed", "parts"),
    [
        ({"centred_ss": np.array([2e-4, -1e-4, 1e-4])}, ("'mix B'", "'L2'", "-0.0001", "cannot be negative")),
        ({"count": np.array([3, 0, 2])}, ("'mix B'", "'L2'", "count of 0", "Leave an empty cell out")),
        ({"count": np.array([3, 1, 2])}, ("'L2'", "from one result", "Check the count")),
        ({"mean": np.array([0.40, np.nan, 0.39])}, ("'L2'", "nan", "finite")),
        ({"centred_ss": np.array([np.inf, 0.0, 0.0])}, ("'L1'", "inf", "finite")),
        ({"laboratories": ("L1", "L3", "L3")}, ("'mix B'", "'L3'", "its own code")),
        ({"laboratories": ("L1", "L2")}, ("2 laboratories", "3 counts", "as many of each")),
    ],
)
def test_impossible_cells_are_refused_by_name(changed, parts):
    with pytest.raises(InputError) as caught:
        cells(**changed)
    assert isinstance(caught.value, RepeatabError)
    for part in parts:
        assert part in str(caught.value)


def test_no_cell_at_all_is_refused():
    with pytest.raises(InputError, match=r"'mix B'.*no laboratory"):
        LevelCells.from_results(level="mix B", results={})


def test_empty_cell_of_raw_results_is_refused():
    with pytest.raises(InputError, match=r"'L2'.*count of 0"):
        LevelCells.from_results(level="mix B", results={"L1": [0.4, 0.41], "L2": []})


def test_majority_count_takes_the_smaller_of_two_equally_frequent_numbers():
    # ISO 5725-2:1994, 7.3.3.2 says "in the majority of cells"; the tie rule is ours: wider critical values.
    sizes = dict(zip("abcde", (3, 3, 2, 2, 1), strict=True))
    level = LevelCells.from_results(
        level=1, results={code: [1.0 + 0.1 * i for i in range(size)] for code, size in sizes.items()}
    )
    assert majority_count(level) == 2
    with pytest.raises(InputError, match="every cell holds one result"):
        majority_count(LevelCells.from_results(level=1, results={"a": [1.0], "b": [2.0]}))
