"""A look is taken at the same number of sets on every level, so that none can be taken twice.

The rule follows from the definition of a look (Lan & DeMets 1983, Biometrika 70, 659-663): the rate of a look is spent
once.
"""

from __future__ import annotations

import pytest

from repeatab.jobs.levels.looks import look_of_levels


def state(a: int, b: int):
    return look_of_levels(
        (4, 8), {"R1": a, "R2": b}, counted="pad sets per rig", have_run="some", confidence=0.95
    )


@pytest.mark.parametrize(("number", "position"), [(4, 0), (8, 1)])
def test_equal_numbers_at_a_declared_number_are_that_look(number, position):
    assert state(number, number).position == position
    assert not state(number, number).between


@pytest.mark.parametrize(("a", "b"), [(4, 5), (7, 4), (8, 7), (3, 4)])
def test_a_level_that_stands_still_brings_no_second_judgement(a, b):
    found = state(a, b)
    assert found.between
    assert "same number" in found.sentence
    assert ("R1" if a < b else "R2") in found.sentence


def test_sets_beyond_the_last_look_on_one_level_are_to_be_left_out():
    found = state(8, 9)
    assert found.between
    assert found.coming is None
    assert "leave out what was run last" in found.sentence
