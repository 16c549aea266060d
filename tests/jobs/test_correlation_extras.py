"""What a correlation check says beside the offset of each section: the sections together, single sets, corrections,
scatter over all sections, more than two rigs.

Numbers are checked against scipy and against the definitions; all data are invented.
"""

from __future__ import annotations

import datetime

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.base.progress import silent
from repeatab.estimation.pooled_scatter import pooled_independent_ratio, pooled_paired_ratio
from repeatab.estimation.section_interaction import Resampling, split_interaction
from repeatab.jobs.correlation.methods import extra_methods
from repeatab.jobs.correlation.study import correlation_findings
from repeatab.jobs.questions import Analysis, CorrelationCheck, Section
from repeatab.outcome.verdict import Verdict

FIVE_PERCENT = Margin(size=5, unit=MarginUnit.PERCENT)
MEAN = "mean of all sections (set by set)"
LEVELS = {"cold": 0.36, "base": 0.40, "warm": 0.42, "hot": 0.38, "fade": 0.33, "end": 0.41}


def many(rng, offsets, *, sets=8, set_sd=0.006, run_sd=0.003, gain=1.0):
    """Sets of their own on rigs A and B; what a set brings is in all of its sections."""
    rows = []
    for rig in "AB":
        for i in range(sets):
            own = rng.normal(0, set_sd)
            for name, offset in offsets.items():
                level = LEVELS[name] * (gain if rig == "A" else 1.0)
                value = level + own + rng.normal(0, run_sd) + (offset if rig == "A" else 0.0)
                rows.append((rig, f"{rig}{i}", name, value, 2 * i + (rig == "B")))
    return pd.DataFrame(rows, columns=["rig", "pad_set", "section", "result", "run_order"])


def shared(rng, offsets, *, sets=8, set_sd=0.008, run_sd=0.002, wear=-0.004):
    """The same sets on both rigs, every second one on B first; the second run reads lower by `wear`."""
    rows = []
    for i in range(sets):
        own = rng.normal(0, set_sd)
        for rig in "AB":
            second = (rig == "B") == (i % 2 == 0)
            for name, offset in offsets.items():
                value = LEVELS[name] + own + rng.normal(0, run_sd) + wear * second
                rows.append((rig, f"S{i}", name, value + (offset if rig == "A" else 0.0), 2 * i + second))
    return pd.DataFrame(rows, columns=["rig", "pad_set", "section", "result", "run_order"])


def wide(frame):
    return frame.pivot(index=["rig", "pad_set"], columns="section", values="result")


# --- all sections together -------------------------------------------------------------------------------------


def test_the_mean_of_all_sections_is_the_t_test_of_the_sets_own_means(rigs):
    frame = many(np.random.default_rng(1), {"cold": 0.004, "base": 0.0, "fade": 0.01})
    outcome = rigs.check(frame)
    means = wide(frame).mean(axis=1)
    tests = [stats.ttest_ind(means["A"], means["B"], equal_var=equal) for equal in (True, False)]
    assert rigs.number(outcome, "estimate", MEAN) == pytest.approx(means["A"].mean() - means["B"].mean())
    assert rigs.number(outcome, "p", MEAN) == pytest.approx(max(test.pvalue for test in tests), rel=1e-8)
    (judgement,) = [j for j in outcome.judgements if j.subject == MEAN]
    assert not judgement.decides


def test_a_set_that_lacks_a_high_section_does_not_pull_the_mean_down(rigs):
    # All sets alike: whatever is missing, the mean of the sections is the same.
    frame = many(np.random.default_rng(2), dict.fromkeys(LEVELS, 0.01), set_sd=0.002, run_sd=1e-6)
    whole = rigs.number(rigs.check(frame, margin=0.02), "estimate", MEAN)
    lost = frame[~((frame["pad_set"] == "A3") & (frame["section"] == "warm"))]
    assert rigs.number(rigs.check(lost, margin=0.02), "estimate", MEAN) == pytest.approx(whole, abs=2e-6)


