"""The short way to what is separable in a balanced layout against the traces that decide everywhere else."""

from __future__ import annotations

from itertools import product

import pytest

from repeatab.layout.balance import all_told_apart, is_balanced
from repeatab.layout.separability import separability

DESIGNS = {
    "crossed": ({"rig": 3, "set": 4}, 2, {"random": ["rig", "set", ("rig", "set")]}),
    "crossed, no repeats": ({"rig": 3, "set": 4}, 1, {"random": ["rig", "set", ("rig", "set")]}),
    "crossed without interaction": ({"rig": 3, "set": 4}, 1, {"random": ["rig", "set"]}),
    "nested": ({"lot": 3, "set": 4}, 2, {"random": ["lot", ("lot", "set")]}),
    "one level": ({"rig": 1, "set": 4}, 2, {"random": ["rig", "set"]}),
    "fixed": ({"rig": 2, "set": 4}, 2, {"random": ["set", ("rig", "set")], "fixed": ["rig"]}),
    "fixed and random alike": ({"rig": 2, "set": 4}, 2, {"random": [("rig", "set")], "fixed": ["rig", "set"]}),
    "three crossed": (
        {"rig": 2, "set": 3, "day": 3}, 2,
        {"random": ["rig", "set", "day", ("rig", "set"), ("rig", "day"), ("set", "day")]},
    ),
    "saturated": ({"rig": 3, "set": 4}, 1, {"random": [("rig", "set")]}),
}  # fmt: skip


@pytest.mark.parametrize("name", DESIGNS)
def test_short_way_agrees_with_the_traces(name, layout_from):
    sizes, repeats, terms = DESIGNS[name]
    rows = [row for row in product(*(range(n) for n in sizes.values())) for _ in range(repeats)]
    layout = layout_from(list(sizes), rows, **terms)
    columns, count = layout.fixed.matrix, layout.count
    found = separability(layout.random, count, columns, (columns * count[:, None]).T @ columns)
    assert layout.separable == found
    if is_balanced(layout.terms, count):
        short = all_told_apart(layout.terms, len(layout.fixed_terms), count)
        assert short is (len(found.alone) == len(layout.random) + 1)
