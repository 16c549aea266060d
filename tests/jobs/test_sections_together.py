"""Sections of one layout are fitted together: the answer is that of each section by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import repeatab as rb
from repeatab.jobs.levels.comparison import compare_levels
from repeatab.jobs.levels.influence import influence_of
from repeatab.jobs.levels.layout import Surroundings, comparison_layout
from repeatab.jobs.levels.stacks import PLAIN, Fitting
from repeatab.jobs.questions import Analysis, Section

# A search that serves several sections takes as many steps as the slowest of them needs: the optimum then differs by
# what a settled search leaves, the square root of which the variances show.
CLOSE, VARIANCES = 1e-9, 1e-7
NUMBERS = ("estimate", "mean_a", "mean_b", "lower", "upper", "inner_lower", "inner_upper", "p", "alpha")


def table(sets: int = 6, *, missing: bool = False, shared: bool = False, flat: str = "") -> pd.DataFrame:
    """Three rigs, five sections; in two sections a run is missing."""
    rng = np.random.default_rng(3)
    rows = [
        (rig, f"{'' if shared else rig}{k}", section, run)
        for rig in "ABC" for k in range(sets) for section in "vwxyz" for run in range(2)
        if not (missing and section in "wy" and rig == "A" and k == 0 and run == 1)
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["rig", "pad_set", "section", "run"])
    # The rigs take turns in who runs a set first.
    k, rig = frame["pad_set"].str[-1].astype(int), frame["rig"].map("ABC".index)
    frame["run_order"] = 6 * k + 2 * ((rig + k) % 3) + frame["run"]
    frame["mu"] = 0.4 + 0.01 * rng.standard_normal(len(frame)) + 0.02 * (frame["rig"] == "C")
    frame.loc[frame["section"] == flat, "mu"] = 0.4
    return frame


def compared(frame: pd.DataFrame, fitting: Fitting):
    columns = {
        "result": "mu",
        "rig": "rig",
        "pad_set": "pad_set",
        "section": "section",
        "run_order": "run_order",
    }
    results = rb.read_results(frame, columns=columns)
    how = comparison_layout(
        results, factor="rig", pairs=(("A", "B"), ("C", "B")), sections=tuple("vwxyz"), beside=Surroundings()
    )
    margin = rb.Margin(size=5, unit=rb.MarginUnit.PERCENT)
    sections = tuple(Section(name=name, margin=margin, decides=name != "z") for name in "vwxyz")
    found = compare_levels(how, sections, confidence=0.95, analysis=Analysis.DIFFERENCE, fitting=fitting)
    return found, influence_of(found, fitting=fitting)


@pytest.mark.parametrize("case", [{}, {"missing": True}, {"shared": True}, {"flat": "x"}])
def test_sections_together_answer_as_each_by_itself(case: dict[str, object]) -> None:
    frame = table(**case)
    together, without = compared(frame, PLAIN)
    alone, each = compared(frame, replace(PLAIN, apart=lambda section: section.name))
    assert together.verdict is alone.verdict
    assert [claim.section.name for claim in together.claims] == [claim.section.name for claim in alone.claims]
    for one, other in zip(together.claims, alone.claims, strict=True):
        assert (one.verdict, one.qualifier, one.trouble) == (other.verdict, other.qualifier, other.trouble)
        for name in NUMBERS:
            assert getattr(one, name) == pytest.approx(getattr(other, name), rel=CLOSE, nan_ok=True), name
        if one.trouble is None:
            assert one.pooled.fit.variances == pytest.approx(
                other.pooled.fit.variances, rel=VARIANCES, abs=1e-12
            )
    assert len(without) == len(each) > 0
    for left, right in zip(without, each, strict=True):
        assert (left.claim.section.name, left.verdicts) == (right.claim.section.name, right.verdicts)
        assert left.estimates == pytest.approx(right.estimates, rel=CLOSE, nan_ok=True)


def test_a_section_that_cannot_be_fitted_leaves_the_others_their_answer() -> None:
    found, _ = compared(table(flat="x"), PLAIN)
    assert {claim.section.name for claim in found.claims if claim.trouble is not None} == {"x"}
