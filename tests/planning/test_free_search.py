"""The free search against optimal designs that are known in closed form or from published tables."""

from __future__ import annotations

from collections import Counter
from itertools import combinations, combinations_with_replacement

import numpy as np
import pytest

from repeatab.planning.cost import HourCosts, Limits, hours_of
from repeatab.planning.exchange import Criterion
from repeatab.planning.free_search import (
    Combination,
    Course,
    Search,
    SetScatter,
    _values,
    combined_runs,
    courses,
    search,
)

FREE = HourCosts(run=1.0)


def what(
    levels, pairs, *, scatter, limits=None, rigs=(), costs=FREE, criterion=Criterion.CONTRASTS, repeats=True
):
    limits = limits or Limits()
    return Search(
        courses=courses(levels, rigs, limits, repeats=repeats), pairs=tuple(pairs), scatter=scatter, costs=costs,
        limits=limits, criterion=criterion,
    )  # fmt: skip


def taken(asked, found):
    return {asked.courses[i].levels: int(n) for i, n in enumerate(found.counts) if n}


@pytest.mark.parametrize(("others", "own", "reference"), [(1, 12, 12), (4, 8, 16), (9, 4, 12)])
def test_comparisons_with_a_reference_give_it_the_root_of_the_number_of_the_others(others, own, reference):
    # Dunnett (1955), J. Am. Stat. Assoc. 50, 1096-1121, section 5: n_0 / n = sqrt(k) for k comparisons with a control.
    levels = ("ref", *(f"L{i}" for i in range(others)))
    asked = what(
        levels, [(one, "ref") for one in levels[1:]], scatter=SetScatter(pad_set=1, rig_by_set=0, run=0),
        repeats=False, limits=Limits(runs_per_set=1),
    )  # fmt: skip
    found = search(asked, hours=others * own + reference, seed=1)
    assert taken(asked, found) == {("ref",): reference, **{(one,): own for one in levels[1:]}}


@pytest.mark.parametrize("criterion", list(Criterion))
def test_two_rigs_where_sets_scatter_most_give_the_cross_over_in_both_orders(criterion):
    # Two runs to a set, linear wear: half the sets in each order (Grizzle 1965, Biometrics 21, 467-480).
    asked = what(
        "AB", [("A", "B")], scatter=SetScatter(pad_set=25, rig_by_set=0, run=1), criterion=criterion,
        limits=Limits(sets=8, runs_per_set=2),
    )  # fmt: skip
    assert taken(asked, search(asked, hours=16, seed=2)) == {("A", "B"): 4, ("B", "A"): 4}


def test_three_runs_to_a_set_leave_no_trace_of_wear():
    # With the sets taken out a set of two runs on one rig and one on the other holds 2/3 of the information of a run on
    # each of two rigs free of anything else; that is reached where the linear trend is orthogonal to the rigs
    # (Cox 1951, Biometrika 38, 312-323), so that the mean place of both rigs is the same.
    asked = what(
        "AB",
        [("A", "B")],
        scatter=SetScatter(pad_set=400, rig_by_set=0, run=1),
        limits=Limits(sets=6, runs_per_set=3),
    )
    found = search(asked, hours=18, seed=3)
    assert found.value == pytest.approx(1 / (6 * 2 / 3), rel=1e-3)
    places = {
        rig: [run.place for run in combined_runs(asked, found).runs if run.level == rig] for rig in "AB"
    }
    assert np.mean(places["A"]) == np.mean(places["B"])
    assert {len(set(course)) for course in taken(asked, found)} == {2}


