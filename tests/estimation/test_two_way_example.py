"""A published two-way crossed analysis: five machines, two coolants, five repeats.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, 3.2.3.2.1 (data and table from memory; all sums of squares
reproduced). The table prints three digits; the recomputed ones carry ten.
"""

from __future__ import annotations

import json

import pandas as pd
import pytest

import repeatab

NAMES = {
    "machine": "machine",
    "coolant": "coolant",
    "machine × coolant": "interaction",
    "repeatability": "residual",
}


@pytest.fixture(scope="module")
def example(reference_folder):
    folder = reference_folder / "standards"
    return (
        pd.read_csv(folder / "anova_two_way_crossed.csv", dtype={"machine": str, "coolant": str}),
        json.loads((folder / "anova_two_way_crossed.json").read_text(encoding="utf-8")),
    )


def tables(frame):
    """As printed, both factors fixed and tested against the residual; and the same sums with both random."""
    terms = ["machine", "coolant", ("machine", "coolant")]
    fixed = repeatab.fit_components(frame, result="diameter", random=[], fixed=terms)
    random = repeatab.fit_components(frame, result="diameter", random=terms)
    return fixed.anova.set_index("source"), random.anova.set_index("source")


def test_sums_of_squares_and_degrees_of_freedom(example):
    frame, published = example
    for table in tables(frame):
        for ours, theirs in NAMES.items():
            row = table.loc[ours]
            assert row["df"] == published["expected"]["df"][theirs]
            # The table prints 3.03e-4 and 1.468e-5: half a unit of its last digit.
            assert row["ss"] == pytest.approx(published["expected"]["ss"][theirs], rel=2e-3)
            assert row["ss"] == pytest.approx(published["recomputed"]["ss"][theirs], rel=1e-9)


def test_f_of_the_fixed_analysis(example):
    frame, published = example
    table, _ = tables(frame)
    for ours, theirs in NAMES.items():
        if theirs in published["expected"]["F"]:
            assert table.loc[ours, "f"] == pytest.approx(published["expected"]["F"][theirs], abs=0.05)
            assert table.loc[ours, "f"] == pytest.approx(published["recomputed"]["F"][theirs], rel=1e-9)


def test_random_factors_are_tested_against_the_interaction(example):
    """Expected mean squares (Searle, Casella & McCulloch 1992, ch. 4): another denominator, another F."""
    frame, _ = example
    _, table = tables(frame)
    for source in ("machine", "coolant"):
        assert table.loc[source, "f"] == pytest.approx(
            table.loc[source, "ms"] / table.loc["machine × coolant", "ms"], rel=1e-12
        )
