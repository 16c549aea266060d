"""Mean squares, counts and limits against fractions and 50-digit arithmetic. The tables are invented."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import mpmath as mp
import numpy as np
import pandas as pd
import pytest

import repeatab
from repeatab.cells import reduce_to_cells

TERMS = ["rig", "pad_set", ("rig", "pad_set")]


@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e6])
@pytest.mark.parametrize("offset", [0.0, 0.4, 1e6, 1e12], ids=["0", "0.4", "1e6", "1e12"])
def test_sums_of_squares_are_those_of_the_doubles_as_they_stand(
    offset: float, scale: float, tables: Any, exact: Any
) -> None:
    """At an offset of 1e12 the doubles are 1e-4 apart; their sums of squares are exact numbers all the same."""
    frame = tables.crossed(
        offset=offset, scale=scale, sds=(0.2, 0.1, 0.05) if offset > 1e9 else (0.02, 0.01, 0.005)
    )
    fit = repeatab.fit_components(frame, result="mu", random=TERMS, method="anova")
    found = fit.anova.set_index("source")
    for name, (ss, df) in exact.crossed_mean_squares(frame, "rig", "pad_set").items():
        assert found.loc[name, "df"] == df
        # Seen: 4e-13 at 1e12, 1e-15 at 0.4.
        assert abs(Fraction(float(found.loc[name, "ss"])) - ss) <= Fraction(1, 10**11) * ss


@pytest.mark.parametrize(("level", "scale"), [("0.90", 1.0), ("0.95", 1e-6), ("0.99", 1e6)])
def test_limits_of_components_agree_with_fifty_digits(
    level: str, scale: float, tables: Any, exact: Any
) -> None:
    """Chi-square for repeatability, modified large-sample for a difference of two mean squares."""
    frame = tables.crossed(scale=scale, seed=3, sets=5)
    fit = repeatab.fit_components(frame, result="mu", random=TERMS, method="anova", level=float(level))
    table = exact.crossed_mean_squares(frame, "rig", "pad_set")
    tail = (1 - mp.mpf(level)) / 2
    ss, df = table["repeatability"]
    for column, p in (("sd_lower", 1 - tail), ("sd_upper", tail)):
        wanted = mp.sqrt(mp.mpf(ss.numerator) / ss.denominator / exact.chi_square_quantile(p, df))
        assert abs(fit.components.loc["repeatability", column] - wanted) <= 1e-12 * wanted
    (within, m), rows_per_rig = table["rig × pad_set"], len(frame) // 3
    rig, n = table["rig"]
    lower, upper = exact.difference_limits(rig / n, n, within / m, m, rows_per_rig, level)
    assert rig / n > within / m  # the limits of an estimate below zero are formed another way
    for column, wanted in (("sd_lower", lower), ("sd_upper", upper)):
        value = mp.sqrt(max(wanted, 0))
        assert abs(fit.components.loc["rig", column] - value) <= 1e-9 * mp.sqrt(upper)


def test_a_million_rows_to_a_cell() -> None:
    """Whole numbers of 2^-20 about a million: the sum of squares is known exactly."""
    rng = np.random.default_rng(9)
    ticks = rng.integers(-4000, 4000, size=1_000_000)
    frame = pd.DataFrame({"rig": "A", "mu": 1e6 + ticks / 2**20})
    cells = reduce_to_cells(frame, result="mu", factors=["rig"])
    n, total, squares = len(ticks), int(ticks.sum()), int((ticks.astype(np.int64) ** 2).sum())
    ss = (Fraction(squares) - Fraction(total * total, n)) / 2**40
    assert int(cells.count[0]) == n
    assert abs(Fraction(float(cells.cross[0, 0, 0])) - ss) <= Fraction(1, 10**12) * ss
    mean = Fraction(10**6) + Fraction(total, n) / 2**20
    assert abs(Fraction(float(cells.mean[0, 0] + cells.shift[0])) - mean) <= Fraction(1, 10**15) * mean


def test_twenty_thousand_rows_to_a_cell_beside_a_single_one() -> None:
    """A rig that ran once beside one that ran 20,000 times: weights over four orders of magnitude.

    Two rigs at random are one difference, so REML has a closed form: the variance of that difference less what
    repeatability explains of it.
    """
    rng = np.random.default_rng(10)
    many = 1e6 + rng.integers(-4000, 4000, size=20_000) / 2**10
    frame = pd.DataFrame({"rig": ["A"] * len(many) + ["B"], "mu": [*many, 1e6 + 64.0]})
    fit = repeatab.fit_components(frame, result="mu", random=["rig"], method="reml")
    exactly = [Fraction(float(value)) for value in many]
    mean = sum(exactly, Fraction(0)) / len(exactly)
    within = sum(((value - mean) ** 2 for value in exactly), Fraction(0)) / (len(exactly) - 1)
    between = ((Fraction(10**6) + 64 - mean) ** 2 - within * (1 + Fraction(1, len(exactly)))) / 2
    found = fit.components["variance"]
    assert found["repeatability"] == pytest.approx(float(within), rel=1e-9)
    assert found["rig"] == pytest.approx(float(between), rel=1e-9)
