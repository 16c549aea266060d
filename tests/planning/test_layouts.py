"""Layouts, costs, run sheets and the exchange search against known optimal designs."""

from __future__ import annotations

from collections import Counter
from itertools import combinations, pairwise, product

import numpy as np
import pytest

from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.planning.contrast_information import contrast_information
from repeatab.planning.cost import (
    HourCosts,
    Limits,
    busiest_hours,
    front,
    hours_of,
    why_not,
)
from repeatab.planning.exchange import Criterion, blocks_of_treatments, criterion_value, exchange
from repeatab.planning.layouts import NAMED, LayoutKind, balanced_orders, laid_out, on_rigs
from repeatab.planning.run_sheet import run_sheet
from repeatab.simulate import planned_block

COLUMNS = {"rig": "level", "pad_set": "pad_set"}


def pair_counts(plan):
    """How many sets every two levels share."""
    levels = {name: sorted({run.level for run in runs}) for name, runs in plan.runs_by_set.items()}
    return Counter(pair for own in levels.values() for pair in combinations(own, 2))


# --- exchange --------------------------------------------------------------------------------------------------


# Balanced incomplete block designs that exist: Cochran & Cox (1957), Experimental Designs, table 11.3.
@pytest.mark.parametrize(
    ("t", "b", "k", "together"), [(4, 6, 2, 1), (3, 3, 2, 1), (7, 7, 3, 1), (5, 10, 3, 3), (6, 10, 3, 2)]
)
@pytest.mark.parametrize("criterion", list(Criterion))
def test_the_search_finds_balanced_incomplete_blocks(t, b, k, together, criterion):
    blocks = blocks_of_treatments(t, b, k, seed=4, criterion=criterion)
    counts = Counter(tuple(sorted(pair)) for block in blocks for pair in combinations(block, 2))
    assert counts == dict.fromkeys(combinations(range(t), 2), together)


# Row-column designs that exist: Youden squares (Cochran & Cox 1957, Experimental Designs, ch. 13) with the variance
# 2 k / (lambda t) of every difference; a Latin square where places are as many as treatments (2 / t).
@pytest.mark.parametrize(("t", "k", "variance"), [(3, 2, 4 / 3), (4, 3, 3 / 4), (7, 3, 6 / 7), (4, 4, 2 / 4)])
@pytest.mark.parametrize("criterion", list(Criterion))
def test_sets_and_places_as_rows_and_columns_give_youden_squares(t, k, variance, criterion):
    sets, places = np.repeat(np.arange(t), k), np.tile(np.arange(k), t)
    nuisance = np.concatenate([np.eye(t)[sets], np.eye(k)[places]], axis=1)
    found = exchange(nuisance, t, seed=1, starts=4, criterion=criterion)
    grid = found.treatment.reshape(t, k)
    pairs = Counter(tuple(sorted(pair)) for row in grid.tolist() for pair in combinations(row, 2))
    assert len(set(pairs.values())) == 1
    assert len(pairs) == t * (t - 1) // 2
    # Every treatment once in every place.
    assert all(sorted(column) == list(range(t)) for column in grid.T.tolist())
    left = np.eye(t * k) - nuisance @ np.linalg.pinv(nuisance)
    assert criterion_value(left, found.treatment, t, Criterion.CONTRASTS) == pytest.approx(variance)


def test_no_assignment_of_a_small_design_is_better_than_the_one_found():
    nuisance = np.eye(3)[np.repeat(range(3), 2)]
    left = np.eye(6) - nuisance @ np.linalg.pinv(nuisance)
    every = min(
        criterion_value(left, np.array(a), 3, Criterion.CONTRASTS) for a in product(range(3), repeat=6)
    )
    assert exchange(nuisance, 3, seed=2).value == pytest.approx(every)


def test_two_rigs_and_sets_that_run_twice_give_the_cross_over_with_alternating_orders():
    # Runs of 6 sets in places 1 and 2; the best design has every set on both rigs, half in each order.
    sets, places = np.repeat(range(6), 2), np.tile([0, 1], 6)
    nuisance = np.concatenate([np.eye(6)[sets], np.eye(2)[places]], axis=1)
    found = exchange(nuisance, 2, seed=5).treatment.reshape(6, 2)
    assert Counter(map(tuple, found.tolist())) == {(0, 1): 3, (1, 0): 3}


def test_neighbours_in_time_that_resemble_each_other_give_alternation():
    # Autocorrelated results in one row: the best allocation of two treatments is as alternating as it can be
    # (Kiefer & Wynn 1984, Ann. Statist. 12, 737-757: neighbours should differ where correlation is positive).
    lag = np.abs(np.subtract.outer(np.arange(8), np.arange(8)))
    found = exchange(np.ones((8, 1)), 2, covariance=0.6**lag, seed=1).treatment
    assert (np.diff(found) != 0).sum() >= 6
    assert found.sum() == 4


