"""What cannot be computed is refused in words; no number comes out that is none."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

import repeatab
from repeatab.base.errors import EstimationError, InputError, RepeatabError

TERMS = ["rig", "pad_set"]


def fit_of(frame: pd.DataFrame, **options: Any) -> Any:
    fit = repeatab.fit_components(frame, **{"result": "mu", "random": TERMS, **options})
    return fit.components


@pytest.mark.parametrize("drop", [(), (0, 5)], ids=["balanced", "unbalanced"])
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("column", ["mu", "temperature"])
def test_what_is_no_number_is_refused_with_its_row(tables: Any, bad: float, drop: Any, column: str) -> None:
    frame = tables.crossed(drop=drop).assign(temperature=lambda f: 100.0 + f.index)
    frame.loc[3, column] = bad
    covariates = ["temperature"] if column == "temperature" else []
    with pytest.raises(
        InputError, match=f"column '{column}', data row 4: found .*, expected a finite number"
    ):
        fit_of(frame, covariates=covariates)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("drop", [(), (0, 5)], ids=["balanced", "unbalanced"])
@pytest.mark.parametrize("scale", [1e61, 1e155, 1e300])
def test_numbers_whose_squares_overflow_are_refused(tables: Any, scale: float, drop: Any) -> None:
    with pytest.raises(InputError, match="whose square is finite and keeps its digits"):
        fit_of(tables.crossed(drop=drop, scale=scale / 0.1))


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("drop", [(), (0, 5)], ids=["balanced", "unbalanced"])
@pytest.mark.parametrize("scale", [1e-70, 1e-150, 1e-200, 1e-310])
def test_scatter_whose_square_underflows_is_refused(tables: Any, scale: float, drop: Any) -> None:
    with pytest.raises(EstimationError, match="no scatter"):
        fit_of(tables.crossed(drop=drop, scale=scale))


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("scale", [1e-55, 1e-12, 1e12, 1e58])
@pytest.mark.parametrize("drop", [(), (0, 5)], ids=["balanced", "unbalanced"])
def test_any_unit_in_between_gives_finite_numbers(tables: Any, scale: float, drop: Any) -> None:
    plain, scaled = (fit_of(tables.crossed(drop=drop, scale=s))["sd"] for s in (1.0, scale))
    np.testing.assert_allclose(scaled / scale, plain, rtol=1e-9)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    "part",
    ["rig == 'A'", "pad_set == 0", "rig == 'A' and pad_set == 0", "run == 0", "rig != 'C' and pad_set < 2"],
)
def test_one_level_or_one_run_gives_numbers_or_says_what_it_cannot_tell(tables: Any, part: str) -> None:
    """A component is a finite number with finite limits in order, or empty with its name in a note."""
    fit = repeatab.fit_components(tables.crossed().query(part), result="mu", random=TERMS)
    noted = {source for note in fit.notes for source in note.sources}
    for source, row in fit.components.iterrows():
        numbers = row[["variance", "sd", "sd_lower", "sd_upper"]].to_numpy(float)
        if np.isnan(numbers).any():
            assert np.isnan(numbers).all()
            assert source in noted
        else:
            assert np.isfinite(numbers).all()
            assert 0 <= row["sd_lower"] <= row["sd_upper"]


def test_a_difference_of_rigs_far_above_their_scatter_is_refused_or_right(tables: Any) -> None:
    """Rigs a thousand million times apart: sixteen digits leave nothing of repeatability."""
    with pytest.raises(RepeatabError, match="no scatter for repeatability"):
        fit_of(tables.crossed(drop=(0, 5), sds=(1e9, 1.0, 1.0)), random=["pad_set"], fixed=["rig"])
