"""Lot comparison against numbers from outside: the Kenward-Roger reference case, scipy's t tests, Dunnett's and
Tukey's procedures, and ordinary least squares of statsmodels. The data of the library checks are invented.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.margin import Margin, MarginUnit
from repeatab.estimation.pairs import contrast_correlation
from repeatab.estimation.simultaneous import adjusted_p
from repeatab.jobs.lot_comparison import compare_lots
from repeatab.jobs.lots.question import LotComparison, LotSection, RigsAs
from repeatab.jobs.lots.study import lot_study

ABSOLUTE = Margin(size=0.02, unit=MarginUnit.ABSOLUTE)
ROLES = ("result", "rig", "pad_lot", "pad_set", "section", "run", "run_order", "time")


def claims_of(frame: pd.DataFrame, lots: tuple[str, ...], reference: str | None, **more):
    results = rb.read_results(frame, columns={name: name for name in frame.columns if name in ROLES})
    question = LotComparison(
        lots=lots, reference_lot=reference, sections=(LotSection(name="result", margin=ABSOLUTE),), **more
    )
    return lot_study(question, results, None).comparison


def one_run_each(samples: dict[str, np.ndarray]) -> pd.DataFrame:
    """One run per set on one rig, the lots in turn."""
    rows = [
        {"pad_lot": lot, "pad_set": f"S{i}", "rig": "R1", "result": value, "time": f"2026-03-{i + 1:02d}"}
        for lot, values in samples.items()
        for i, value in enumerate(values)
    ]
    return pd.DataFrame(rows)


# Source of the expected numbers: tests/reference/variance/README.md (lme4 and pbkrtest, and the likelihood written
# out). The sets are nested in lot and rig, so their labels are told apart first.
def test_random_rigs_agree_with_the_kenward_roger_reference_case(variance_case):
    case = variance_case("two_lots_three_rigs")
    expected = case.expected["contrasts"][0]
    frame = case.frame.rename(columns={"lot": "pad_lot", "mu": "result"})
    frame["pad_set"] = frame["rig"] + "-" + frame["pad_set"]
    comparison = claims_of(frame, ("L2",), "L1", rigs=RigsAs.RANDOM)
    (claim,) = comparison.claims
    se, df = claim.views[0].precision(np.ones(1))
    tolerance = case.tolerance["kenward_roger"]
    assert claim.estimate == pytest.approx(expected["estimate"], rel=case.tolerance["fixed"])
    assert se[0] == pytest.approx(expected["se_kr"], rel=tolerance)
    assert df[0] == pytest.approx(expected["df_kr"], rel=tolerance)
    variances = list(case.expected["estimates"]["reml"]["variances"].values())
    assert claim.pooled.fit.variances[0] == pytest.approx(variances, rel=1e-6)


def test_two_lots_give_the_wider_of_the_two_t_intervals_of_scipy():
    rng = np.random.default_rng(11)
    samples = {"L1": rng.normal(0.40, 0.005, 6), "L2": rng.normal(0.405, 0.009, 9)}
    outcome = compare_lots(one_run_each(samples), lots=["L2"], reference="L1", margin=0.02, time="time")
    numbers = dict(outcome.numbers)
    tests = [stats.ttest_ind(samples["L2"], samples["L1"], equal_var=equal) for equal in (True, False)]
    assert numbers["result: p"] == pytest.approx(max(test.pvalue for test in tests), rel=1e-9)
    intervals = [test.confidence_interval(0.95) for test in tests]
    assert numbers["result: lower"] == pytest.approx(min(i.low for i in intervals), rel=1e-9)
    assert numbers["result: upper"] == pytest.approx(max(i.high for i in intervals), rel=1e-9)


def test_rigs_as_blocks_agree_with_ordinary_least_squares():
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(12)
    plan = [(lot, rig) for lot, counts in {"L1": (4, 3), "L2": (3, 5)}.items()
            for rig, n in zip(("R1", "R2"), counts, strict=True) for _ in range(n)]  # fmt: skip
    frame = pd.DataFrame(plan, columns=["pad_lot", "rig"])
    frame["pad_set"] = [f"S{i}" for i in range(len(frame))]
    frame["result"] = 0.4 + 0.01 * (frame["rig"] == "R2") + rng.normal(0, 0.006, len(frame))
    known = smf.ols("result ~ C(pad_lot) + C(rig)", frame).fit()
    (claim,) = claims_of(frame, ("L2",), "L1").claims
    se, df = claim.views[0].precision(np.ones(1))
    assert claim.estimate == pytest.approx(known.params["C(pad_lot)[T.L2]"], rel=1e-9)
    assert se[0] == pytest.approx(known.bse["C(pad_lot)[T.L2]"], rel=1e-9)
    assert df[0] == pytest.approx(known.df_resid, rel=1e-9)


def test_each_lot_alone_with_the_weights_of_least_squares_by_hand():
    """Within a lot: pooled variance about its rig means, weights n1 n2 / (n1 + n2) of the rigs for both lots.

    With these the difference is that of least squares, whatever the rigs.
    """
    rng = np.random.default_rng(13)
    counts = {"L1": {"R1": 4, "R2": 2}, "L2": {"R1": 3, "R2": 5}}
    rows = [{"pad_lot": lot, "rig": rig, "pad_set": f"{rig}{i}", "result": 0.4 + rng.normal(0, 0.006)}
            for lot, rigs in counts.items() for rig, n in rigs.items() for i in range(n)]  # fmt: skip
    frame = pd.DataFrame(rows)
    (claim,) = claims_of(frame, ("L2",), "L1").claims
    worth = np.array([4 * 3 / (4 + 3), 2 * 5 / (2 + 5)])
    share = worth / worth.sum()
    parts = {}
    for lot, own in frame.groupby("pad_lot"):
        groups = [part["result"].to_numpy() for _, part in own.groupby("rig")]
        df = len(own) - 2
        variance = sum(((g - g.mean()) ** 2).sum() for g in groups) / df
        mean = share @ [g.mean() for g in groups]
        parts[lot] = (mean, variance * sum(w**2 / len(g) for w, g in zip(share, groups, strict=True)), df)
    (m1, v1, d1), (m2, v2, d2) = parts["L1"], parts["L2"]
    pooled, alone = claim.views
    se, df = alone.precision(np.ones(1))
    assert alone.mean_a[0] - alone.mean_b[0] == pytest.approx(m2 - m1, rel=1e-9)
    assert alone.mean_a[0] - alone.mean_b[0] == pytest.approx(pooled.mean_a[0] - pooled.mean_b[0], rel=1e-9)
    assert se[0] == pytest.approx(np.sqrt(v1 + v2), rel=1e-9)
    assert df[0] == pytest.approx((v1 + v2) ** 2 / (v1**2 / d1 + v2**2 / d2), rel=1e-9)


def test_one_set_per_rig_is_the_paired_t_test_over_rigs():
    rng = np.random.default_rng(14)
    rigs = [f"R{i}" for i in range(5)]
    level = rng.normal(0.40, 0.01, 5)
    values = {lot: level + rng.normal(shift, 0.004, 5) for lot, shift in {"L1": 0.0, "L2": 0.006}.items()}
    frame = pd.DataFrame([{"pad_lot": lot, "rig": rig, "pad_set": rig, "result": v}
                          for lot, own in values.items() for rig, v in zip(rigs, own, strict=True)])  # fmt: skip
    (claim,) = claims_of(frame, ("L2",), "L1").claims
    known = stats.ttest_rel(values["L2"], values["L1"])
    for view in claim.views:  # both views are the same test here: the two-way layout without repeats
        se, df = view.precision(np.ones(1))
        assert claim.estimate / se[0] == pytest.approx(known.statistic, rel=1e-7)
        assert df[0] == pytest.approx(4, rel=1e-7)


# --- several lots ------------------------------------------------------------------------------------------------

SAMPLES = {
    lot: np.random.default_rng(seed).normal(mean, 0.006, 6)
    for lot, mean, seed in (("L1", 0.400, 1), ("L2", 0.405, 2), ("L3", 0.412, 3), ("L4", 0.398, 4))
}


def joint(comparison) -> tuple[np.ndarray, np.ndarray]:
    """Adjusted probabilities of the pooled contrasts, and the critical value behind the stated error rates."""
    t = []
    for claim in comparison.claims:
        se, df = claim.pooled.precision(np.ones(1))
        t.append(claim.estimate / se[0])
    correlation = contrast_correlation([claim.pooled for claim in comparison.claims])
    critical = [stats.t.isf(claim.alpha / 2, df[0]) for claim in comparison.claims]
    return adjusted_p(np.array(t), correlation, float(df[0])), np.array(critical)


# Dunnett (1955), JASA 50, 1096-1121, as scipy has it. It integrates by quasi-random numbers: its probabilities are
# good to about 1e-4, hence the tolerance.
def test_several_lots_against_a_reference_agree_with_dunnett():
    comparison = claims_of(one_run_each(SAMPLES), ("L2", "L3", "L4"), "L1")
    others = [SAMPLES[lot] for lot in ("L2", "L3", "L4")]
    known = stats.dunnett(*others, control=SAMPLES["L1"], rng=np.random.default_rng(5))
    p, critical = joint(comparison)
    assert p == pytest.approx(known.pvalue, abs=1e-3)
    half = (known.confidence_interval(0.95).high - known.confidence_interval(0.95).low) / 2
    se = [claim.pooled.precision(np.ones(1))[0][0] for claim in comparison.claims]
    assert critical == pytest.approx(half / np.array(se), rel=2e-3)


# Tukey (1953), Kramer (1956) for unequal numbers; scipy's studentised range is exact to its quadrature.
def test_all_pairs_of_lots_agree_with_tukey():
    comparison = claims_of(one_run_each(SAMPLES), tuple(SAMPLES), None)
    known = stats.tukey_hsd(*SAMPLES.values())
    index = list(SAMPLES)
    expected = [known.pvalue[index.index(c.pair.a), index.index(c.pair.b)] for c in comparison.claims]
    p, critical = joint(comparison)
    assert len(comparison.claims) == 6
    assert p == pytest.approx(expected, abs=1e-3)
    assert critical == pytest.approx(stats.studentized_range.isf(0.05, 4, 20) / np.sqrt(2), rel=1e-3)
