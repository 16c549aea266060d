"""Which sources of scatter a design tells apart, by the designs a friction laboratory runs.

Facts of the trade (pads are used up; one lot per month) are common practice, no source. Why a mixture is one:
the covariance patterns beside the fixed effects are proportional (Patterson & Thompson 1971, Biometrika 58).
"""

from __future__ import annotations

from itertools import product

import pytest

from repeatab.base.errors import LayoutError, NotSeparableError
from repeatab.base.notes import NoteKind

TWICE = range(2)


def test_a_gauge_study_with_repeats_tells_all_apart(layout_from):
    rows = product("ABC", range(5), TWICE)
    layout = layout_from(["rig", "set"], rows, random=["rig", "set", ("rig", "set")])
    assert layout.mixed_together == ()
    assert layout.separable.absorbed == ()
    assert [layout.sources[i] for i in layout.estimated] == ["rig", "set", "rig × set"]
    assert layout.notes() == ()


def test_no_set_ran_twice(layout_from):
    rows = [(rig, f"{rig}{i}") for rig, i in product("AB", range(4))]
    layout = layout_from(["rig", "set"], rows, random=["rig", "set"])
    assert layout.mixed_together == (("set", "repeatability"),)
    assert [layout.sources[i] for i in layout.estimated] == ["rig"]
    (note,) = layout.notes()
    assert note.kind is NoteKind.MIXED_TOGETHER
    assert note.sources == ("set", "repeatability")
    assert "set and repeatability are one number" in note.text
    assert note.remedy == "Run at least two levels of set twice under the same conditions."


def test_one_set_that_ran_twice_is_enough(layout_from):
    rows = [("A", "1"), ("A", "1"), ("A", "2"), ("A", "3"), ("B", "4"), ("B", "5"), ("B", "6")]
    layout = layout_from(["rig", "set"], rows, random=["rig", "set"])
    assert layout.mixed_together == ()
    assert not layout.balanced


def test_a_faint_separation_is_one(layout_from):
    """Three hundred sets of which one ran twice: hardly any information, and not none."""
    rows = [(str(i),) for i in range(300)] + [("7",)]
    layout = layout_from(["set"], rows, random=["set"])
    assert layout.mixed_together == ()
    assert layout_from(["set"], rows[:300], random=["set"]).mixed_together == (("set", "repeatability"),)


def test_every_set_once_on_every_rig_mixes_the_interaction_with_repeatability(layout_from):
    layout = layout_from(["rig", "set"], product("ABC", range(5)), random=["rig", "set", ("rig", "set")])
    assert layout.mixed_together == (("rig × set", "repeatability"),)
    assert [layout.sources[i] for i in layout.estimated] == ["rig", "set"]
    assert layout.balanced


def test_each_lot_on_its_own_rig(layout_from):
    rows = [(rig, f"lot {rig}", s) for rig, s, _ in product("ABC", range(3), TWICE)]
    layout = layout_from(["rig", "lot", "set"], rows, random=["rig", "lot", ("lot", "set")])
    assert layout.mixed_together == (("rig", "lot"),)
    (note,) = layout.notes()
    assert note.sources == ("rig", "lot")
    assert note.remedy == "Run combinations in which rig and lot do not go together."


def test_each_lot_in_its_own_month_on_its_own_rig_is_a_mixture_of_three(layout_from):
    rows = [(r, r, r, s) for r, s, _ in product("ABC", range(3), TWICE)]
    layout = layout_from(["rig", "lot", "month", "set"], rows, random=["rig", "lot", "month", "set"])
    assert ("rig", "lot", "month") in layout.mixed_together


def test_a_set_used_up_on_one_rig_is_its_own_interaction(layout_from):
    rows = [(rig, f"{rig}{i}") for rig, i, _ in product("AB", range(3), TWICE)]
    layout = layout_from(["rig", "set"], rows, random=["rig", "set", ("rig", "set")])
    assert layout.mixed_together == (("set", "rig × set"),)
    assert "the same set at several levels of rig" in layout.notes()[0].remedy


def test_a_set_used_up_in_one_run_mixes_three_sources(layout_from):
    rows = [(rig, f"{rig}{i}") for rig, i in product("AB", range(4))]
    layout = layout_from(["rig", "set"], rows, random=["rig", "set", ("rig", "set")])
    assert layout.mixed_together == (("set", "rig × set", "repeatability"),)
    remedy = layout.notes()[0].remedy
    assert "several levels of rig" in remedy
    assert "twice under the same conditions" in remedy


def test_two_mixtures_at_once_are_kept_apart(layout_from):
    rows = [(r, r, f"{r}{i}") for r, i in product("ABC", range(4))]
    layout = layout_from(["rig", "month", "set"], rows, random=["rig", "month", "set"])
    assert set(layout.mixed_together) == {("rig", "month"), ("set", "repeatability")}
    assert len(layout.notes()) == 2


