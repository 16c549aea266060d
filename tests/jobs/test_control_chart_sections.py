"""Control charts of several sections: the joint chart, mean charts and their factors, the robust base."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import repeatab as rb
from repeatab.base.notes import NoteKind
from repeatab.control.factors import chart_factors
from repeatab.jobs.charts.question import Plotted
from repeatab.outcome.figures import JointHistory
from repeatab.outcome.history_figures import PointUse
from repeatab.outcome.verdict import Verdict


def day(month):
    return str(pd.Timestamp("2022-01-15") + pd.DateOffset(months=month))[:10]


def sections(visits=45, shift=None, runs=3, seed=9):
    """Three sections that scatter together; `shift` moves one of them from visit 35 on."""
    rng = np.random.default_rng(seed)
    rows = []
    for month in range(visits):
        common = rng.normal(0, 0.004)
        for name in ("cold", "fade", "hot"):
            level = 0.4 + common + rng.normal(0, 0.001) + (shift or {}).get(name, 0.0) * (month >= 35)
            rows += [("R1", name, day(month), level + rng.normal(0, 0.001)) for _ in range(runs)]
    return pd.DataFrame(rows, columns=["rig", "section", "date", "mu"])


def of_sections(frame, **options):
    options = {"base": rb.BasePeriod(visits=30)} | options
    return rb.control_chart(frame, result="mu", section="section", time="date", **options)


def test_the_joint_chart_finds_a_section_out_of_line_and_names_it():
    # 0.008 is less than two standard deviations of the section alone (about 0.0043), but six of what it
    # scatters by once the others are known.
    frame = sections(shift={"fade": 0.008})
    outcome = of_sections(frame, joint=rb.JointWatch(weight=0.2, in_control=370))
    signals = outcome.table("signals").to_frame()
    joint = signals[signals["section"] == "sections together"]
    assert {"sections together", "moving average of the sections together"} <= set(joint["chart"])
    assert all("fade" in drivers for drivers in joint["drivers"])
    assert (joint["since"] >= day(35)).all()
    # The change is there from visit 35 on; its size in the section that moved is told, within three standard errors.
    lasting = joint[joint["until"] == day(44)]
    assert len(lasting)
    for _, row in lasting.iterrows():
        first, last = row["range"].split(" to ")
        assert first <= day(35) <= last
        fade = next(part for part in row["drivers"].split(", ") if part.startswith("fade"))
        assert float(fade.split("(")[1].rstrip(")")) == pytest.approx(0.008, abs=0.005)
    assert outcome.headline.verdict is Verdict.SIGNAL
    assert of_sections(sections(), joint=rb.JointWatch()).headline.verdict is Verdict.IN_CONTROL


def test_wild_base_visits_are_screened_out_of_the_covariance_or_do_not_move_it():
    frame = sections(shift={"fade": 0.006})
    wild = (frame["section"] == "cold") & frame["date"].isin([day(5), day(17)])
    frame.loc[wild, "mu"] += 0.008
    screened = of_sections(frame, joint=rb.JointWatch(), screening=True)
    log = screened.table("screening").to_frame()
    mine = log[log["judged"] == "T² of the sections together"]
    assert sorted(mine["visit"]) == [day(5), day(17)]
    assert (mine["value"] > mine["upper"]).all()
    figure = next(one for one in screened.figures if isinstance(one, JointHistory))
    left_out = [p.label for p in figure.strips[0].lines[0].points if p.use is PointUse.LEFT_OUT]
    assert left_out == [day(5), day(17)]

    def found(**options):
        outcome = of_sections(frame, joint=rb.JointWatch(), **options)
        history = next(one for one in outcome.figures if isinstance(one, JointHistory))
        points = history.strips[0].lines[0].points
        return sum(p.value for p in points if p.use is PointUse.NEW and p.label >= day(35))

    # Two wild visits of thirty widen the plain covariance, so that the change of fade stands out less against it.
    assert found(screening=True) > 1.2 * found()
    assert found(robust=True) > 1.2 * found()


def test_visits_without_a_section_stand_on_the_other_charts_only():
    frame = sections()
    lacking = frame[~((frame["section"] == "hot") & (frame["date"] == day(40)))]
    outcome = of_sections(lacking, joint=rb.JointWatch())
    note = next(note for note in outcome.notes if note.kind is NoteKind.CONDITION)
    assert day(40) in note.text
    assert "1 visit" in note.text
    history_of_cold = outcome.figures[1].strips[0].lines[0].points
    assert day(40) in {p.label for p in history_of_cold}


@pytest.mark.parametrize(
    ("plotted", "factor"),
    [(Plotted.MEAN_AND_RANGE, "A2"), (Plotted.MEAN_AND_SD, "A3")],
    ids=["range", "standard deviation"],
)
def test_mean_charts_use_the_factors_of_iso_7870_2(plotted, factor):
    frame = sections(runs=4).query("section == 'cold'")
    outcome = of_sections(frame, plotted=plotted)
    wide = frame.groupby("date")["mu"].agg(["mean", np.ptp, "std"])[:30]
    width = wide["ptp" if factor == "A2" else "std"].mean() * getattr(chart_factors(4), factor)
    numbers = dict(outcome.numbers)
    assert numbers["R1, cold: centre"] == pytest.approx(wide["mean"].mean(), rel=1e-12)
    assert numbers["R1, cold: upper"] - numbers["R1, cold: centre"] == pytest.approx(width, rel=1e-10)
    # Visits scatter four times as much as the runs within them explain, which is said.
    assert any("scatter more than the runs within a visit explain" in note.text for note in outcome.notes)


def test_the_robust_base_is_not_moved_by_wild_visits():
    frame = sections().query("section == 'cold'")
    wild = frame["date"].isin([day(3), day(11), day(19)])
    spoilt = frame.assign(mu=frame["mu"] + np.where(wild, 0.05, 0.0))
    sound, plain, robust = (
        dict(of_sections(f, robust=r).numbers)["R1, cold: sd"]
        for f, r in ((frame, False), (spoilt, False), (spoilt, True))
    )
    assert plain > 2.5 * sound
    assert robust == pytest.approx(sound, rel=0.5)
