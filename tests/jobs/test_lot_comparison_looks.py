"""Declared looks of a lot comparison: the rates of a look, no verdict in between or afterwards, what comes next.

The rates are those of judgement/looks.py, which is tested against published tables; the intervals are scipy's. The
runs are invented.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.errors import StudyError
from repeatab.jobs.lot_comparison import compare_lots
from repeatab.jobs.lots.question import RigsAs, StatedUncertainty
from repeatab.jobs.questions import Tolerance
from repeatab.judgement.looks import Spending, look_levels
from repeatab.outcome.verdict import Qualifier, Verdict

SPENT = look_levels([0.5, 1.0], confidence=0.95, spending=Spending.O_BRIEN_FLEMING)


def lots(**results: np.ndarray) -> pd.DataFrame:
    """Every set once, all on one rig."""
    return pd.concat(
        [
            pd.DataFrame(
                {"pad_lot": lot, "pad_set": [f"S{i}" for i in range(len(mu))], "rig": "R1", "mu": mu}
            )
            for lot, mu in results.items()
        ],
        ignore_index=True,
    )


def compare(frame: pd.DataFrame, names=("L2",), **more):
    settings = {"reference": "L1", "margin": 0.02, "result": "mu", "rig": "rig"} | more
    return compare_lots(frame, lots=names, **settings)


def test_at_a_look_the_claims_have_the_spent_rates_and_the_levels_are_shown(rigs):
    a, b = rigs.sample(4, 0.402, 0.006), rigs.sample(4, 0.4, 0.006)
    outcome = compare(lots(L2=a, L1=b), looks=(4, 8))
    outer = stats.ttest_ind(a, b, equal_var=False).confidence_interval(1 - SPENT.difference[0])
    inner = stats.ttest_ind(a, b, equal_var=False).confidence_interval(1 - 2 * SPENT.equivalence[0])
    assert rigs.number(outcome, "upper") == pytest.approx(outer.high, rel=1e-8)
    assert rigs.number(outcome, "inner_upper") == pytest.approx(inner.high, rel=1e-8)
    captions = [column.caption for column in outcome.table("offsets").columns]
    assert f"lower, {100 * (1 - SPENT.difference[0]):.4g}% adjusted" in captions
    assert f"lower, {100 * (1 - 2 * SPENT.equivalence[0]):.4g}%" in captions
    assert any("look 1 of 2" in sentence for sentence in outcome.evidence)
    shown = outcome.table("looks").to_frame()
    assert list(shown["state"]) == ["this one", "to come"]
    assert list(shown["difference"]) == pytest.approx(list(SPENT.difference))
    assert list(shown["equivalence"]) == pytest.approx(list(SPENT.equivalence))


def test_what_a_single_look_would_show_waits_for_the_last_of_two(rigs):
    # p = 0.02 at half of the sets: enough for data judged once, not for a first look of two.
    n, sd = 4, 0.006
    offset = stats.t.isf(0.01, 2 * n - 2) * sd * np.sqrt(2 / n)
    frame = lots(L2=rigs.sample(n, 0.4 + offset, sd), L1=rigs.sample(n, 0.4, sd))
    assert compare(frame, margin=0.01).headline.verdict is Verdict.DIFFERENT
    early = compare(frame, margin=0.01, looks=(4, 8))
    assert early.headline.verdict is Verdict.UNDECIDED
    assert early.next_runs is not None
    assert "4 more pad sets of L2 and 4 more pad sets of L1" in early.next_runs.sentence
    assert compare(frame, margin=0.01, looks=(2, 4)).headline.verdict is Verdict.DIFFERENT


@pytest.mark.parametrize(
    ("sets", "words"),
    [((6, 6), "the next one is at 8"), ((8, 7), "8 of L2 and 7 of L1"), ((9, 9), "more than the last look")],
)
def test_between_and_after_looks_nothing_is_judged_and_no_interval_is_shown(rigs, sets, words, tmp_path):
    frame = lots(L2=rigs.sample(sets[0], 0.45, 0.006), L1=rigs.sample(sets[1], 0.4, 0.006))
    limits = {
        "specification": Tolerance(lower=None, upper=0.42),
        "guard": StatedUncertainty(reproducibility=0.004),
        "percent_of_reference": 5,
    }
    once = compare(frame, **limits)
    assert once.headline.verdict is Verdict.DIFFERENT
    assert Verdict.DOES_NOT_CONFORM in {judgement.verdict for judgement in once.judgements}
    outcome = compare(frame, looks=(4, 8), **limits)
    assert (outcome.headline.verdict, outcome.headline.qualifier) == (
        Verdict.UNDECIDED, Qualifier.BETWEEN_LOOKS,
    )  # fmt: skip
    assert words in outcome.headline.reason
    assert {judgement.verdict for judgement in outcome.judgements} == {Verdict.UNDECIDED}
    assert rigs.number(outcome, "estimate") == pytest.approx(0.05)
    for key in ("lower", "upper", "inner_lower", "inner_upper", "p"):
        assert rigs.number(outcome, key) is None
    assert not {"percentage", "influence", "views"} & {table.key for table in outcome.tables}
    rb.write_report(outcome, tmp_path / "out")


def test_between_looks_no_pair_of_lots_is_judged_either(rigs):
    frame = lots(
        **{lot: rigs.sample(6, mean, 0.006) for lot, mean in (("L1", 0.4), ("L2", 0.45), ("L3", 0.4))}
    )
    outcome = compare(frame, ("L2", "L3"), looks=(4, 8))
    pairs = [judgement for judgement in outcome.judgements if "all deciding sections" in judgement.subject]
    assert [judgement.qualifier for judgement in pairs] == [Qualifier.BETWEEN_LOOKS] * 2


def test_at_a_look_a_lot_meets_its_specification_at_the_rate_of_the_look(rigs):
    # ISO 14253-1:2017, the guard band is the normal quantile at the confidence of the claim times the uncertainty.
    frame = lots(L2=rigs.sample(4, 0.4, 1e-4), L1=rigs.sample(4, 0.4, 1e-4))
    outcome = compare(
        frame, looks=(4, 8), specification=Tolerance(lower=None, upper=0.41),
        guard=StatedUncertainty(reproducibility=0.005), percent_of_reference=5,
    )  # fmt: skip
    guard = outcome.table("specification").to_frame()["guard"]
    assert list(guard) == pytest.approx([stats.norm.isf(SPENT.equivalence[0]) * 0.005] * 2)
    for key in ("specification", "percentage"):
        assert f"{100 * (1 - SPENT.equivalence[0]):.4g}%" in outcome.table(key).remarks[-1]


@pytest.mark.parametrize("as_what", list(RigsAs))
def test_after_an_open_last_look_a_new_study_is_proposed(rigs, as_what):
    parts = [
        lots(L2=rigs.sample(4, 0.403, 0.006), L1=rigs.sample(4, 0.4, 0.006)).assign(rig=rig)
        for rig in ("R1", "R2")
    ]
    frame = pd.concat(parts, ignore_index=True)
    frame["pad_set"] = frame["rig"] + frame["pad_set"]
    outcome = compare(frame, margin=0.005, looks=(4, 8), rigs=as_what)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert outcome.next_runs is not None
    assert "used up" in outcome.next_runs.sentence
    assert "Fresh pad sets per pad lot" in outcome.next_runs.sentence
    assert "further rig" not in outcome.next_runs.sentence


def test_without_declared_looks_the_page_says_that_the_rates_hold_for_one_look(rigs):
    frame = lots(L2=rigs.sample(8, 0.4, 0.006), L1=rigs.sample(8, 0.4, 0.006))
    assert "judged once" in compare(frame).cannot_tell[-1]
    assert not any("judged once" in text for text in compare(frame, looks=(4, 8)).cannot_tell)


@pytest.mark.parametrize("looks", [(8, 4), (1, 4), (4, 4)])
def test_looks_that_do_not_rise_are_refused(rigs, looks):
    frame = lots(L2=rigs.sample(4, 0.4, 0.006), L1=rigs.sample(4, 0.4, 0.006))
    with pytest.raises(StudyError, match="rising numbers of sets per lot"):
        compare(frame, looks=looks)