def test_a_random_lot_leaves_no_trace_beside_a_fixed_rig_that_goes_with_it(layout_from):
    rows = [(rig, f"lot {rig}", f"{rig}{i}") for rig, i, _ in product("AB", range(3), TWICE)]
    layout = layout_from(["rig", "lot", "set"], rows, random=["lot", "set"], fixed=["rig"])
    assert [layout.sources[i] for i in layout.separable.absorbed] == ["lot"]
    assert [layout.sources[i] for i in layout.estimated] == ["set"]
    assert not layout.balanced  # an F test of the rig would leave the lot out without saying so
    (note,) = layout.notes()
    assert note.sources == ("lot",)
    assert "no trace" in note.text
    assert note.remedy == "Run several levels of lot within each level that is compared."


def test_lots_within_a_fixed_rig_leave_their_trace_from_two_on(layout_from):
    rows = [(r, f"{r}{k}", f"{r}{k}{i}") for r, k, i, _ in product("AB", range(2), range(3), TWICE)]
    layout = layout_from(["rig", "lot", "set"], rows, random=["lot", "set"], fixed=["rig"])
    assert layout.separable.absorbed == ()
    assert layout.balanced


def test_a_factor_with_one_level(layout_from):
    layout = layout_from(["rig", "set"], product("A", range(4), TWICE), random=["rig", "set"])
    assert [layout.sources[i] for i in layout.separable.absorbed] == ["rig"]
    (note,) = layout.notes()
    assert "one level" in note.text
    assert note.remedy == "Run at least two levels of rig."
    assert layout.balanced  # nothing of it is left to disturb the others


def test_a_partly_crossed_chain_of_rigs_tells_all_apart(layout_from):
    """Sets shared by neighbouring rigs only; the smallest design of a round robin with travelling sets."""
    rows = [("A", 1), ("A", 2), ("B", 2), ("B", 3), ("C", 3), ("C", 1)] * 2
    layout = layout_from(["rig", "set"], rows, random=["rig", "set"])
    assert layout.mixed_together == ()
    assert not layout.balanced
    assert layout.relations == ("rig partly crossed with set",)


def test_a_covariate_that_goes_with_two_rigs_takes_the_rig_up(layout_from):
    rows = list(product("AB", range(4), TWICE))
    temperature = [100.0 if rig == "A" else 120.0 for rig, *_ in rows]
    layout = layout_from(["rig", "set"], rows, {"temperature": temperature}, random=["rig", "set"])
    assert [layout.sources[i] for i in layout.separable.absorbed] == ["rig"]


def test_a_covariate_that_follows_from_a_fixed_effect_is_refused(layout_from):
    rows = list(product("AB", range(4), TWICE))
    temperature = [100.0 if rig == "A" else 120.0 for rig, *_ in rows]
    with pytest.raises(NotSeparableError, match=r"covariate 'temperature' cannot be told from 'rig B'"):
        layout_from(["rig", "set"], rows, {"temperature": temperature}, random=["set"], fixed=["rig"])


def test_two_covariates_that_say_the_same_are_refused(layout_from):
    rows = list(product("AB", range(4)))
    celsius = [100.0 + i for i in range(8)]
    kelvin = [c + 273.15 for c in celsius]
    with pytest.raises(NotSeparableError, match="covariate 'kelvin' cannot be told from 'celsius'"):
        layout_from(["rig", "set"], rows, {"celsius": celsius, "kelvin": kelvin}, random=["set"])


def test_fixed_effects_that_go_together_are_refused_by_name(layout_from):
    rows = [(rig, f"lot {rig}") for rig, _ in product("AB", range(3))]
    with pytest.raises(NotSeparableError) as caught:
        layout_from(["rig", "lot"], rows, random=[], fixed=["rig", "lot"])
    for part in ("'lot lot B'", "rig B", "separate them"):
        assert part in str(caught.value)


def test_more_fixed_numbers_than_results_are_refused(layout_from):
    with pytest.raises(LayoutError, match=r"2 result\(s\) for 2 fixed"):
        layout_from(["rig"], [("A",), ("B",)], random=[], fixed=["rig"])


def test_the_group_is_named_in_a_refusal():
    from repeatab.cells import cells_of_arrays
    from repeatab.estimation.components import fit_cells
    from repeatab.layout.terms import model_of

    cells = cells_of_arrays(
        {"section": ["cold"] * 4 + ["hot"] * 2, "rig": list("AABBAB")}, {"mu": [1.0, 2, 3, 4, 5, 6]}
    )
    with pytest.raises(LayoutError, match=r"^section hot: the data hold 2"):
        fit_cells(cells, model_of(random=[], fixed=["rig"]), by=["section"])
