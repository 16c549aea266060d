"""What to run next: the numbers of sets under each belief, and the curve behind them."""

from __future__ import annotations

import pytest

from repeatab.judgement.comparison import Bounds
from repeatab.planning import next_runs
from repeatab.planning.next_runs import Beliefs, further_within, what_to_run_next
from repeatab.planning.verdict_probability import Belief, PlannedComparison, VerdictProbability

# The simulation itself is tested beside it (test_verdict_probability); here a probability that is known stands for it.
PLAN = PlannedComparison(
    arrange=lambda _: pytest.fail("no design is wanted here"),
    pairs=lambda _: pytest.fail("no fit is wanted here"),
    bounds=Bounds(low=-1, high=1, of_ratio=False),
    confidence=0.95,
    alpha=0.05,
)


def belief(needed: float, *, wide: bool = False) -> Belief:
    """A belief under which `needed` sets per arm bring the probability to 0.8."""
    return Belief(reference_mean=0.4, effect=needed, variances=(2.0 if wide else 1.0,))


BELIEFS = Beliefs(
    none=belief(9), observed=belief(14), none_wide=belief(30, wide=True), observed_wide=belief(1000)
)


@pytest.fixture(autouse=True)
def known_probability(monkeypatch):
    simulated = []

    def probabilities(_plan, sets, beliefs, *, draws):
        simulated.extend((sets, belief) for belief, _ in beliefs)
        assert len(set(simulated)) == len(simulated), "nothing is simulated twice"
        shares = [min(1.0, 0.8 * sets / belief.effect) for belief, _ in beliefs]
        return [VerdictProbability(equivalent=share, different=0.0, draws=draws) for share in shares]

    monkeypatch.setattr(next_runs, "verdict_probabilities", probabilities)
    monkeypatch.setattr(next_runs, "expected_half_width", lambda _plan, sets, *_, **__: 1 / sets)


def test_numbers_needed_in_all_and_beyond_those_present():
    found = what_to_run_next(PLAN, BELIEFS, present=4, further_at_most=None, target=0.8, seed=1)
    assert [need.sets for need in found.needed] == [9, 30, 14, None]
    assert [need.further for need in found.needed] == [5, 26, 10, None]
    assert [need.belief for need in found.needed] == [
        "no difference",
        "no difference, scatter at its upper limit",
        "the observed difference",
        "the observed difference, scatter at its upper limit",
    ]


def test_never_more_than_the_sets_at_hand():
    found = what_to_run_next(PLAN, BELIEFS, present=4, further_at_most=6, target=0.8, seed=1)
    assert found.reach == 10
    assert [need.sets for need in found.needed] == [9, None, None, None]
    assert max(point.sets for point in found.curve) <= 10


def test_with_no_set_at_hand_no_number_is_affordable():
    found = what_to_run_next(PLAN, BELIEFS, present=4, further_at_most=0, target=0.8, seed=1)
    assert [need.sets for need in found.needed] == [None] * 4
    assert [point.sets for point in found.curve] == [4]


def test_new_sets_go_to_the_arm_that_has_fewer_until_both_have_as_many():
    found = what_to_run_next(PLAN, BELIEFS, present=4, further_at_most=None, target=0.8, seed=1, lead=7)
    # 9 and 14 sets are needed where the other arm has 11: none there, then as many.
    assert [(need.sets, need.further, need.beside) for need in found.needed[:3]] == [
        (9, 5, 0),
        (30, 26, 19),
        (14, 10, 3),
    ]
    assert found.further(9) == (5, 0)
    assert found.further(14) == (10, 3)


@pytest.mark.parametrize(
    ("at_hand", "arms", "lead", "expected"),
    [(None, 2, 3, None), (10, 2, 0, 5), (10, 1, 0, 10), (3, 2, 5, 3), (9, 2, 5, 7), (10, 2, 4, 7)],
)
def test_sets_at_hand_are_shared_after_the_lead_is_made_good(at_hand, arms, lead, expected):
    found = further_within(at_hand, arms=arms, lead=lead)
    assert found == expected
    if found is not None and arms == 2:
        assert found + max(0, found - lead) <= at_hand


def test_at_least_one_more_set_even_where_the_present_ones_would_have_done():
    found = what_to_run_next(PLAN, BELIEFS, present=12, further_at_most=None, target=0.8, seed=1)
    assert (found.needed[0].sets, found.needed[0].further) == (13, 1)


def test_the_curve_starts_with_the_present_sets_and_rises():
    found = what_to_run_next(PLAN, BELIEFS, present=4, further_at_most=None, target=0.8, seed=1)
    assert found.curve[0].sets == 4
    sets = [point.sets for point in found.curve]
    assert sets == sorted(set(sets))
    assert [point.none.decided for point in found.curve] == pytest.approx([min(1, 0.8 * n / 9) for n in sets])
    assert [point.observed.decided for point in found.curve] == pytest.approx(
        [min(1, 0.8 * n / 14) for n in sets]
    )
    assert [point.half_width for point in found.curve] == pytest.approx([1 / n for n in sets])