def test_the_mean_has_the_margin_that_all_share_or_a_stated_one_and_none_otherwise(rigs):
    frame = many(np.random.default_rng(3), {"cold": 0.0, "base": 0.0})
    margins = {"cold": 0.02, "base": 0.03}

    def row(**more):
        table = rigs.check(frame, **more).table("offsets").to_frame()
        return table.set_index("section").loc[MEAN]

    assert row(margin=0.02)["margin"] == "± 0.02"
    assert row(margin=margins)["margin"] == ""
    assert row(margin=margins, overall_margin=0.025)["margin"] == "± 0.025"


@pytest.mark.parametrize("layout", [many, shared])
def test_section_by_rig_with_two_sections_is_scipys_test_on_their_difference(layout):
    frame = layout(np.random.default_rng(4), {"cold": 0.004, "base": 0.0}, sets=6)
    if layout is shared:
        frame = frame.assign(result=frame["result"] + 0.004 * (frame["run_order"] % 2))  # no wear left
    (pattern,) = findings(frame, order=layout is many).patterns
    table = wide(frame)["cold"] - wide(frame)["base"]

    if layout is many:
        known = stats.permutation_test(
            (table["A"], table["B"]), lambda x, y: abs(np.mean(x) - np.mean(y)), n_resamples=np.inf,
            alternative="greater",
        )  # fmt: skip
        assert pattern.interaction.p == pytest.approx(known.pvalue, abs=1e-9)
    else:
        # The order of the runs is taken out first, so only the size of the statistic can be checked by hand.
        d = (table["A"] - table["B"]).to_numpy()
        first = np.where(np.arange(6) % 2 == 0, 1.0, -1.0)
        left = d - first * (first @ d) / 6
        spread = left.mean() + (left - left.mean()) * np.sqrt(5 / 4)
        signs = np.array(np.meshgrid(*[[1, -1]] * 6)).reshape(6, -1).T
        sums = np.abs(signs @ spread)
        known_p = np.mean(sums >= abs(spread.sum()) * (1 - 1e-9))
        assert pattern.interaction.p == pytest.approx(known_p, abs=1e-9)


def test_unequal_numbers_of_sets_need_both_ways_of_resampling():
    # Three sets with four times the scatter against ten: exchanging sets alone rejects in 44 of 100 studies without
    # any difference (tests/estimation/test_section_interaction.py).
    rng = np.random.default_rng(7)
    frame = pd.DataFrame(
        {"rig": rig, "pad_set": f"{rig}{i}", "section": name, "result": 0.4 + rng.normal(0, sd)}
        for rig, sets, sd in (("A", 3, 0.016), ("B", 10, 0.004))
        for i in range(sets)
        for name in ("cold", "base", "hot")
    )
    found = findings(frame)
    (pattern,) = found.patterns
    a, b = pattern.sets.sides
    codes = np.repeat([0, 1], [len(a), len(b)])
    exchanged = split_interaction(np.concatenate([a, b]), codes, rng=np.random.default_rng(1))
    assert sorted([len(a), len(b)]) == [3, 10]
    assert exchanged.complete
    assert pattern.interaction.resampling is Resampling.BOOTSTRAP
    assert pattern.interaction.p > 0.05 > exchanged.p
    (method,) = [one for one in extra_methods(found) if one.quantity == "section by rig"]
    assert "the larger p counts" in method.method


def findings(frame, *, order=True, margin=0.02, **more):
    roles = [name for name in frame.columns if order or name != "run_order" or "S0" in set(frame["pad_set"])]
    results = rb.read_results(frame, columns={role: role for role in roles})
    names = results.levels("section")
    chosen = Margin(size=margin, unit=MarginUnit.ABSOLUTE) if isinstance(margin, float) else margin
    question = CorrelationCheck(
        rigs=more.pop("rig", ("A",)), reference_rig=more.pop("reference", "B"),
        sections=tuple(Section(name=str(name), margin=chosen) for name in names), **more,
    )  # fmt: skip
    return correlation_findings(question, results, None, silent)


