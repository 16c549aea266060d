"""ISO 22514-7 ratios and the handbook's bias example."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from repeatab.base.errors import InputError
from repeatab.judgement.measurement_process import (
    PROCESS_LIMIT,
    SYSTEM_LIMIT,
    UncertaintyParts,
    bias_of_readings,
    process_capability,
    process_uncertainty,
)


@pytest.fixture(scope="module")
def example(reference_folder):
    # Source: ISO 22514-7:2012, performance ratios and indices; formulas from memory, example recomputed.
    path = reference_folder / "standards" / "capability_ratios.json"
    return json.loads(path.read_text(encoding="utf-8"))["recomputed"]["example"]


def test_measuring_system_of_the_example(example):
    parts = UncertaintyParts(
        calibration=example["u_CAL"], bias=example["bias"], reference_repeatability=example["u_EVR"]
    )
    found = process_capability(parts, example["T"])
    assert parts.u_bias == pytest.approx(example["u_BI"], rel=1e-9)
    assert found.u_ms == pytest.approx(example["u_MS"], rel=1e-9)
    assert found.q_ms == pytest.approx(example["Q_MS_percent"], rel=1e-9)
    assert found.c_ms == pytest.approx(example["C_MS"], rel=1e-9)


@pytest.mark.parametrize(("limit", "share"), [(SYSTEM_LIMIT, 0.0375), (PROCESS_LIMIT, 0.075)])
def test_both_limits_of_a_pair_stand_for_the_same_uncertainty(limit, share):
    # ISO 22514-7: Q_MS = 15 % and C_MS = 1.33 belong together, as do Q_MP = 30 % and C_MP = 1.33 (from
    # memory).
    found = process_capability(UncertaintyParts(reference_repeatability=share), 1.0)
    q, c = (found.q_ms, found.c_ms) if limit == SYSTEM_LIMIT else (found.q_mp, found.c_mp)
    assert q == pytest.approx(limit, rel=1e-12)
    assert c == pytest.approx(4 / 3, rel=1e-12)


def test_only_the_largest_of_the_three_repeatabilities_enters_the_process():
    base = UncertaintyParts(
        reference_repeatability=0.002, object_repeatability=0.005, resolution=0.01, rig=0.003
    )
    assert process_uncertainty(base) == pytest.approx(math.hypot(0.005, 0.003), rel=1e-12)
    coarse = UncertaintyParts(reference_repeatability=0.002, object_repeatability=0.001, resolution=0.01)
    assert process_uncertainty(coarse) == pytest.approx(0.01 / math.sqrt(12), rel=1e-12)


def test_resolution_is_judged_against_a_twentieth_of_the_tolerance():
    # ISO 22514-7: a step of the indication of at most 5 % of the tolerance (from memory).
    assert process_capability(UncertaintyParts(resolution=0.005), 0.1).resolution_is_fine_enough
    assert not process_capability(UncertaintyParts(resolution=0.0051), 0.1).resolution_is_fine_enough


def test_handbook_bias_example(reference_folder):
    # Source: automotive measurement-systems handbook, 4th edition 2010, chapter III B (data from memory).
    folder = reference_folder / "standards"
    case = json.loads((folder / "handbook_bias_example.json").read_text(encoding="utf-8"))
    readings = np.loadtxt(folder / "handbook_bias_example.csv", skiprows=1)
    found = bias_of_readings(readings, 6.0)
    exact, printed = case["recomputed"], case["expected"]["fourth_edition"]
    assert found.value == pytest.approx(exact["bias"], rel=1e-8)
    assert found.sd == pytest.approx(exact["s"], rel=1e-8)
    assert found.t == pytest.approx(exact["t"], rel=1e-8)
    assert [found.interval.lower, found.interval.upper] == pytest.approx(exact["ci95"], abs=1e-8)
    assert found.df == printed["df"]
    assert [found.interval.lower, found.interval.upper] == pytest.approx(printed["ci95"], abs=6e-5)


@pytest.mark.parametrize(
    ("parts", "width", "word"),
    [
        (UncertaintyParts(), 0.0, "width"),
        (UncertaintyParts(rig=-1.0), 1.0, "'rig'"),
        (UncertaintyParts(drift=math.inf), 1.0, "'drift'"),
    ],
)
def test_what_cannot_be_an_uncertainty_is_refused(parts, width, word):
    with pytest.raises(InputError, match=word):
        process_capability(parts, width)
