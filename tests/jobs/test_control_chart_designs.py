"""Control charts where the design decides what can be told: sets that wear, change-overs, few or moving bases, several
sections. Invented data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import repeatab as rb
from repeatab.base.errors import EstimationError, InputError, StudyError
from repeatab.base.notes import NoteKind
from repeatab.jobs.charts.question import Plotted, Reference, Residuals
from repeatab.jobs.questions import Analysis
from repeatab.outcome.verdict import Verdict

WEAR = -0.0004


def day(month):
    return str(pd.Timestamp("2022-01-15") + pd.DateOffset(months=month))[:10]


def history(rigs, sets, *, drift=None, visits=36, runs=2, seed=3, set_sd=0.004, lot=None):
    """Runs of sets on rigs month by month; `sets(rig, month)` names those that run, `drift` begins after month 24."""
    rng = np.random.default_rng(seed)
    rows, age, own = [], {}, {}
    for month in range(visits):
        for rig in rigs:
            for name in sets(rig, month):
                own.setdefault(name, rng.normal(0, set_sd))
                for _ in range(runs):
                    worn = WEAR * age.get(name, 0)
                    age[name] = age.get(name, 0) + 1
                    moved = (drift or {}).get(rig, 0.0) * max(0, month - 24)
                    value = 0.4 + own[name] + worn + moved + rng.normal(0, 0.002)
                    rows.append((rig, day(month), name, lot or "L", value))
    return pd.DataFrame(rows, columns=["rig", "date", "pad_set", "pad_lot", "mu"])


def of_sets(frame, **options):
    options = {"base": rb.BasePeriod(visits=20), "ewma": rb.Ewma(weight=0.2, limit=2.86)} | options
    return rb.control_chart(
        frame, result="mu", time="date", pad_set="pad_set", reference=Reference.SET, **options
    )


def of_lots(frame, **options):
    options = {"base": rb.BasePeriod(visits=20)} | options
    return rb.control_chart(frame, result="mu", time="date", pad_lot="pad_lot", pad_set="pad_set", **options)


def test_one_set_on_one_rig_gets_a_joint_name():
    outcome = of_sets(history(["R1"], lambda _rig, _month: ["S1"]))
    assert outcome.headline.verdict is not Verdict.IN_CONTROL  # it wears: nothing may call the rig sound
    assert outcome.table("wear").to_frame()["wear"].isna().all()
    signals = outcome.table("signals").to_frame()
    assert set(signals["what"]) == {"drift of R1 and wear of set S1, mixed together"}
    assert "mixed together" in outcome.figures[1].strips[0].label
    assert any("one number" in text for text in outcome.cannot_tell)
    assert any(note.kind is NoteKind.CAUTION and "base period moves" in note.text for note in outcome.notes)


def test_overlapping_ages_tell_wear_from_drift():
    def sets(rig, month):
        return [f"{rig}-{k}" for k in range(8) if 6 * k - 2 <= month < 6 * k + 6]

    outcome = of_sets(history(["R1", "R2"], sets, drift={"R2": -0.002}))
    wear = outcome.table("wear").to_frame()
    assert (wear["lower"] < WEAR).all()
    assert (wear["upper"] > WEAR).all()
    assert (wear["upper"] < 0).all()
    verdicts = {judgement.subject: judgement.verdict for judgement in outcome.judgements}
    assert verdicts == {"R1": Verdict.IN_CONTROL, "R2": Verdict.SIGNAL}
    assert "It is a change of R2" in outcome.judgements[1].reason


def test_sets_that_never_come_back_are_no_series():
    # Every age is 0, so nothing tells wear from drift either; the refusal is about the limits, not about ages.
    frame = history(["R1"], lambda _rig, month: [f"{month}a", f"{month}b"], runs=1, visits=8)
    with pytest.raises(EstimationError, match="no limits can be formed"):
        of_sets(frame, base=rb.BasePeriod(visits=6))


def test_several_rigs_tell_wear_from_the_drift_of_one():
    outcome = of_sets(history(["R1", "R2", "R3"], lambda rig, _month: [f"S{rig}"], drift={"R2": -0.002}))
    wear = outcome.table("wear").to_frame()
    assert wear["wear"].to_numpy() == pytest.approx(WEAR, abs=5e-5)
    verdicts = [judgement.verdict for judgement in outcome.judgements]
    assert verdicts == [Verdict.IN_CONTROL, Verdict.SIGNAL, Verdict.IN_CONTROL]
    row = outcome.table("states").to_frame().iloc[1]
    assert row["began_from"] <= day(25) <= row["began_to"]
    assert any("drift that all rigs share" in text for text in outcome.cannot_tell)


def test_two_rigs_cannot_tell_which_of_them_drifts():
    outcome = of_sets(history(["R1", "R2"], lambda rig, _month: [f"S{rig}"], drift={"R2": -0.003}))
    assert any("cannot be told which of them drifts" in text for text in outcome.cannot_tell)
    assert "against the other rig" in set(outcome.table("signals").to_frame()["what"]).pop()


def lots(step=0.01, overlap=3, change=26, visits=40, seed=5):
    """Fresh sets of two lots on two rigs; both lots run in the months of overlap before the change."""
    rng = np.random.default_rng(seed)
    rows = []
    for month in range(visits):
        for rig in ("R1", "R2"):
            visit = rng.normal(0, 0.001)
            names = ["A"] * (month < change) + ["B"] * (month >= change - overlap)
            for name in names:
                for run in range(3):
                    value = 0.4 + visit + step * (name == "B") + rng.normal(0, 0.003)
                    rows.append((rig, day(month), name, f"{rig}{month}{name}{run}", value))
    return pd.DataFrame(rows, columns=["rig", "date", "pad_lot", "pad_set", "mu"])


def test_the_step_between_lots_comes_from_the_overlap_with_its_uncertainty():
    frame = lots()
    row = of_lots(frame).table("links").to_frame().iloc[0]
    wide = frame.pivot_table(index=["rig", "date"], columns="pad_lot", values="mu", aggfunc="mean").dropna()
    assert row["step"] == pytest.approx((wide["B"] - wide["A"]).mean(), rel=1e-12)
    # The pooled variance within visits and lots, by its definition.
    within = frame.groupby(["rig", "date", "pad_lot"])["mu"].agg(["var", "size"])
    pooled = (within["var"] * (within["size"] - 1)).sum() / (within["size"] - 1).sum()
    df = (within["size"] - 1).sum()
    half = stats.t.ppf(0.975, df) * np.sqrt(pooled * 2 / 3 / len(wide))
    assert (row["overlaps"], row["rigs"], row["df"]) == (6, 2, df)
    assert row["upper"] - row["step"] == pytest.approx(half, rel=1e-9)


def test_a_linked_change_over_moves_and_widens_the_limits():
    outcome = of_lots(lots())
    assert outcome.headline.verdict is Verdict.IN_CONTROL
    points = outcome.figures[1].strips[0].lines[0].points
    before, after = points[25], points[26]
    link = outcome.table("links").to_frame().iloc[0]
    assert after.centre - before.centre == pytest.approx(link["step"], rel=1e-9)
    sd = outcome.table("limits").to_frame().iloc[0]["sd"]
    se = (link["upper"] - link["step"]) / stats.t.ppf(0.975, link["df"])
    ratio = (after.upper - after.lower) / (before.upper - before.lower)
    assert ratio == pytest.approx(np.sqrt(1 + (se / sd) ** 2), rel=1e-9)


def test_a_change_over_within_the_base_leaves_only_what_it_does_not_share():
    outcome = of_lots(lots(change=10), base=rb.BasePeriod(visits=20))
    points = outcome.figures[1].strips[0].lines[0].points
    link = outcome.table("links").to_frame().iloc[0]
    sd = outcome.table("limits").to_frame().iloc[0]["sd"]
    se = (link["upper"] - link["step"]) / stats.t.ppf(0.975, link["df"])
    # Half of the base lies on either side of the step.
    expected = 2 * 3 * np.sqrt(sd**2 + (se / 2) ** 2)
    assert points[30].upper - points[30].lower == pytest.approx(expected, rel=1e-9)


def test_a_change_over_without_overlap_restarts_and_says_why():
    outcome = of_lots(lots(overlap=0, change=22), base=rb.BasePeriod(visits=20, after_restart=10))
    causes = outcome.table("limits").to_frame()["cause"]
    assert causes.str.contains("change from A to B without overlap").sum() == 2
    assert any("are one number" in text and "without overlap" in text for text in outcome.cannot_tell)
    assert outcome.headline.verdict is Verdict.IN_CONTROL  # a step of 2.5 SD is the lot's, not the rigs'


def test_a_base_that_is_being_formed_has_no_verdict_and_says_what_to_run():
    events = [rb.Event(day=day(34), kind="relocation", rig="R2")]
    outcome = of_lots(lots(), events=events)
    verdicts = {judgement.subject: judgement.verdict for judgement in outcome.judgements}
    assert verdicts == {"R1": Verdict.IN_CONTROL, "R2": Verdict.UNDECIDED}
    assert "6 of 12 visits" in outcome.judgements[1].reason
    assert "6 of 12 visits" in outcome.next_runs.sentence


def test_rigs_that_change_together_throw_suspicion_on_the_reference():
    frame = lots(change=40)
    late = frame["date"] >= day(30)
    outcome = of_lots(frame.assign(mu=frame["mu"] + np.where(late, 0.012, 0.0)))
    assert {judgement.verdict for judgement in outcome.judgements} == {Verdict.SIGNAL}
    assert "look at the reference first" in outcome.headline.reason


def test_one_rig_alone_is_named_with_the_reference_lot():
    frame = lots(change=40).query("rig == 'R1'")
    late = frame["date"] >= day(30)
    outcome = of_lots(frame.assign(mu=frame["mu"] + np.where(late, 0.012, 0.0)))
    assert "a change of R1 or of the reference lot" in outcome.judgements[0].reason


def test_neighbours_that_resemble_each_other_are_charted_by_residuals():
    rng = np.random.default_rng(6)
    level = [0.0]
    for _ in range(79):
        level.append(0.75 * level[-1] + rng.normal(0, 0.004))
    frame = pd.DataFrame({"rig": "R1", "date": [day(i) for i in range(80)], "mu": 0.4 + np.array(level)})

    def run(residuals):
        return rb.control_chart(
            frame, result="mu", time="date", base=rb.BasePeriod(visits=50), residuals=residuals
        )

    outcome = run(Residuals.WHEN_NEEDED)
    row = outcome.table("neighbours").to_frame().iloc[0]
    assert row["p"] < 0.01
    # The estimate from 50 results scatters by √((1 − 0.75²) / 50) = 0.09 about the truth.
    assert row["carry"] == pytest.approx(0.75, abs=0.2)
    assert any("residuals are charted" in note.text for note in outcome.notes)
    plain = run(Residuals.NEVER)
    found, ignored = (o.table("limits").to_frame().iloc[0] for o in (outcome, plain))
    assert found["sd"] == pytest.approx(0.004, rel=0.3)
    assert ignored["method"] == "mean moving range of neighbours; too few base visits to test"
    count = [
        0 if all(t.key != "signals" for t in o.tables) else len(o.table("signals").rows)
        for o in (outcome, plain)
    ]
    assert count[0] < count[1]


def test_ratio_analysis_shows_levels_in_the_unit_and_changes_in_percent():
    frame = lots(change=40).query("rig == 'R1'")
    late = frame["date"] >= day(30)
    outcome = of_lots(frame.assign(mu=frame["mu"] * np.where(late, 1.05, 1.0)), analysis=Analysis.RATIO)
    assert dict(outcome.numbers)["R1, result: centre"] == pytest.approx(0.4, abs=0.002)
    row = outcome.table("states").to_frame().iloc[0]
    assert row["change"] == pytest.approx(5.0, abs=0.8)
    assert "%" in outcome.judgements[0].reason


def test_runs_of_one_set_at_a_visit_are_no_fresh_sets():
    frame = lots(change=40)
    doubled = pd.concat([frame, frame]).sort_values(["rig", "date", "pad_set"])
    assert dict(of_lots(doubled).numbers) == pytest.approx(dict(of_lots(frame).numbers), rel=1e-9)


def test_sets_of_a_lot_that_come_back_are_noticed():
    outcome = of_lots(history(["R1", "R2"], lambda rig, month: [f"{rig}{month % 5}"]))
    assert any(note.kind is NoteKind.WEAR for note in outcome.notes)


def test_stated_limits_judge_everything_and_take_the_place_of_a_base():
    frame = lots(change=40).query("rig == 'R1'")
    limits = (rb.StatedLimits(rig="R1", section="result", centre=0.39, sd=0.002, base=30),)
    outcome = of_lots(frame, base=None, limits=limits)
    assert outcome.headline.verdict is Verdict.SIGNAL
    row = outcome.table("limits").to_frame().iloc[0]
    assert (row["lower"], row["upper"], row["base"]) == (
        pytest.approx(0.384), pytest.approx(0.396), 30,
    )  # fmt: skip
    few = (rb.StatedLimits(rig="R1", section="result", centre=0.40, sd=0.002, base=8),)
    trial = of_lots(frame, base=None, limits=few).table("limits").to_frame().iloc[0]
    # Student's t: 8 base points, 7 degrees of freedom (Hahn & Meeker 1991, 4.7).
    half = stats.t.isf(stats.norm.sf(3), 7) * 0.002 * np.sqrt(1 + 1 / 8)
    assert trial["upper"] - 0.40 == pytest.approx(half, rel=1e-9)


@pytest.mark.parametrize(
    ("options", "kind", "parts"),
    [
        ({"base": rb.BasePeriod(until="2022-03-01")}, EstimationError, ("2 base visits", "at least 3")),
        (
            {"base": rb.BasePeriod(start="2024-06-01", until="2026-01-01")},
            StudyError,
            ("lies after the results",),
        ),
        ({"rigs": ("R3",)}, StudyError, ("'R3' is not in the results", "'R1', 'R2'")),
        (
            {"limits": (rb.StatedLimits(rig="R9", section="result", centre=0.4, sd=0.01),)},
            StudyError,
            ("'R9' is not in the results",),
        ),
        (
            {"base": None, "limits": (rb.StatedLimits(rig="R1", section="result", centre=0.4, sd=0.01),)},
            StudyError,
            ("none are stated for R2, result",),
        ),
        ({"base": None}, StudyError, ("base: is missing",)),
        ({"time": None}, InputError, ("neither at which visit nor when",)),
    ],
)
def test_what_cannot_be_charted_is_said(options, kind, parts):
    call = {"result": "mu", "time": "date", "base": rb.BasePeriod(visits=20)} | options
    with pytest.raises(kind) as caught:
        rb.control_chart(lots(change=40), **call)
    for part in parts:
        assert part in str(caught.value)


@pytest.mark.parametrize(
    ("make", "part"),
    [
        (lambda: rb.BasePeriod(visits=2), "at least 3 visits"),
        (lambda: rb.BasePeriod(), "no end of the base period"),
        (lambda: rb.BasePeriod(start="2025-02-01", until="2025-01-01"), "start before the end"),
        (lambda: rb.JointWatch(weight=0.001), "from 0.02 to 1"),
        (lambda: rb.StatedLimits(rig="R", section="s", centre=0.4, sd=0.0), "standard deviation above 0"),
    ],
)
def test_questions_that_make_no_sense_are_refused(make, part):
    with pytest.raises(StudyError, match=part):
        make()


def test_events_that_concern_nothing_here_are_noted():
    events = [
        rb.Event(day="1999-01-01", kind="relocation", rig="R1"),
        rb.Event(day=day(5), kind="repair", rig="R7"),
    ]
    outcome = of_lots(lots(change=40), events=events)
    texts = " ".join(note.text for note in outcome.notes if note.kind is NoteKind.INPUT)
    assert "R7" in texts
    assert "before the first" in texts
    assert len(outcome.table("limits").rows) == 2


def test_visits_on_one_day_are_kept_apart_by_their_names_and_days_alone_make_visits():
    frame = lots(change=40).query("rig == 'R1'")
    two = frame.assign(visit=frame["date"] + frame["pad_set"].str[-1], date=frame["date"])
    named = rb.control_chart(
        two, result="mu", visit="visit", time="date", base=rb.BasePeriod(visits=60), plotted=Plotted.SINGLE
    )
    assert "120 visits" in named.evidence[0]
    assert "40 visits" in of_lots(frame).evidence[0]


def test_every_visit_with_one_run_needs_single_results():
    frame = lots(change=40).drop_duplicates(["rig", "date"])
    with pytest.raises(EstimationError, match="single results"):
        of_lots(frame, plotted=Plotted.VISITS)
    assert "single results" in of_lots(frame).methods[0].method


def test_stated_limits_hold_for_their_own_reference():
    frame = lots(change=20).query("rig == 'R1'")
    on_b = rb.StatedLimits(rig="R1", section="result", centre=0.41, sd=0.002, reference="B")
    outcome = of_lots(frame, base=None, limits=(on_b,))
    points = outcome.figures[1].strips[0].lines[0].points
    assert points[30].centre == pytest.approx(0.41)
    assert points[30].upper - points[30].lower == pytest.approx(6 * 0.002)
    link = outcome.table("links").to_frame().iloc[0]
    se = (link["upper"] - link["step"]) / stats.t.ppf(0.975, link["df"])
    assert points[5].centre == pytest.approx(0.41 - link["step"])
    assert points[5].upper - points[5].lower == pytest.approx(6 * np.hypot(0.002, se))
    # Of limits for both references those of the latest one count.
    on_a = rb.StatedLimits(rig="R1", section="result", centre=0.38, sd=0.002, reference="A")
    both = of_lots(frame, base=None, limits=(on_a, on_b))
    assert both.numbers == outcome.numbers
    elsewhere = rb.StatedLimits(rig="R1", section="result", centre=0.41, sd=0.002, reference="C")
    with pytest.raises(StudyError, match="'C' is not in the results"):
        of_lots(frame, base=None, limits=(elsewhere,))


def test_a_stated_scatter_within_visits_is_judged():
    frame = lots(change=40).query("rig == 'R1'")
    wide = (frame["date"] == day(33)) & frame["pad_set"].str.endswith("0")
    limits = (rb.StatedLimits(rig="R1", section="result", centre=0.40, sd=0.0025, within_sd=0.003),)
    outcome = of_lots(frame.assign(mu=frame["mu"] + np.where(wide, 0.02, 0)), base=None, limits=limits)
    signals = outcome.table("signals").to_frame()
    scatter = signals[signals["chart"] == "scatter within the visit"]
    assert scatter["since"].tolist() == [day(33)]
