"""The correlation check from a table to its verdict: numbers, verdicts at their boundaries, several sections.

Numbers are checked against scipy; the rules against hand-made samples whose means and standard deviations are exact.
All data are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.base.notes import NoteKind
from repeatab.jobs.questions import Analysis
from repeatab.outcome.verdict import Qualifier, Verdict

FIVE_PERCENT = Margin(size=5, unit=MarginUnit.PERCENT)


# --- numbers ---------------------------------------------------------------------------------------------------


def test_split_sets_give_the_wider_of_the_two_t_intervals_of_scipy(rigs):
    rng = np.random.default_rng(1)
    a, b = rng.normal(0.405, 0.005, 7), rng.normal(0.40, 0.008, 8)
    outcome = rigs.check(rigs.split(a, b))
    tests = [stats.ttest_ind(a, b, equal_var=equal) for equal in (True, False)]
    assert rigs.number(outcome, "estimate") == pytest.approx(a.mean() - b.mean(), rel=1e-9)
    assert rigs.number(outcome, "p") == pytest.approx(max(test.pvalue for test in tests), rel=1e-9)
    for level, low, high in ((0.95, "lower", "upper"), (0.90, "inner_lower", "inner_upper")):
        intervals = [test.confidence_interval(level) for test in tests]
        assert rigs.number(outcome, low) == pytest.approx(min(i.low for i in intervals), rel=1e-8)
        assert rigs.number(outcome, high) == pytest.approx(max(i.high for i in intervals), rel=1e-8)


def test_percent_offset_is_the_ratio_of_the_means_and_its_limits_end_their_test(rigs):
    rng = np.random.default_rng(2)
    a, b = rng.normal(0.41, 0.006, 8), rng.normal(0.40, 0.006, 8)
    outcome = rigs.check(rigs.split(a, b), margin=FIVE_PERCENT)
    assert rigs.number(outcome, "estimate") == pytest.approx(a.mean() / b.mean(), rel=1e-9)
    # Equal numbers: Welch's interval is the wider one, and each of its ends is a ratio on the t point.
    for key, p in (("lower", 0.05), ("upper", 0.05), ("inner_lower", 0.10), ("inner_upper", 0.10)):
        assert stats.ttest_ind(a, rigs.number(outcome, key) * b, equal_var=False).pvalue == pytest.approx(
            p, rel=1e-7
        )


def test_ratio_analysis_works_on_logarithms(rigs):
    rng = np.random.default_rng(3)
    a, b = np.exp(rng.normal(np.log(0.41), 0.02, 8)), np.exp(rng.normal(np.log(0.40), 0.02, 8))
    outcome = rigs.check(rigs.split(a, b), margin=FIVE_PERCENT, analysis=Analysis.RATIO)
    known = stats.ttest_ind(np.log(a), np.log(b), equal_var=False)
    assert rigs.number(outcome, "p") == pytest.approx(known.pvalue, rel=1e-9)
    low = stats.ttest_ind(np.log(a) - np.log(0.95), np.log(b), equal_var=False, alternative="greater").pvalue
    high = stats.ttest_ind(np.log(a) - np.log(1.05), np.log(b), equal_var=False, alternative="less").pvalue
    assert (rigs.only(outcome).verdict is Verdict.EQUIVALENT) == (max(low, high) < 0.05)


def test_the_same_sets_without_an_order_effect_in_the_data_have_the_paired_estimate(rigs):
    rng = np.random.default_rng(4)
    material = rng.normal(0.40, 0.02, 8)
    a, b = material + rng.normal(0.004, 0.003, 8), material + rng.normal(0, 0.003, 8)
    first = np.arange(8) % 2 == 0
    d = a - b
    # Least squares on the differences with the order coded +1 and -1, six degrees of freedom.
    estimate = (d[first].mean() + d[~first].mean()) / 2
    ss = ((d[first] - d[first].mean()) ** 2).sum() + ((d[~first] - d[~first].mean()) ** 2).sum()
    t = estimate / np.sqrt(ss / 6 / 8)
    outcome = rigs.check(rigs.same(a, b, first))
    assert rigs.number(outcome, "estimate") == pytest.approx(estimate, rel=1e-8)
    assert rigs.number(outcome, "p") == pytest.approx(2 * stats.t.sf(abs(t), 6), rel=1e-6)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_order_of_rows_and_names_of_sets_do_not_matter(rigs, seed):
    rng = np.random.default_rng(seed)
    frame = rigs.split(rng.normal(0.405, 0.005, 5), rng.normal(0.40, 0.008, 6))
    names = dict(zip(frame["pad_set"], rng.permutation(100)[: len(frame)].astype(str), strict=True))
    mixed = frame.assign(pad_set=frame["pad_set"].map(names)).sample(frac=1, random_state=seed)
    before, after = rigs.check(frame), rigs.check(mixed)
    assert before.headline == after.headline
    assert [v for _, v in after.numbers] == pytest.approx([v for _, v in before.numbers], rel=1e-9)


# --- verdicts and their sentences ------------------------------------------------------------------------------

# Eight sets on each rig with a standard deviation of 0.006 on both: standard error 0.003, 14 degrees of freedom in
# both views, half widths t90 * 0.003 = 0.00528 and t95 * 0.003 = 0.00643.
HALF_90, HALF_95 = (stats.t.ppf(p, 14) * 0.003 for p in (0.95, 0.975))
HAIR = 1e-7


@pytest.mark.parametrize(
    ("offset", "verdict", "qualifier"),
    [
        (0.0, Verdict.EQUIVALENT, Qualifier.NONE),
        (HALF_95 - HAIR, Verdict.EQUIVALENT, Qualifier.NONE),
        (HALF_95 + HAIR, Verdict.EQUIVALENT, Qualifier.TOO_SMALL_TO_MATTER),
        (0.02 - HALF_90 - HAIR, Verdict.EQUIVALENT, Qualifier.TOO_SMALL_TO_MATTER),
        (0.02 - HALF_90 + HAIR, Verdict.DIFFERENT, Qualifier.MARGIN_OPEN),
        (0.02 + HALF_95 - HAIR, Verdict.DIFFERENT, Qualifier.MARGIN_OPEN),
        (0.02 + HALF_95 + HAIR, Verdict.DIFFERENT, Qualifier.IT_MATTERS),
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_verdicts_at_their_boundaries(rigs, offset, verdict, qualifier, sign):
    outcome = rigs.check(rigs.split(rigs.sample(8, 0.4 + sign * offset, 0.006), rigs.sample(8, 0.4, 0.006)))
    assert (outcome.headline.verdict, outcome.headline.qualifier) == (verdict, qualifier)
    assert (rigs.only(outcome).verdict, rigs.only(outcome).qualifier) == (verdict, qualifier)


def test_undecided_between_a_wide_scatter_and_a_narrow_margin(rigs):
    outcome = rigs.check(rigs.split(rigs.sample(8, 0.403, 0.006), rigs.sample(8, 0.4, 0.006)), margin=0.004)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    reason = rigs.only(outcome).reason
    # The engineer reads interval, margin and rule off the sentence.
    for part in ("+0.0030", "95 % interval −0.0034 to +0.0094 includes zero", "90 % interval −0.0023 to +0.0083",
                 "reaches out of the margin ± 0.004"):  # fmt: skip
        assert part in reason


def test_a_verdict_that_only_pooled_scatter_shows_is_undecided_and_noted(rigs):
    # Six sets on the steady rig, three on the one that scatters: pooling lends it the steadiness of the other.
    a, b = rigs.sample(9, 0.4, 0.002), rigs.sample(3, 0.4, 0.010)
    margin = 0.008
    pooled, welch = (
        max(
            stats.ttest_ind(a + margin, b, equal_var=equal, alternative="greater").pvalue,
            stats.ttest_ind(a - margin, b, equal_var=equal, alternative="less").pvalue,
        )
        for equal in (True, False)
    )
    assert pooled < 0.05 < welch
    outcome = rigs.check(rigs.split(a, b), margin=margin)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    (note,) = [note for note in outcome.notes if note.kind is NoteKind.UNEQUAL_SCATTER]
    assert "equivalent and undecided" in note.text


def test_equivalent_pooled_and_different_separately_is_undecided_in_its_own_words(rigs):
    a, b = rigs.sample(20, 0.4, 0.002), rigs.sample(4, 0.4, 0.006)
    a = a + 0.0098
    outcome = rigs.check(rigs.split(a, b), margin=0.0145)
    views = outcome.table("views").to_frame()
    assert list(views["verdict"]) == ["equivalent", "different"]
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "excludes zero" in rigs.only(outcome).reason
    assert "includes zero" not in rigs.only(outcome).reason


# --- sections --------------------------------------------------------------------------------------------------


def test_one_different_section_decides_and_equivalence_needs_all(rigs):
    outcome = rigs.check(rigs.sections(cold=0.0, fade=0.03))
    assert (outcome.headline.verdict, outcome.headline.qualifier) == (Verdict.DIFFERENT, Qualifier.IT_MATTERS)
    assert "fade" in outcome.headline.reason
    assert "cold" not in outcome.headline.reason
    assert rigs.check(rigs.sections(cold=0.0, fade=0.001)).headline.verdict is Verdict.EQUIVALENT
    margins = {"cold": 0.02, "fade": 0.004}
    outcome = rigs.check(rigs.sections(cold=0.0, fade=0.001), margin=margins)
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert "fade" in outcome.headline.reason


def test_an_informing_section_informs_and_does_not_decide(rigs):
    outcome = rigs.check(rigs.sections(cold=0.0, bedding=0.03), inform=("bedding",))
    assert outcome.headline.verdict is Verdict.EQUIVALENT
    bedding = next(j for j in outcome.judgements if j.subject == "bedding")
    assert bedding.verdict is Verdict.DIFFERENT
    assert not bedding.decides


def test_difference_claims_are_adjusted_over_the_deciding_sections_only(rigs):
    # p = 0.03 in one of two sections: below 0.05 and above 0.05 / 2.
    offset = stats.t.isf(0.015, 14) * 0.003
    frame = rigs.sections(cold=0.0, fade=offset)
    narrow = {"cold": 0.02, "fade": 0.008}
    together = rigs.check(frame, margin=narrow)
    alone = rigs.check(frame, margin=narrow, inform=("cold",))
    assert rigs.number(together, "p", "fade") == pytest.approx(0.03, rel=1e-6)
    fade = [next(j for j in outcome.judgements if j.subject == "fade") for outcome in (together, alone)]
    assert [j.verdict for j in fade] == [Verdict.UNDECIDED, Verdict.DIFFERENT]
    assert "97.5 % interval" in fade[0].reason
    assert "95 % interval" in fade[1].reason


def test_no_section_that_decides_is_refused(rigs):
    with pytest.raises(StudyError, match="none decides"):
        rigs.check(rigs.sections(cold=0.0), inform=("cold",))


def test_a_section_without_results_on_one_rig_is_undecided_with_the_rig_named(rigs):
    frame = rigs.sections(cold=0.0, fade=0.0)
    outcome = rigs.check(frame[~((frame["section"] == "fade") & (frame["rig"] == "B"))])
    fade = next(j for j in outcome.judgements if j.subject == "fade")
    assert fade.verdict is Verdict.UNDECIDED
    assert "no results of B" in fade.reason
    assert outcome.headline.verdict is Verdict.UNDECIDED
    assert next(j for j in outcome.judgements if j.subject == "cold").verdict is Verdict.EQUIVALENT


def test_a_margin_missing_for_a_section_is_refused_by_its_name(rigs):
    with pytest.raises(StudyError, match="'fade'"):
        rigs.check(rigs.sections(cold=0.0, fade=0.0), margin={"cold": 0.02})