@pytest.mark.parametrize(("rigs", "sets"), [("ABC", 6), ("ABCD", 12)])
def test_more_rigs_than_runs_to_a_set_give_balanced_incomplete_blocks(rigs, sets):
    # Cochran & Cox (1957), Experimental Designs, table 11.3: all pairs together equally often.
    asked = what(
        rigs, combinations(rigs, 2), scatter=SetScatter(pad_set=100, rig_by_set=0, run=1),
        limits=Limits(sets=sets, runs_per_set=2),
    )  # fmt: skip
    found = taken(asked, search(asked, hours=2 * sets, seed=4))
    together = Counter()
    for course, number in found.items():
        together[frozenset(course)] += number
    assert together == {
        frozenset(p): sets * 2 // (len(rigs) * (len(rigs) - 1)) for p in combinations(rigs, 2)
    }
    # And every rig as often in the first place as in the second, so that wear falls on all alike.
    first = Counter()
    for course, number in found.items():
        first[course[0]] += number
    assert first == dict.fromkeys(rigs, sets // len(rigs))


def test_the_best_split_of_hours_between_sets_and_repeats_is_cochran_s():
    # Cochran (1977), Sampling Techniques, section 10.6: no plan has a smaller variance of a mean than
    # (sqrt(c_set v_set) + sqrt(c_run v_run))^2 / budget, reached at sqrt(c_set v_run / (c_run v_set)) = 4 runs.
    costs = HourCosts(run=1.0, set=8.0)
    asked = what(
        "AB",
        [("A", "B")],
        scatter=SetScatter(pad_set=1, rig_by_set=0, run=2),
        costs=costs,
        limits=Limits(stays=True),
    )
    found = search(asked, hours=480, seed=5)
    bound = 2 * (np.sqrt(8) + np.sqrt(2)) ** 2 / 240
    assert bound * (1 - 1e-6) <= found.value <= bound * 1.01
    mean_runs = sum(len(course) * n for course, n in taken(asked, found).items()) / found.counts.sum()
    assert mean_runs == pytest.approx(4, abs=0.5)


@pytest.mark.parametrize("criterion", list(Criterion))
@pytest.mark.parametrize("ratio", [0.2, 5.0])
def test_nothing_of_all_combinations_is_better_than_the_one_found(criterion, ratio):
    """Every combination of five sets of up to two runs, counted out."""
    asked = what(
        "AB", [("A", "B")], scatter=SetScatter(pad_set=ratio, rig_by_set=0.3, run=1), criterion=criterion,
        limits=Limits(sets=5, runs_per_set=2), costs=HourCosts(run=1.0, set=1.0, change_over=0.5),
    )  # fmt: skip
    hours, pieces = 15.0, asked.information()
    weight = asked.contrasts(pieces.shape[1])
    best = np.inf
    cost = np.array([course.hours(asked.costs) for course in asked.courses])
    for chosen in combinations_with_replacement(range(len(asked.courses)), 5):
        counts = np.bincount(chosen, minlength=len(asked.courses))
        if counts @ cost <= hours:
            value = _values(np.tensordot(counts, pieces, 1)[None], weight, criterion)[0]
            best = min(best, value)
    assert search(asked, hours=hours, starts=12, seed=6).value <= best + 1e-9 * abs(best)


def test_limits_are_kept():
    limits = Limits(sets=9, sets_of={"A": 3}, runs_per_set=2, days=4, hours_per_day=5.0, stays=True)
    asked = what("AB", [("A", "B")], scatter=SetScatter(pad_set=1, rig_by_set=0, run=1), limits=limits)
    found = search(asked, hours=100, seed=7)
    runs = combined_runs(asked, found)
    assert runs.sets_by_level["A"] <= 3
    assert runs.sets <= 9
    assert max(len(own) for own in runs.runs_by_set.values()) <= 2
    assert max(Counter(run.where for run in runs.runs).values()) <= 20
    assert hours_of(runs, FREE) == pytest.approx(found.counts @ [c.hours(FREE) for c in asked.courses])


def test_rigs_beside_the_lots_are_filled_evenly():
    asked = what(
        ("L1", "L2"), [("L1", "L2")], rigs=("R1", "R2"), scatter=SetScatter(pad_set=1, rig_by_set=0, run=0),
        repeats=False,
    )  # fmt: skip
    runs = combined_runs(asked, search(asked, hours=8, seed=8)).runs
    assert Counter((run.level, run.rig) for run in runs) == {
        (a, r): 2 for a in ("L1", "L2") for r in ("R1", "R2")
    }


def test_what_cannot_be_told_is_not_offered():
    asked = what(
        "AB", [("A", "B")], scatter=SetScatter(pad_set=1, rig_by_set=0, run=1), limits=Limits(sets=1)
    )
    assert search(asked, hours=1.0, seed=9) is None
    assert isinstance(search(asked, hours=9.0, seed=9), Combination | None)
    assert (
        Course(levels=("A", "A", "B"), rigs=("A", "A", "B")).hours(HourCosts(run=1, set=2, change_over=4))
        == 13
    )