# --- shift or gain ---------------------------------------------------------------------------------------------


def test_a_gain_over_six_levels_is_called_a_gain_and_a_shift_a_shift(rigs):
    # (A true gain is called "a shift and a gain" in five of a hundred data sets.)
    frame = many(np.random.default_rng(26), dict.fromkeys(LEVELS, 0.0), gain=1.1, set_sd=0.001, run_sd=0.0004)
    assert any("a gain: in proportion" in text for text in rigs.check(frame).evidence)
    frame = many(np.random.default_rng(6), dict.fromkeys(LEVELS, 0.03), set_sd=0.001, run_sd=0.0004)
    outcome = rigs.check(frame)
    assert any("a shift: the same amount" in text for text in outcome.evidence)
    assert outcome.table("levels").to_frame()["levels"][0] == 6


@pytest.mark.parametrize(
    ("names", "reason"),
    [(list(LEVELS)[:4], "at least 5 are needed"), (list(LEVELS), "lie too close together")],
)
def test_shift_or_gain_is_not_told_from_few_or_close_levels(rigs, names, reason):
    frame = many(np.random.default_rng(7), dict.fromkeys(names, 0.03), run_sd=0.004)
    if len(names) > 4:
        level = frame["section"].map(LEVELS)
        frame = frame.assign(result=frame["result"] - 0.98 * (level - 0.38))
    (sentence,) = [text for text in rigs.check(frame).cannot_tell if text.startswith("Shift or gain")]
    assert "cannot be told" in sentence
    assert reason in sentence


# --- single sets on both rigs ----------------------------------------------------------------------------------


def test_limits_of_agreement_and_concordance_follow_their_definitions(rigs):
    frame = shared(np.random.default_rng(8), {"base": 0.004}, sets=10, wear=0.0)
    row = rigs.check(frame).table("agreement").to_frame().iloc[0]
    a, b = (wide(frame)["base"][rig].to_numpy() for rig in "AB")
    first = np.where(np.arange(10) % 2 == 0, 1.0, -1.0)
    left = (a - b) - (a - b).mean() - first * (first @ (a - b)) / 10
    sd = np.sqrt(left @ left / 8)
    assert row["mean"] == pytest.approx((a - b).mean(), rel=1e-8)
    assert row["lower"] == pytest.approx((a - b).mean() - 1.96 * sd, rel=1e-8)
    # A limit's interval ends where the noncentral t of the mean difference about it has its tails (Owen 1968).
    pivot = ((a - b).mean() - row["lower_to"]) / (sd / np.sqrt(10))
    assert stats.nct.cdf(pivot, 8, 1.96 * np.sqrt(10)) == pytest.approx(0.025, abs=1e-6)
    # Lin (1989), Biometrics 45, 255-268, equation of the estimate, after the order effect is taken out.
    wear = first @ (a - b) / 10
    a, b = a - first * wear / 2, b + first * wear / 2
    lin = 2 * np.cov(a, b, ddof=0)[0, 1] / (a.var() + b.var() + (a.mean() - b.mean()) ** 2)
    assert row["concordance"] == pytest.approx(lin, rel=1e-8)


def test_sets_are_matched_by_their_label_and_never_by_row_order(rigs):
    frame = shared(np.random.default_rng(9), {"base": 0.004}, sets=10)
    mixed = frame.sample(frac=1, random_state=1)
    before, after = (rigs.check(one).table("agreement").to_frame() for one in (frame, mixed))
    assert list(after.iloc[0][2:]) == pytest.approx(list(before.iloc[0][2:]), rel=1e-9)


def test_sets_that_ran_once_have_no_agreement_and_the_page_says_why(rigs):
    outcome = rigs.check(many(np.random.default_rng(10), {"base": 0.0, "cold": 0.0}))
    assert "agreement" not in [table.key for table in outcome.tables]
    assert any("no set ran on both" in text for text in outcome.cannot_tell)