@pytest.mark.parametrize("levels", [2, 3, 4, 5, 6])
def test_orders_are_balanced_for_place_and_for_what_ran_before(levels):
    orders = balanced_orders(levels)
    each = len(orders) // levels
    assert Counter((place, k) for o in orders for place, k in enumerate(o)) == dict.fromkeys(
        product(range(levels), repeat=2), each
    )
    follows = Counter(pair for o in orders for pair in pairwise(o))
    assert set(follows.values()) == {each}
    assert len(follows) == levels * (levels - 1)


# --- costs -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ratio", [2.25, 4.0, 9.0])
def test_the_best_number_of_repeats_is_the_root_of_the_ratio_of_costs_and_components(ratio):
    # Cochran (1977), Sampling Techniques, 3rd ed., eq. 10.26: m = sqrt(c_set var_run / (c_run var_set)) runs of a set
    # give the smallest variance for the hours; here of the difference between two rigs, each with sets of its own.
    costs = HourCosts(run=1.0, set=4.0 * ratio)
    model = model_of(random=["pad_set"], fixed=["rig"])

    def hours_times_variance(runs):
        plan = laid_out(LayoutKind.NESTED, ["A", "B"], 4, runs)
        block = planned_block({name: [getattr(r, at) for r in plan.runs] for name, at in COLUMNS.items()})
        found = contrast_information(block, layout_of(block, model), np.array([1.0, 1.0]), "rig", "A", "B")
        return hours_of(plan, costs) * found.se**2

    assert min(range(2, 10), key=hours_times_variance) == round(2 * np.sqrt(ratio))


def test_the_front_holds_what_nothing_beats():
    plans = [(1, 0.2), (2, 0.1), (2, 0.5), (3, 0.5), (4, 0.9)]
    assert front(plans, lambda p: p[0], lambda p: p[1]) == ((1, 0.2), (2, 0.5), (4, 0.9))


def test_hours_count_runs_sets_and_change_overs():
    costs = HourCosts(run=5.0, set=2.0, change_over=0.5)
    assert hours_of(laid_out(LayoutKind.SPLIT_LOT, ["A", "B"], 3), costs) == 6 * 5 + 6 * 2 + 6 * 0.5
    assert hours_of(laid_out(LayoutKind.CROSSOVER, ["A", "B"], 3), costs) == 6 * 5 + 3 * 2 + 6 * 0.5
    # A set that stays on its rig for its second run needs no change-over.
    assert hours_of(laid_out(LayoutKind.NESTED, ["A", "B"], 3), costs) == 12 * 5 + 6 * 2 + 6 * 0.5


def test_a_set_that_is_used_up_cannot_be_crossed():
    costs = HourCosts(run=5.0)
    for kind in NAMED:
        reason = why_not(laid_out(kind, ["A", "B"], 4), costs, Limits(runs_per_set=1))
        assert (reason is None) == (kind is LayoutKind.SPLIT_LOT)
    assert "6 pad sets" in str(why_not(laid_out(LayoutKind.SPLIT_LOT, ["A", "B"], 3), costs, Limits(sets=4)))
    assert why_not(laid_out(LayoutKind.SPLIT_LOT, ["A", "B"], 3), costs, Limits(days=1)) is not None


def test_a_set_that_stays_on_its_rig_may_run_there_again():
    costs = HourCosts(run=5.0)
    allowed = [
        kind for kind in NAMED if why_not(laid_out(kind, ["A", "B"], 4), costs, Limits(stays=True)) is None
    ]
    assert allowed == [LayoutKind.SPLIT_LOT, LayoutKind.NESTED, LayoutKind.STAGGERED]
    assert "one bears 3" in str(why_not(laid_out(LayoutKind.CROSSED, "AB", 4), costs, Limits(runs_per_set=3)))


@pytest.mark.parametrize("kind", [LayoutKind.SPLIT_LOT, LayoutKind.NESTED, LayoutKind.STAGGERED])
def test_a_level_with_fewer_sets_keeps_its_own_and_takes_no_other_s(kind):
    plan = laid_out(kind, ["A", "B"], {"A": 3, "B": 7})
    assert plan.sets_by_level == {"A": 3, "B": 7}
    assert plan.per_level == 3
    even = laid_out(kind, ["A", "B"], 3)
    own = [[len(runs) for runs in p.runs_by_set.values() if runs[0].level == "A"] for p in (plan, even)]
    assert own[0] == own[1]
    reason = why_not(plan, HourCosts(run=1.0), Limits(sets_of={"B": 6}))
    assert reason == "needs 7 pad sets for B, 6 are at hand"


