"""Another unit or another zero changes nothing but the unit and the zero: verdicts stay, numbers follow to 1e-9.

Property tests on invented results; the estimators have theirs in tests/estimation/test_estimator_properties.py.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import repeatab as rb
from repeatab.base.quantity import TORQUE
from repeatab.control.limits import individual_limits
from repeatab.interlab.level import LevelCells
from repeatab.interlab.precision import precision

# Results to three decimals, as a rig gives them; scales in steps of a decade and others, over twelve decades.
VALUES = st.integers(300, 500).map(lambda v: v / 1000)
SCALES = st.sampled_from([1e-6, 1e-3, 0.37, 1.0, 9.81, 1e3, 1e6])
FEW = settings(max_examples=8)


def near(found: float | None, wanted: float | None, size: float) -> bool:
    """To 1e-9 of the value, or of the scatter about it where it may be zero itself."""
    if found is None or wanted is None:
        return found is wanted
    return abs(found - wanted) <= 1e-9 * max(abs(wanted), size)


def compared(values: np.ndarray, *, margin: float) -> Any:
    half = len(values) // 2
    frame = pd.DataFrame(
        {
            "rig": ["A"] * half + ["B"] * half,
            "pad_set": range(2 * half),
            "result": values,
            "order": range(2 * half),
        }
    )
    return rb.compare_rigs(frame, rig="A", reference_rig="B", margin=margin, quantity=TORQUE)


@pytest.mark.full
@FEW
@given(values=st.lists(VALUES, min_size=12, max_size=12, unique=True), factor=SCALES)
def test_a_comparison_of_rigs_in_another_unit(values: list[float], factor: float) -> None:
    # Torque is plausible from 0 to 20,000 N m: results of some hundred, and a thousandth to ten times that.
    base = np.array(values) * 1e3
    scale = min(max(factor, 1e-3), 10.0)
    plain, scaled = compared(base, margin=20.0), compared(base * scale, margin=20.0 * scale)
    assert scaled.headline.verdict is plain.headline.verdict
    assert scaled.headline.qualifier is plain.headline.qualifier
    numbers, size = dict(plain.numbers), float(base.std()) * scale
    for name, value in dict(scaled.numbers).items():
        wanted = numbers[name]
        unitless = name.rpartition(": ")[2] in ("p", "df")
        if not unitless and wanted is not None:
            wanted *= scale
        assert near(value, wanted, 1e-3 if unitless else size), name


@pytest.mark.full
@FEW
@given(values=st.lists(VALUES, min_size=12, max_size=12, unique=True), shift=st.sampled_from([0.0, 1e3, 1e4]))
def test_a_comparison_of_rigs_with_another_zero(values: list[float], shift: float) -> None:
    base = np.array(values) * 1e3
    plain, moved = compared(base, margin=20.0), compared(base + shift, margin=20.0)
    assert moved.headline.verdict is plain.headline.verdict
    numbers = dict(plain.numbers)
    for name, value in dict(moved.numbers).items():
        assert near(value, numbers[name], float(base.std())), name


@pytest.mark.parametrize("shift", [0.0, 1e3])
@FEW
@given(
    values=st.lists(st.lists(VALUES, min_size=3, max_size=3, unique=True), min_size=4, max_size=7),
    factor=SCALES,
)
def test_precision_over_laboratories(shift: float, values: list[list[float]], factor: float) -> None:
    def found(scale: float, zero: float) -> Any:
        cells = {f"L{at}": [scale * (v + zero) for v in cell] for at, cell in enumerate(values)}
        return precision(LevelCells.from_results(level="x", results=cells))

    plain, other = found(1.0, shift), found(factor, shift)
    assert near(other.mean, factor * plain.mean, 0.0)
    for name in ("s_r", "s_L", "s_R"):
        assert near(getattr(other, name), factor * getattr(plain, name), factor * 1e-3 * max(shift, 1)), name
        for end in ("lower", "upper"):
            one, two = (getattr(getattr(p, f"{name}_interval"), end) for p in (other, plain))
            assert near(one, factor * two, factor * 1e-3 * max(shift, 1)), (name, end)


@FEW
@given(
    values=st.lists(VALUES, min_size=25, max_size=25, unique=True),
    factor=SCALES,
    shift=st.sampled_from([0.0, 1e3]),
)
def test_limits_of_a_chart(values: list[float], factor: float, shift: float) -> None:
    plain = individual_limits(np.array(values))
    other = individual_limits(factor * (np.array(values) + shift))
    size = factor * float(np.std(values)) * max(shift, 1.0)
    for name in ("centre", "lower", "upper"):
        wanted = factor * (getattr(plain, name) + shift)
        assert near(getattr(other, name), wanted, size), name
    assert near(other.sd, factor * plain.sd, size)