def test_a_mixture_shows_agreement_for_its_shared_sets_only(rigs):
    both = shared(np.random.default_rng(11), {"base": 0.004}, sets=6)
    alone = many(np.random.default_rng(12), {"base": 0.004}, sets=3)
    outcome = rigs.check(pd.concat([both, alone], ignore_index=True))
    assert outcome.table("agreement").to_frame()["sets"][0] == 6


# --- correction ------------------------------------------------------------------------------------------------

VALID = {"correction_valid_days": 31, "as_of": "2026-03-16"}


@pytest.mark.parametrize("margin", [0.012, FIVE_PERCENT])
def test_corrected_results_check_as_the_table_said(rigs, margin):
    offset = 0.03 if margin is FIVE_PERCENT else 0.02
    frame = many(np.random.default_rng(13), dict.fromkeys(list(LEVELS)[:4], offset), set_sd=0.004)
    outcome = rigs.check(frame, margin=margin, **VALID)
    assert outcome.headline.verdict is Verdict.DIFFERENT
    table = outcome.table("correction").to_frame().set_index("section")
    assert set(table["inside"]) == {"yes"}
    assert set(table["expires"]) == {str(datetime.date(2026, 3, 16) + datetime.timedelta(days=31))}
    assert table["lower"].iloc[0] < table["size"].iloc[0] < table["upper"].iloc[0]
    on_a, size = frame["rig"] == "A", table["size"].iloc[0]
    corrected = frame["result"] / size if margin is FIVE_PERCENT else frame["result"] - size
    again = rigs.check(frame.assign(result=frame["result"].where(~on_a, corrected)), margin=margin)
    assert again.headline.verdict is Verdict.EQUIVALENT
    rows = again.table("offsets").to_frame().set_index("section")
    # A gain also shrinks the scatter of A, which moves the pooled view a little (percent of percent).
    near = 0.02 if margin is FIVE_PERCENT else 1e-9
    for name in table.index:
        for left, inner in (("left", "offset"), ("left_lower", "inner_lower"), ("left_upper", "inner_upper")):
            assert table.loc[name, left] == pytest.approx(rows.loc[name, inner], abs=near)


def test_the_uncertainty_of_an_offset_correction_is_that_of_the_sets_means(rigs):
    frame = many(np.random.default_rng(14), {"cold": 0.03, "base": 0.03})
    row = rigs.check(frame, **VALID).table("correction").to_frame().iloc[0]
    means = wide(frame).mean(axis=1)
    assert row["size"] == pytest.approx(means["A"].mean() - means["B"].mean())
    error = np.sqrt(means["A"].var() / 8 + means["B"].var() / 8)
    assert row["uncertainty"] == pytest.approx(error, rel=1e-8)


def test_a_section_that_strays_makes_it_not_fit_and_no_number_is_given(rigs):
    frame = many(np.random.default_rng(15), {"cold": 0.03, "base": 0.03, "fade": -0.02})
    outcome = rigs.check(frame, **VALID)
    assert any(text.startswith("Not fit for correction") and "fade" in text for text in outcome.evidence)
    assert "size" not in outcome.table("correction").to_frame().columns


def test_a_wide_section_is_not_shown_to_be_inside_though_it_does_not_differ_significantly():
    rng = np.random.default_rng(16)
    frame = many(rng, {"cold": 0.03, "base": 0.03, "warm": 0.03})
    noise = np.where(frame["section"] == "warm", rng.normal(0, 0.03, len(frame)), 0.0)
    found = findings(frame.assign(result=frame["result"] + noise))
    assert found.patterns[0].interaction.p > 0.05
    assert not found.corrections[0].fit


def test_without_a_stated_life_no_correction_is_given(rigs):
    frame = many(np.random.default_rng(17), {"cold": 0.03, "base": 0.03})
    outcome = rigs.check(frame)
    assert any("state correction_valid_days" in text for text in outcome.evidence)
    assert "size" not in outcome.table("correction").to_frame().columns
    with pytest.raises(StudyError, match="needs as_of"):
        rigs.check(frame, correction_valid_days=31)


