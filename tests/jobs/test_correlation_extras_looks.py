"""Declared looks of a correlation check: the rates of a look, no verdict in between or afterwards, what comes next.

The rates are those of judgement/looks.py, which is tested against published tables; the intervals are scipy's.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.errors import StudyError
from repeatab.judgement.looks import Spending, look_levels
from repeatab.outcome.verdict import Qualifier, Verdict


def test_at_a_look_the_claims_and_the_captions_have_the_spent_rates(rigs):
    a, b = rigs.sample(4, 0.4, 0.006), rigs.sample(4, 0.4, 0.006)
    outcome = rigs.check(rigs.split(a, b), looks=(4, 8))
    spent = look_levels([0.5, 1.0], confidence=0.95, spending=Spending.O_BRIEN_FLEMING)
    outer = stats.ttest_ind(a, b, equal_var=False).confidence_interval(1 - spent.difference[0])
    inner = stats.ttest_ind(a, b, equal_var=False).confidence_interval(1 - 2 * spent.equivalence[0])
    assert rigs.number(outcome, "upper") == pytest.approx(outer.high, rel=1e-8)
    assert rigs.number(outcome, "inner_upper") == pytest.approx(inner.high, rel=1e-8)
    captions = [column.caption for column in outcome.table("offsets").columns]
    assert f"lower, {100 * (1 - spent.difference[0]):.4g}% adjusted" in captions
    assert f"lower, {100 * (1 - 2 * spent.equivalence[0]):.4g}%" in captions
    assert f"{100 * (1 - 2 * spent.equivalence[0]):.4g} % interval" in rigs.only(outcome).reason
    assert any("look 1 of 2" in sentence for sentence in outcome.evidence)
    assert list(outcome.table("looks").to_frame()["state"]) == ["this one", "to come"]


def test_what_a_single_look_would_show_waits_for_the_last_of_two(rigs):
    # p = 0.02 at half of the sets: enough for data judged once, not for a first look of two.
    n, sd = 4, 0.006
    offset = stats.t.isf(0.01, 2 * n - 2) * sd * np.sqrt(2 / n)
    frame = rigs.split(rigs.sample(n, 0.4 + offset, sd), rigs.sample(n, 0.4, sd))
    assert rigs.check(frame, margin=0.01).headline.verdict is Verdict.DIFFERENT
    early = rigs.check(frame, margin=0.01, looks=(4, 8))
    assert early.headline.verdict is Verdict.UNDECIDED
    assert early.next_runs is not None
    assert "4 more pad sets on A and 4 more pad sets on B" in early.next_runs.sentence
    assert rigs.check(frame, margin=0.01, looks=(2, 4)).headline.verdict is Verdict.DIFFERENT


@pytest.mark.parametrize(
    ("sets", "words"),
    [((6, 6), "the next one is at 8"), ((8, 7), "8 on A and 7 on B"), ((9, 9), "more than the last look")],
)
def test_between_and_after_looks_there_is_no_verdict(rigs, sets, words):
    frame = rigs.split(rigs.sample(sets[0], 0.45, 0.006), rigs.sample(sets[1], 0.4, 0.006))
    assert rigs.check(frame).headline.verdict is Verdict.DIFFERENT
    outcome = rigs.check(frame, looks=(4, 8), correction_valid_days=30, as_of="2026-03-16")
    assert (outcome.headline.verdict, outcome.headline.qualifier) == (
        Verdict.UNDECIDED, Qualifier.BETWEEN_LOOKS,
    )  # fmt: skip
    assert words in outcome.headline.reason
    assert rigs.only(outcome).qualifier is Qualifier.BETWEEN_LOOKS
    keys = [table.key for table in outcome.tables]
    assert not {"correction", "influence"} & set(keys)


def test_more_sets_on_one_rig_than_on_the_other_are_no_look(rigs):
    frame = rigs.split(rigs.sample(9, 0.4, 0.003), rigs.sample(8, 0.4, 0.003))
    headline = rigs.check(frame, looks=(4, 8)).headline
    assert headline.verdict is Verdict.UNDECIDED
    assert headline.qualifier is Qualifier.BETWEEN_LOOKS
    assert "same number" in headline.reason


def test_after_an_open_last_look_a_new_check_is_proposed(rigs):
    frame = rigs.split(rigs.sample(8, 0.403, 0.006), rigs.sample(8, 0.4, 0.006))
    outcome = rigs.check(frame, margin=0.005, looks=(4, 8))
    assert outcome.next_runs is not None
    assert "used up" in outcome.next_runs.sentence
    assert "Fresh pad sets" in outcome.next_runs.sentence


def test_without_declared_looks_the_page_says_that_the_rates_hold_for_one_look(rigs):
    frame = rigs.split(rigs.sample(8, 0.4, 0.006), rigs.sample(8, 0.4, 0.006))
    assert "judged once" in rigs.check(frame).cannot_tell[-1]
    assert not any("judged once" in text for text in rigs.check(frame, looks=(4, 8)).cannot_tell)


@pytest.mark.parametrize("looks", [(8, 4), (1, 4), (4, 4)])
def test_looks_that_do_not_rise_are_refused(rigs, looks):
    frame = rigs.split(rigs.sample(4, 0.4, 0.006), rigs.sample(4, 0.4, 0.006))
    with pytest.raises(StudyError, match="rising numbers of sets per rig"):
        rigs.check(frame, looks=looks)


def test_between_looks_the_page_shows_no_interval(rigs, tmp_path):
    frame = rigs.split(rigs.sample(6, 0.45, 0.006), rigs.sample(6, 0.4, 0.006))
    outcome = rigs.check(frame, looks=(4, 8))
    assert rigs.number(outcome, "estimate") == pytest.approx(0.05)
    for key in ("lower", "upper", "inner_lower", "inner_upper", "p"):
        assert rigs.number(outcome, key) is None
    assert not [figure for figure in outcome.figures if figure.key.startswith("offsets")]
    rb.write_report(outcome, tmp_path / "out")
