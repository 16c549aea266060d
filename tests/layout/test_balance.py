"""Which layouts have one analysis of variance (orthogonal block structure: Nelder 1965, Proc. R. Soc. A 283)."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from repeatab.base.errors import LayoutError

TWICE = range(2)
CROSSED = {"random": ["rig", "set", ("rig", "set")]}


def test_crossed_with_repeats(layout_from):
    layout = layout_from(["rig", "set"], product("ABC", range(4), TWICE), **CROSSED)
    assert layout.balanced
    assert layout.relations == ("rig crossed with set",)
    assert str(layout) == "24 results in 12 cells; balanced; rig crossed with set"


def test_crossed_without_repeats(layout_from):
    assert layout_from(["rig", "set"], product("ABC", range(4)), random=["rig", "set"]).balanced


def test_a_missing_cell(layout_from):
    rows = [row for row in product("ABC", range(4), TWICE) if row[:2] != ("B", 2)]
    layout = layout_from(["rig", "set"], rows, **CROSSED)
    assert not layout.balanced
    assert layout.relations == ("rig partly crossed with set",)


def test_one_run_lost(layout_from):
    assert not layout_from(["rig", "set"], list(product("ABC", range(4), TWICE))[:-1], **CROSSED).balanced


def test_proportional_but_unequal_counts_are_not_balanced(layout_from):
    """Sums of squares would be orthogonal, yet no one multiplier fits the expected mean squares."""
    rows = [row for row in product("ABC", range(4), range(4)) if row[0] == "A" or row[2] < 2]
    assert not layout_from(["rig", "set"], rows, **CROSSED).balanced


@pytest.mark.parametrize("reused", [True, False], ids=["labels reused", "labels unique"])
def test_nested(layout_from, reused):
    rows = [(a, b if reused else f"{a}{b}") for a, b, _ in product("ABC", range(4), TWICE)]
    layout = layout_from(["lot", "set"], rows, random=["lot", "set"], nested_in={"set": "lot"})
    assert layout.balanced
    assert layout.random[1].size == 12
    assert layout.relations == ("set nested in lot",)


def test_nested_over_two_levels(layout_from):
    rows = product("AB", range(3), range(2), TWICE)
    layout = layout_from(
        ["mix", "lot", "set"], rows, random=["mix", "lot", "set"], nested_in={"set": "lot", "lot": "mix"}
    )
    assert layout.balanced
    assert [part.size for part in layout.random] == [2, 6, 12]


def test_nested_with_unequal_numbers_of_sets(layout_from):
    rows = [row for row in product("ABC", range(4), TWICE) if row[:2] != ("B", 3)]
    layout = layout_from(["lot", "set"], rows, random=["lot", "set"], nested_in={"set": "lot"})
    assert not layout.balanced


def test_three_way_without_the_top_interaction(layout_from):
    layout = layout_from(
        ["rig", "operator", "set"],
        product("AB", "xyz", range(4)),
        random=["rig", "operator", "set", ("rig", "operator"), ("rig", "set"), ("operator", "set")],
    )
    assert layout.balanced


def test_two_interactions_that_share_a_factor_need_that_factor(layout_from):
    """What the two have in common is the rig; without it their sums of squares overlap."""
    rows = list(product("AB", "xyz", range(4), TWICE))
    factors = ["rig", "operator", "set"]
    terms = [("rig", "operator"), ("rig", "set")]
    assert not layout_from(factors, rows, random=terms).balanced
    assert layout_from(factors, rows, random=["rig", *terms]).balanced


def test_an_incomplete_block_design_is_not_balanced(layout_from):
    """Each pair of rigs meets on equally many sets, and yet sets and rigs are not orthogonal."""
    rows = [(s, rig) for s, pair in enumerate(["AB", "BC", "AC"]) for rig in pair]
    layout = layout_from(["set", "rig"], rows, random=["set", "rig"])
    assert not layout.balanced


def test_a_latin_square_is_balanced(layout_from):
    rows = [(a, b, (a + b) % 3) for a, b in product(range(3), repeat=2)]
    assert layout_from(["rig", "operator", "set"], rows, random=["rig", "operator", "set"]).balanced


def test_mixed_with_fixed_rig(layout_from):
    layout = layout_from(
        ["rig", "set"], product("AB", range(5), TWICE), random=["set", ("rig", "set")], fixed=["rig"]
    )
    assert layout.balanced
    assert layout.fixed.references == (("rig", "A"),)
    assert [column.name for column in layout.fixed.columns] == ["intercept", "rig B"]


def test_covariates_leave_no_balance(layout_from):
    rows = list(product("AB", range(4), TWICE))
    warm = {"temperature": np.linspace(90, 110, len(rows))}
    assert not layout_from(["rig", "set"], rows, warm, random=["rig", "set"]).balanced


def test_a_fixed_factor_with_one_level_leaves_the_rest_balanced(layout_from):
    layout = layout_from(["rig", "set"], product("A", range(5), TWICE), random=["set"], fixed=["rig"])
    assert layout.balanced


def test_an_unbalanced_analysis_is_refused_with_the_way_out(layout_from):
    from repeatab.layout.layout import require_balanced

    layout = layout_from(["rig", "set"], list(product("AB", range(3), TWICE))[:-1], **CROSSED)
    with pytest.raises(LayoutError, match=r"not balanced.*REML"):
        require_balanced(layout)