def test_rigs_that_are_not_different_get_no_correction(rigs):
    frame = many(np.random.default_rng(18), {"cold": 0.0, "base": 0.0})
    outcome = rigs.check(frame, **VALID)
    assert outcome.headline.verdict is not Verdict.DIFFERENT
    assert "correction" not in [table.key for table in outcome.tables]


def test_a_gain_in_a_ratio_analysis_is_the_ratio_of_the_geometric_means(rigs):
    frame = many(np.random.default_rng(19), {"cold": 0.03, "base": 0.03}, set_sd=0.003)
    outcome = rigs.check(frame, margin=FIVE_PERCENT, analysis=Analysis.RATIO, **VALID)
    logs = np.log(wide(frame)).mean(axis=1)
    row = outcome.table("correction").to_frame().iloc[0]
    assert row["size"] == pytest.approx(np.exp(logs["A"].mean() - logs["B"].mean()), rel=1e-9)


# --- scatter over all sections ---------------------------------------------------------------------------------


def test_sections_that_are_copies_of_one_another_are_worth_one():
    rng = np.random.default_rng(20)
    a, b = rng.normal(0, 2, (7, 1)), rng.normal(0, 1, (9, 1))
    a, b = a - a.mean(), b - b.mean()
    found = pooled_independent_ratio(np.tile(a, 5), 6, np.tile(b, 5), 8, level=0.95)
    squared = (a**2).sum() / 6 / ((b**2).sum() / 8)
    assert found.ratio**2 == pytest.approx(squared)
    assert found.interval.lower**2 == pytest.approx(squared / stats.f.ppf(0.975, 6, 8))
    assert found.interval.upper**2 == pytest.approx(squared / stats.f.ppf(0.025, 6, 8))


def test_the_limits_for_shared_sets_are_where_scipys_t_test_of_the_sets_sums_has_them():
    rng = np.random.default_rng(21)
    a, b = rng.normal(0, 1.3, (12, 4)), rng.normal(0, 1, (12, 4))
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    found = pooled_paired_ratio(a, b, fitted=1, level=0.95)
    scale = np.sqrt(((a**2).sum(axis=0) + (b**2).sum(axis=0)) / 22)
    sums = [((side / scale) ** 2).sum(axis=1) for side in (a, b)]
    for end in (found.interval.lower, found.interval.upper):
        # Residuals about means leave df - 1 of the 11 degrees of freedom to their products, as with Pitman and Morgan.
        t = stats.ttest_1samp(sums[0] - end**2 * sums[1], 0).statistic * np.sqrt(10 / 11)
        assert 2 * stats.t.sf(abs(t), 10) == pytest.approx(0.05, rel=1e-8)


def test_the_scatter_table_ends_with_all_sections_and_a_rig_that_repeats_worse_is_named(rigs):
    rng = np.random.default_rng(22)
    frame = many(rng, dict.fromkeys(LEVELS, 0.0), set_sd=0.0005, run_sd=0.003)
    noise = np.where(frame["rig"] == "A", rng.normal(0, 0.008, len(frame)), 0.0)
    outcome = rigs.check(frame.assign(result=frame["result"] + noise))
    row = outcome.table("scatter").to_frame().iloc[-1]
    assert row["section"] == "all sections together"
    assert row["lower"] > 1
    assert 7 < row["df_a"] < 42
    assert any("Over all sections together the SD of A" in text for text in outcome.evidence)


# --- more than two rigs ----------------------------------------------------------------------------------------


def three(rng, offsets, sets=6):
    rows = []
    for rig, offset in offsets.items():
        for i in range(sets):
            order = len(offsets) * i + list(offsets).index(rig)
            rows += [
                (rig, f"{rig}{i}", name, LEVELS[name] + offset + rng.normal(0, 0.004), order)
                for name in ("cold", "base")
            ]
    return pd.DataFrame(rows, columns=["rig", "pad_set", "section", "result", "run_order"])


