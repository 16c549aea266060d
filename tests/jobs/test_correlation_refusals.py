"""What a correlation check refuses or leaves undecided: mixed-up layouts, slips of a lab, and what to run next.

All data are invented.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

import repeatab as rb
from repeatab.base.errors import RepeatabError, StudyError
from repeatab.jobs.questions import RunCost
from repeatab.outcome.verdict import Qualifier, Verdict

# --- what cannot be told from the difference -------------------------------------------------------------------

A, B = np.random.default_rng(7).normal([[0.401], [0.400]], 0.004, (2, 8))
IN_TURN = pd.DataFrame(
    {
        "rig": ["A", "B"] * 8,
        "pad_set": [f"{rig}{i}" for i in range(8) for rig in "AB"],
        "result": np.stack([A, B], axis=1).ravel(),
        "run_order": range(1, 17),
    }
)
ON_A = IN_TURN["rig"].to_numpy() == "A"


def shared(a_first: list[bool]) -> pd.DataFrame:
    """The same eight sets on both rigs."""
    order = np.where(np.repeat(a_first, 2) == ON_A, 1, 2)
    return IN_TURN.assign(pad_set=[f"S{i // 2}" for i in range(16)], run_order=order)


SHARED = shared([True, False] * 4)
MONTHS = pd.to_datetime(np.where(ON_A, "2026-03-02", "2026-04-13")) + pd.to_timedelta(IN_TURN.index, unit="D")
DAYS = pd.to_datetime(np.where(ON_A, "2026-01-05", "2026-03-09"))


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (shared([True] * 8), ("Every set ran on A first and on B afterwards", "wear", "Run some sets on B first")),
        (shared([False] * 8), ("Every set ran on B first", "Run some sets on A first")),
        (SHARED.drop(columns="run_order"), ("order is not recorded", "wear", "Record the run order")),
        (SHARED.assign(run_order=1), ("order is not recorded",)),
        (SHARED.drop(columns="run_order").assign(day=np.arange(16) // 2), ("order is not recorded", "one day")),
        (IN_TURN.assign(pad_lot=np.where(ON_A, "L1", "L2")), ("pad lot 'L1' goes with A", "'L2' with B")),
        (IN_TURN.assign(operator=np.where(ON_A, "KM", "TB")), ("operator 'KM' goes with A", "'TB' with B")),
        (
            IN_TURN.assign(operator=np.where(ON_A, "KM", np.where(IN_TURN.index % 4 == 1, "TB", "JS"))),
            ("operator 'KM' goes with A", "'JS', 'TB' with B"),
        ),
        (IN_TURN.assign(disc=np.where(ON_A, "D1", "D2")), ("disc 'D1' goes with A",)),
        (IN_TURN.drop(columns="run_order").assign(time=MONTHS), ("All runs of A came before all runs of B", "in turn")),
        (IN_TURN.drop(columns="run_order").assign(time=DAYS), ("All runs of A came before all runs of B",)),
        (
            IN_TURN.assign(run_order=np.where(ON_A, 100, 0) + IN_TURN["run_order"]),
            ("All runs of B came before all runs of A",),
        ),
    ],
    ids=[
        "all sets A first", "all sets B first", "order not recorded", "order the same", "both on one day", "lot",
        "operator", "operators share no rig", "disc", "months", "two single days", "run order",
    ],
)  # fmt: skip
def test_a_difference_mixed_with_something_else_is_undecided_and_says_with_what(rigs, frame, words):
    outcome = rigs.check(frame)
    assert (outcome.headline.verdict, outcome.headline.qualifier) == (Verdict.UNDECIDED, Qualifier.CONFOUNDED)
    for word in words:
        assert word in outcome.headline.reason
    assert any(words[0] in sentence for sentence in outcome.cannot_tell)
    assert all(judgement.verdict is Verdict.UNDECIDED for judgement in outcome.judgements)
    # More of the same cannot help, so what to run next is to separate the two.
    assert words[0] in outcome.next_runs.sentence
    assert outcome.next_runs.table is None


@pytest.mark.parametrize(
    "frame",
    [
        IN_TURN,
        IN_TURN.assign(operator=["KM", "TB", "TB", "KM"] * 4),
        IN_TURN.assign(pad_lot=["L1", "L1", "L2", "L2"] * 4),
        IN_TURN.assign(disc=[f"D{i}" for i in range(16)]),
        SHARED,
        pd.concat(
            [
                SHARED,
                SHARED.assign(run_order=5 - SHARED["run_order"], result=SHARED["result"].to_numpy()[::-1]),
            ]
        ),
    ],
    ids=["in turn", "operators on both", "lots on both", "a new disc each time", "both orders", "A, B, B, A"],
)
def test_a_comparison_that_nothing_is_mixed_with_is_decided(rigs, frame):
    outcome = rigs.check(frame)
    assert outcome.headline.verdict is Verdict.EQUIVALENT


# --- what a lab may get wrong ----------------------------------------------------------------------------------


def test_one_rig_only_and_a_rig_that_is_not_there_are_named(rigs):
    with pytest.raises(StudyError, match=r"no 'B' in the results; there are 'A'"):
        rigs.check(IN_TURN[ON_A])
    results = rb.read_results(
        IN_TURN.assign(rig="Rig " + IN_TURN["rig"]), columns={c: c for c in IN_TURN.columns}
    )
    with pytest.raises(StudyError, match=r"no 'Rig C' in the results.*Did you mean 'Rig [AB]'"):
        rb.compare_rigs(results, rig="Rig A", reference_rig="Rig C", margin=0.02)


def test_the_same_rig_twice_is_refused():
    with pytest.raises(StudyError):
        rb.compare_rigs(IN_TURN, rig="A", reference_rig="A", margin=0.02)


def test_a_single_set_on_one_rig_is_undecided_and_names_the_rig(rigs):
    frame = IN_TURN[ON_A | (IN_TURN["pad_set"] == "B3")]
    outcome = rigs.check(frame)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "B" in rigs.only(outcome).reason
    assert "Run more pad sets" in rigs.only(outcome).reason


def test_all_results_equal_is_undecided_and_says_so(rigs):
    outcome = rigs.check(IN_TURN.assign(result=0.4))
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "all results are equal (to 0.4)" in rigs.only(outcome).reason


def test_results_equal_on_one_rig_are_undecided_and_name_it(rigs):
    outcome = rigs.check(IN_TURN.assign(result=np.where(ON_A, 0.4, IN_TURN["result"])))
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "A: all results are equal" in rigs.only(outcome).reason


def test_differences_that_are_equal_in_every_set_are_undecided(rigs):
    outcome = rigs.check(rigs.same(A, A - 0.01, [True, False] * 4))
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "Not compared" in rigs.only(outcome).reason


@pytest.mark.parametrize("margin", [0, -0.02, float("nan")])
def test_a_margin_that_is_no_margin_is_refused(rigs, margin):
    with pytest.raises(StudyError, match="expected a positive number"):
        rigs.check(IN_TURN, margin=margin)


def test_a_percentage_given_as_a_number_is_caught(rigs):
    with pytest.raises(StudyError, match=r"margin ± 5 is larger than the results themselves.*5 %"):
        rigs.check(IN_TURN, margin=5.0)


HOSTILE = ["<script>alert(1)</script>", "R\"1'", "R/../2", "=cmd|' /C calc'!A0", "rig 🔥"]


@pytest.mark.parametrize("name", HOSTILE)
def test_names_pass_through_unchanged_and_escaped_in_markup(rigs, name):
    results = rb.read_results(
        rigs.sections(cold=0.0).assign(rig=np.where(ON_A, name, "B"), section=name),
        columns={c: c for c in ("rig", "pad_set", "result", "section")},
    )
    outcome = rb.compare_rigs(results, rig=name, reference_rig="B", margin=0.02)
    assert outcome.headline.subject == f"{name} against B"
    assert [row[0] for row in outcome.table("offsets").rows] == [name]
    assert "<script>" not in outcome._repr_html_()


def test_every_refusal_is_an_error_a_user_can_act_on():
    with pytest.raises(RepeatabError):
        rb.compare_rigs(IN_TURN.drop(columns="pad_set"), rig="A", reference_rig="B", margin=0.02)


# --- what to run next ------------------------------------------------------------------------------------------


def power_of_equivalence(sets: int, sd: float, margin: float) -> float:
    """Exact probability of "equivalent" at no difference under pooled scatter (two one-sided tests)."""
    df, se = 2 * sets - 2, sd * np.sqrt(2 / sets)

    def inside(u: float) -> float:
        s = se * np.sqrt(stats.chi2.ppf(u, df) / df)
        return max(0.0, 2 * stats.norm.cdf((margin - stats.t.ppf(0.95, df) * s) / se) - 1)

    return integrate.quad(inside, 0, 1, limit=200)[0]


def test_number_of_further_sets_brings_the_wanted_probability(rigs):
    sd, margin = 0.010, 0.010
    outcome = rigs.check(rigs.split(rigs.sample(5, 0.4, sd), rigs.sample(5, 0.4, sd)), margin=margin)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    rows = outcome.next_runs.table.to_frame().set_index("belief")
    needed = int(rows.loc["no difference", "sets"])
    # At no difference 2.4 % "different" and the second view's slightly fewer degrees of freedom move it by a set.
    assert power_of_equivalence(needed + 1, sd, margin) > 0.79
    assert power_of_equivalence(needed - 2, sd, margin) < 0.80
    assert rows.loc["no difference", "further"] == needed - 5
    assert str(needed - 5) in outcome.next_runs.sentence


def test_sets_at_hand_cap_what_is_recommended(rigs):
    frame = rigs.split(rigs.sample(5, 0.4, 0.010), rigs.sample(5, 0.4, 0.010))
    outcome = rigs.check(frame, margin=0.010, cost=RunCost(hours_per_set=6.5, sets_at_hand=4))
    assert "no number up to 2 suffices" in outcome.next_runs.sentence
    rows = outcome.next_runs.table.to_frame()
    assert rows["further"].isna().all()


def test_nothing_is_recommended_where_every_deciding_section_is_decided(rigs):
    assert rigs.check(IN_TURN).next_runs is None
