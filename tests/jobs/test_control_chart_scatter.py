"""A signal of the scatter within visits: when it began, by how much, and how the report says so. Invented data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.control.scatter_beginning import scatter_beginning
from repeatab.jobs.charts.question import Plotted
from repeatab.outcome.serialise import from_json_bytes, to_json_bytes
from repeatab.outcome.verdict import Verdict

CHANGE = 26


def day(month):
    return str(pd.Timestamp("2022-01-15") + pd.DateOffset(months=month))[:10]


def history(*, ratio=4.0, runs=3, visits=30, seed=2, rig="R1", mean_step=0.0):
    """Fresh sets on one rig; from visit CHANGE on the runs of a visit scatter `ratio` times as much."""
    rng = np.random.default_rng(seed)
    rows = []
    for month in range(visits):
        sd = 0.003 * (ratio if month >= CHANGE else 1.0)
        # Scores with mean zero: the means of the visits are those of a sound rig.
        own = rng.standard_normal(runs)
        level = 0.4 + rng.normal(0, 0.002) + (mean_step if month >= CHANGE else 0.0)
        rows += [(rig, day(month), f"{month}-{i}", level + sd * z) for i, z in enumerate(own - own.mean())]
    return pd.DataFrame(rows, columns=["rig", "date", "pad_set", "mu"])


def chart(frame, **options):
    options = {"base": rb.BasePeriod(visits=20)} | options
    return rb.control_chart(frame, result="mu", time="date", pad_set="pad_set", **options)


def visit_squares(frame):
    by = frame.groupby("date")["mu"]
    return (by.var() * (by.size() - 1)).to_numpy(), (by.size() - 1).to_numpy()


def test_a_signal_of_the_scatter_is_dated_in_tables_and_words():
    frame = history()
    outcome = chart(frame, events=[rb.Event(day=day(CHANGE), kind="repair", rig="R1", text="clamp renewed")])
    signals = outcome.table("signals").to_frame()
    scatter = signals[signals["chart"] == "scatter within the visit"]
    assert scatter["began"].tolist() == [day(CHANGE)] * len(scatter)
    assert scatter["change"].isna().all()
    # The estimate itself, from the rows: base of 20 visits, new visits up to the last signal.
    squares, df = visit_squares(frame)
    last = int(np.flatnonzero(np.array(sorted(set(frame["date"]))) == scatter["since"].iloc[-1])[0])
    # The limit of NIST/SEMATECH e-Handbook 2.3.5: the pooled standard deviation times the root of F.
    pooled = squares[:20].sum() / df[:20].sum()
    limit = np.sqrt(pooled * stats.f.isf(2 * stats.norm.sf(3), 2, df[:20].sum()))
    found = scatter_beginning(
        squares[20 : last + 1], df[20 : last + 1], base_variance=squares[:20].sum() / df[:20].sum(),
        base_df=float(df[:20].sum()), limit=limit,
    )  # fmt: skip
    assert scatter["scatter"].iloc[-1] == pytest.approx(found.ratio, rel=1e-9)
    assert found.lower < 4.0 < found.upper
    low, high = (float(one) for one in scatter["scatter_range"].iloc[-1].split(" to "))
    assert (low, high) == pytest.approx((found.lower, found.upper), rel=0.05)  # two digits
    state = outcome.table("states").to_frame().iloc[0]
    assert (state["began"], state["scatter"]) == (day(CHANGE), pytest.approx(found.ratio, rel=1e-9))
    assert day(20 + found.first) <= state["began"] <= day(20 + found.last)
    reason = outcome.judgements[0].reason
    for part in (
        "the runs of a visit scatter",
        "times as much as before",
        day(CHANGE),
        "95%",
        "clamp renewed",
    ):
        assert part in reason
    assert "clamp renewed" in scatter["events"].iloc[-1]
    assert from_json_bytes(to_json_bytes(outcome)) == outcome


def test_a_change_of_level_and_one_of_scatter_are_both_said():
    outcome = chart(history(mean_step=0.02))
    reason = outcome.judgements[0].reason
    assert "probably a step of" in reason
    assert "the runs of a visit scatter" in reason
    state = outcome.table("states").to_frame().iloc[0]
    assert state["change"] == pytest.approx(0.02, abs=0.004)
    assert state["scatter"] > 2


def test_without_a_signal_of_the_scatter_there_is_no_column_for_it():
    outcome = chart(history(ratio=1.0, mean_step=0.02))
    assert outcome.headline.verdict is Verdict.SIGNAL
    for table in ("signals", "states"):
        assert not {"scatter", "scatter_range"} & {one.key for one in outcome.table(table).columns}


@pytest.mark.parametrize("plotted", [Plotted.MEAN_AND_RANGE, Plotted.MEAN_AND_SD])
@pytest.mark.parametrize("ratio", [5.0, 0.1])
def test_charts_of_range_and_standard_deviation_date_it_to_both_sides(plotted, ratio):
    # The mean chart by the scatter within the visits is not the question here; eight runs give a lower limit.
    outcome = chart(history(ratio=ratio, runs=8), plotted=plotted)
    signals = outcome.table("signals").to_frame()
    scatter = signals[signals["chart"] == "scatter within the visit"]
    late = scatter[scatter["since"] >= day(CHANGE)]
    assert set(late["side"]) == {"up" if ratio > 1 else "down"}
    assert set(late["began"]) == {day(CHANGE)}
    # 21 degrees of freedom or more on either side by the last visit: about ±20 % each.
    assert late["scatter"].iloc[-1] == pytest.approx(ratio, rel=0.6)


def test_visits_of_one_run_are_passed_over():
    frame = history()
    alone = frame["date"].isin([day(22), day(27)]) & ~frame["pad_set"].str.endswith("-0")
    outcome = chart(frame[~alone])
    scatter = outcome.table("signals").to_frame().query("chart == 'scatter within the visit'")
    assert set(scatter["began"]) == {day(CHANGE)}
    assert not {day(22), day(27)} & set(scatter["since"])


def test_a_visit_of_equal_runs_below_its_limit_has_no_beginning():
    frame = history(ratio=1.0, runs=8)
    same = frame["date"] == day(28)
    level = frame[same]["mu"].mean()
    outcome = chart(frame.assign(mu=frame["mu"].where(~same, level)), plotted=Plotted.MEAN_AND_SD)
    signals = outcome.table("signals").to_frame()
    row = signals[(signals["chart"] == "scatter within the visit") & (signals["since"] == day(28))].iloc[0]
    assert row["side"] == "down"
    assert row["began"] is None or row["began"] != row["began"]