def test_every_pair_is_judged_at_tukeys_point_and_each_against_a_reference_at_dunnetts():
    frame = three(np.random.default_rng(23), {"A": 0.0, "B": 0.0, "C": 0.0})
    one = frame[frame["section"] == "cold"]
    found = findings(one, rig=("A", "B", "C"), reference=None).comparison
    assert [claim.pair.name for claim in found.claims] == ["B against A", "C against A", "C against B"]
    tukey = stats.studentized_range.ppf(0.95, 3, 15) / np.sqrt(2)
    assert stats.t.isf(found.claims[0].alpha / 2, 15) == pytest.approx(tukey, rel=1e-6)
    found = findings(one, rig=("A", "B"), reference="C").comparison
    # Dunnett (1955), JASA 50, 1096-1121: two treatments against a control, 15 degrees of freedom, two-sided 5 %.
    assert stats.t.isf(found.claims[0].alpha / 2, 15) == pytest.approx(2.44, abs=0.005)


def test_a_page_of_three_rigs_names_the_pair_everywhere(tmp_path):
    frame = three(np.random.default_rng(24), {"A": 0.05, "B": 0.0, "C": 0.0})
    outcome = rb.compare_rigs(
        frame,
        rig=["A", "B"],
        reference_rig="C",
        margin=0.02,
        section="section",
        run_order="run_order",
        **VALID,
    )
    assert outcome.headline.subject == "A against C, B against C"
    assert "cold (A against C)" in outcome.headline.reason
    assert "B against C" not in outcome.headline.reason
    assert {j.subject for j in outcome.judgements} >= {"cold, A against C", f"{MEAN}, B against C"}
    offsets = [figure for figure in outcome.figures if figure.key.startswith("offsets")]
    assert [(figure.first, figure.second) for figure in offsets] == [("A", "C"), ("B", "C")]
    assert [table.key for table in outcome.tables if table.key.startswith("correction")] == ["correction 1"]
    assert "pairs of rigs" in " ".join(outcome.evidence)
    rb.write_report(outcome, tmp_path / "out")
    assert "B against C" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_shared_sets_on_three_rigs_are_compared_within_sets():
    rng = np.random.default_rng(25)
    rows = []
    for i in range(6):
        own = rng.normal(0, 0.02)
        for place, rig in enumerate(np.roll(["A", "B", "C"], i)):
            rows.append((rig, f"S{i}", "base", 0.4 + own + rng.normal(0, 0.002), 3 * i + place))
    frame = pd.DataFrame(rows, columns=["rig", "pad_set", "section", "result", "run_order"])
    outcome = rb.compare_rigs(
        frame, rig=["A", "B", "C"], margin=0.01, section="section", run_order="run_order"
    )
    assert outcome.headline.verdict is Verdict.EQUIVALENT
    assert len(outcome.table("agreement").rows) == 3


# --- layouts ---------------------------------------------------------------------------------------------------


def test_a_section_missed_in_the_first_run_does_not_make_the_second_run_a_fresh_one():
    frame = shared(np.random.default_rng(27), {"cold": 0.0, "base": 0.0}, sets=6)
    lost = frame[~((frame["pad_set"] == "S0") & (frame["section"] == "cold") & (frame["rig"] == "A"))]
    table = findings(lost).comparison.how.table
    row = table[(table["pad_set"] == "S0") & (table["section"] == "cold")]
    assert list(row["position in set"]) == [2]


def test_an_order_that_differs_between_the_sections_of_a_run_is_taken_section_by_section():
    frame = shared(np.random.default_rng(28), {"cold": 0.0, "base": 0.0}, sets=6)
    clocks = frame.assign(run_order=10 * frame["run_order"] + (frame["section"] == "base"))
    places = [findings(one).comparison.how.table["position in set"].tolist() for one in (frame, clocks)]
    assert places[0] == places[1]
    assert set(places[0]) == {1, 2}
