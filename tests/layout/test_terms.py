"""Terms: names and tuples in, a model out, and the refusals of what makes no model."""

from __future__ import annotations

import pytest

from repeatab.base.errors import StudyError
from repeatab.layout.terms import model_of


def test_a_tuple_is_the_combination_and_a_nesting_adds_its_parents():
    model = model_of(
        random=["rig", "set", ("rig", "set")],
        fixed=["phase"],
        nested_in={"set": "lot", "lot": ("mix", "plant")},
    )
    assert [term.name for term in model.random] == ["rig", "set", "rig × set"]
    assert model.random[1].keys == {"set", "lot", "mix", "plant"}
    assert model.random[2].keys == {"rig", "set", "lot", "mix", "plant"}
    assert set(model.keys) == {"phase", "rig", "set", "lot", "mix", "plant"}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"random": ["rig", "rig"]}, ["random term 'rig'", "twice"]),
        ({"random": ["rig"], "fixed": ["rig"]}, ["'rig'", "random and as fixed"]),
        ({"random": ["set"], "nested_in": {"set": "lot", "lot": "set"}}, ["nested in itself", "'lot'"]),
        ({"random": [()]}, ["names no factor"]),
        ({"random": [], "fixed": [("rig", "phase")]}, ["'rig × phase'", "'rig', 'phase'", "as fixed too"]),
        (
            {"random": [], "fixed": ["lot", "set"], "nested_in": {"set": "lot"}},
            ["fixed term 'set'", "nested in 'lot'", "label of its own"],
        ),
    ],
)
def test_refusals_name_the_term(options, words):
    with pytest.raises(StudyError) as caught:
        model_of(**options)
    for word in words:
        assert word in str(caught.value)