def test_sets_of_every_level_go_round_the_rigs_and_rigs_are_what_is_busy():
    plan = on_rigs(laid_out(LayoutKind.SPLIT_LOT, ["L1", "L2"], 4), ["R1", "R2"])
    assert set(Counter((run.level, run.rig) for run in plan.runs).values()) == {2}
    costs = HourCosts(run=5.0, set=2.0, change_over=0.5)
    assert busiest_hours(plan, costs) == 4 * 7.5
    assert why_not(plan, costs, Limits(rigs=1)) == "needs 2 rigs, 1 are free"


def test_incomplete_layout_shares_sets_evenly_between_rigs():
    assert set(pair_counts(laid_out(LayoutKind.INCOMPLETE, ["A", "B", "C"], 6)).values()) == {2}


@pytest.mark.parametrize(("levels", "sets"), [(4, 6), (5, 10), (6, 15), (5, 5), (8, 8)])
def test_pairs_in_cyclic_order_are_as_good_as_those_of_the_search(levels, sets):
    # Whole rounds of a cyclic design: with all of them every pair once (a balanced incomplete block design).
    plan = laid_out(LayoutKind.INCOMPLETE, [f"R{i}" for i in range(levels)], sets)
    treatment = np.array([int(run.level[1:]) for run in plan.runs])
    places = np.array([int(run.pad_set[1:]) - 1 for run in plan.runs])
    nuisance = np.eye(sets)[places]
    left = np.eye(len(places)) - nuisance @ np.linalg.pinv(nuisance)
    found = criterion_value(left, treatment, levels, Criterion.CONTRASTS)
    if sets <= 10:
        assert found <= exchange(nuisance, levels, seed=3, starts=4).value * (1 + 1e-9)
    if 2 * sets == levels * (levels - 1):
        assert set(pair_counts(plan).values()) == {1}


@pytest.mark.parametrize(("levels", "sets"), [(3, 6), (3, 12), (4, 12), (5, 20)])
def test_every_pair_runs_in_both_orders_alike(levels, sets):
    plan = laid_out(LayoutKind.INCOMPLETE, [f"R{i}" for i in range(levels)], sets)
    orders = Counter(tuple(run.level for run in runs) for runs in plan.runs_by_set.values())
    assert all(orders[a, b] == orders[b, a] > 0 for a, b in orders)
    first = Counter(run.level for run in plan.runs if run.place == 1)
    assert len(set(first.values())) == 1


# --- run sheet -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "kind", [LayoutKind.SPLIT_LOT, LayoutKind.CROSSOVER, LayoutKind.NESTED, LayoutKind.CROSSED]
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_run_sheets_are_balanced_and_keep_the_places_of_a_set(kind, seed):
    plan = laid_out(kind, ["R1", "R2"], 8)
    rows = run_sheet(plan, operators=["ann", "bo"], runs_per_day=2, seed=seed)
    assert len(rows) == len(plan.runs)
    assert Counter((r.level, r.pad_set, r.place) for r in rows) == Counter(
        (r.level, r.pad_set, r.place) for r in plan.runs
    )
    for name in {r.pad_set for r in rows}:
        places = [r.place for r in rows if r.pad_set == name]
        assert places == sorted(places)
    by_operator = Counter((r.level, r.operator) for r in rows)
    assert max(by_operator.values()) - min(by_operator.values()) <= 1
    by_day = Counter((r.day, r.level) for r in rows)
    assert set(by_day.values()) == {1}
    first = {
        level: [r.position_in_lot for r in rows if r.level == level and r.place == 1]
        for level in ("R1", "R2")
    }
    # Neighbouring places of the lot go to different rigs: the mean places differ by one at the most.
    assert abs(np.mean(first["R1"]) - np.mean(first["R2"])) <= 1
    assert len({r.position_in_lot for r in rows}) == plan.sets


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_level_with_few_sets_is_spread_over_the_lot_and_over_time(seed):
    plan = laid_out(LayoutKind.SPLIT_LOT, ["L1", "L2"], {"L1": 12, "L2": 4})
    rows = run_sheet(plan, operators=(), runs_per_day=4, seed=seed)
    few = [r for r in rows if r.level == "L2"]
    assert sorted(r.position_in_lot for r in rows) == list(range(1, 17))
    # One of the four in each quarter of the lot, or next to its border; no day holds three of them.
    assert all(
        4 * i - 3 <= r.position_in_lot <= 4 * i + 8
        for i, r in enumerate(sorted(few, key=lambda r: r.position_in_lot))
    )
    assert max(Counter(r.day for r in few).values()) <= 2


def test_another_seed_gives_another_order_and_the_same_seed_the_same():
    plan = laid_out(LayoutKind.SPLIT_LOT, ["R1", "R2"], 8)
    sheets = [run_sheet(plan, operators=(), runs_per_day=2, seed=s) for s in (1, 1, 2)]
    assert sheets[0] == sheets[1] != sheets[2]
