"""Limits of worn sets and over change-overs stay what they were: wear and steps lie in the ledger with them.

Invented data: two rigs whose sets wear, and two lots that meet.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import repeatab as rb
from repeatab.base.notes import NoteKind
from repeatab.control.limits import nominal_rate
from repeatab.control.scatter_distribution import prediction_factor
from repeatab.jobs.charts.past_corrections import RecordedStep, ToldBy
from repeatab.jobs.charts.question import Reference
from repeatab.ledger.export import What, export
from repeatab.ledger.history import stated_limits
from repeatab.ledger.importing import import_reference
from repeatab.ledger.records import Kind, Stamp, of_limits
from repeatab.ledger.store import Ledger, open_ledger
from repeatab.ledger.verify import verify
from repeatab.outcome.figures import ReferenceHistory
from repeatab.outcome.outcome import Outcome
from repeatab.run import run_study
from repeatab.study.loading import load_study

STUDY = """\
job = "control_chart"
title = "Reference sets"
as_of = {as_of}
reference = "{reference}"
[chart]

shift = 1.0
[base]
from_ledger = true
visits = 16
[results]
from_ledger = true
quantity = "friction"
[sections.fade]
"""
COLUMNS = {name: name for name in ("result", "rig", "section", "time", "pad_lot", "pad_set", "visit")}


def day(month: int) -> str:
    return str(pd.Timestamp("2022-01-15") + pd.DateOffset(months=month))[:10]


def worn_sets(sets: Callable[[str, int], list[str]], *, visits: int = 34, seed: int = 3) -> pd.DataFrame:
    """Sets on two or three rigs that lose 0.0004 a run; R2 drifts from visit 24 on."""
    rng = np.random.default_rng(seed)
    rows, age, own = [], {}, {}  # type: ignore[var-annotated]
    rigs = ("R1", "R2") if len(sets("R1", 5)) > 1 else ("R1", "R2", "R3")
    for month in range(visits):
        for rig in rigs:
            for name in sets(rig, month):
                own.setdefault(name, rng.normal(0, 0.004))
                for _ in range(2):
                    value = 0.4 + own[name] - 0.0004 * age.get(name, 0) + rng.normal(0, 0.002)
                    value -= 0.002 * max(0, month - 24) * (rig == "R2")
                    age[name] = age.get(name, 0) + 1
                    rows.append((rig, "fade", day(month), name, value))
    frame = pd.DataFrame(rows, columns=["rig", "section", "time", "pad_set", "result"])
    return frame.assign(visit=frame["time"], pad_lot="L")


def overlapping(rig: str, month: int) -> list[str]:
    """A new set every six months, run beside the one before for two."""
    return [f"{rig}-{k}" for k in range(8) if 6 * k - 2 <= month < 6 * k + 6]


def two_lots(*, change: int, again: int | None, visits: int = 34, seed: int = 5) -> pd.DataFrame:
    """Fresh sets of lot A, then of B; both in the three months before, and `again` once more."""
    rng = np.random.default_rng(seed)
    rows = []
    for month in range(visits):
        for rig in ("R1", "R2"):
            visit = rng.normal(0, 0.001)
            lots = ["A"] * (month < change or month == again) + ["B"] * (month >= change - 3)
            for lot in lots:
                for run in range(3):
                    value = 0.4 + visit + 0.01 * (lot == "B") + rng.normal(0, 0.003)
                    rows.append((rig, "fade", day(month), lot, f"{rig}{month}{lot}{run}", value))
    frame = pd.DataFrame(rows, columns=["rig", "section", "time", "pad_lot", "pad_set", "result"])
    return frame.assign(visit=frame["time"])


@dataclass(frozen=True)
class Lab:
    """A laboratory that records its reference results and judges them, month after month."""

    folder: Path
    place: str
    stamp: Stamp
    whole: pd.DataFrame
    reference: Reference

    @property
    def ledger(self) -> Ledger:
        return open_ledger(self.place, create=True)

    def takes_in(self, first: int, last: int, *, supersedes: int | None = None, more: float = 0.0) -> int:
        """Visits first to last; returns the number of the record."""
        part = self.whole[self.whole["time"].between(day(first), day(last))]
        part = part.assign(result=part["result"] + more * (part["pad_lot"] == "B"))
        file = self.folder / f"{first}_{last}_{more}.csv"
        part.to_csv(file, index=False)
        found = import_reference(self.ledger, file, columns=COLUMNS, stamp=self.stamp, supersedes=supersedes)
        return found.record.number

    def study(self, month: int) -> Path:
        path = self.folder / "control.toml"
        as_of = pd.Timestamp(day(month)) + pd.DateOffset(days=10)
        text = STUDY.format(as_of=str(as_of)[:10], reference=self.reference.value)
        path.write_text(text, encoding="utf-8")
        return path

    def judges(self, month: int) -> Outcome:
        """The study of a month, recorded."""
        return run_study(load_study(self.study(month)), ledger=self.place, stamp=self.stamp)

    def from_a_table(self, last: int, limits: tuple[rb.StatedLimits, ...]) -> Outcome:
        """The same results from a dataframe, judged by limits that are handed in."""
        return rb.control_chart(
            self.whole[self.whole["time"] <= day(last)], base=rb.BasePeriod(visits=16), result="result",
            section="section", time="time", visit="visit", pad_lot="pad_lot", pad_set="pad_set",
            reference=self.reference, limits=limits,
        )  # fmt: skip


def bounds(outcome: Outcome) -> pd.DataFrame:
    """What every point is judged by: centre and limits, by rig and visit."""
    found = {}
    for figure in outcome.figures:
        if isinstance(figure, ReferenceHistory):
            rig = figure.title.split(":")[0]
            for point in figure.strips[0].lines[0].points:
                found[rig, point.label] = (point.centre, point.lower, point.upper)
    return pd.DataFrame.from_dict(found, orient="index", columns=["centre", "lower", "upper"]).astype(float)


def assert_same(one: pd.DataFrame, other: pd.DataFrame) -> None:
    # To rounding: the sums are the same, taken in another order at most.
    pd.testing.assert_frame_equal(one, other.loc[one.index], rtol=1e-12, atol=1e-15)


@pytest.fixture
def sets(tmp_path: Path, stamp: Stamp) -> Lab:
    place = str(tmp_path / "lab.sqlite")
    return Lab(tmp_path, place, stamp, worn_sets(overlapping), Reference.SET)


@pytest.fixture
def lots(tmp_path: Path, stamp: Stamp) -> Lab:
    place = str(tmp_path / "lab.sqlite")
    return Lab(tmp_path, place, stamp, two_lots(change=22, again=29), Reference.LOT)


def test_limits_of_worn_sets_stay_what_they_were_as_sets_come_and_go(sets: Lab) -> None:
    lab = sets
    lab.takes_in(0, 21)
    first = lab.judges(21)
    frozen = stated_limits(lab.ledger)
    assert [one.rig for one in frozen] == ["R1", "R2"]
    wear = first.table("wear").to_frame().set_index("rig")
    for one in frozen:
        assert one.rests_on is not None
        assert one.rests_on.wear is not None
        assert one.rests_on.wear.told_by is ToldBy.AGES
        assert one.rests_on.wear.per_run == wear.loc[one.rig, "wear"]
        assert [(step.earlier, step.later) for step in one.rests_on.steps] == [
            (f"{one.rig}-{k}", f"{one.rig}-{k + 1}") for k in range(3)
        ]
    lab.takes_in(22, 27)
    second = lab.judges(27)
    # Formed anew, wear and steps would be those of all 28 visits, and the limits of old points with them.
    anew = lab.from_a_table(27, ())
    assert np.abs(bounds(first) - bounds(anew).loc[bounds(first).index]).max().max() > 1e-5
    assert_same(bounds(first), bounds(second))
    assert_same(bounds(lab.from_a_table(27, frozen)), bounds(second))
    # A further set has come since: the step to it is kept too, and nothing else changes.
    extended = stated_limits(lab.ledger)
    for before, now in zip(frozen, extended, strict=True):
        assert before.rests_on is not None
        assert now.rests_on is not None
        assert len(now.rests_on.steps) == len(before.rests_on.steps) + 1
        assert now.rests_on.steps[:-1] == before.rests_on.steps
        assert replace(now, rests_on=replace(now.rests_on, steps=before.rests_on.steps)) == before
    lab.takes_in(28, 33)
    third = lab.judges(33)
    assert_same(bounds(second), bounds(third))
    assert [one.verdict.value for one in third.judgements] == ["in control", "signal"]
    assert verify(lab.ledger).whole
    assert any("were formed with: R1, fade and R2, fade" in note.text for note in third.notes)


def test_what_worn_points_are_judged_by_follows_from_the_record_alone(sets: Lab) -> None:
    sets.takes_in(0, 21)
    sets.judges(21)
    sets.takes_in(22, 33)
    found = bounds(sets.judges(33))
    limits = {one.rig: one for one in stated_limits(sets.ledger)}["R1"]
    base = limits.rests_on
    assert base is not None
    assert base.wear is not None
    assert base.wear.per_run is not None
    assert base.wear.se is not None
    # Set k is in use from month 6k to 6k + 5 (the older one while two run) and began two months before, the first one
    # with month 0; two runs a visit; the age of a visit is the mean number of runs before. The base holds 16 visits.
    months = range(34)
    age = {m: 2 * (m - 6 * (m // 6) + (2 if m >= 6 else 0)) + 0.5 for m in months}
    base_age = np.mean([age[m] for m in range(16)])
    assert base.wear.base_age == pytest.approx(base_age, rel=1e-12)
    assert limits.base is not None
    factor = prediction_factor(
        nominal_rate(3.0), df=base.df, count=limits.base, centre_variance=base.centre_variance
    )
    for month in (17, 20, 23, 26, 29, 33):
        beyond = np.array([month >= 6 * (k + 1) for k in range(len(base.steps))], dtype=float)
        shared = np.array([np.mean([m >= 6 * (k + 1) for m in range(16)]) for k in range(len(base.steps))])
        offset = beyond @ [one.value for one in base.steps] + base.wear.per_run * age[month]
        variance = (((beyond - shared) * [one.se for one in base.steps]) ** 2).sum()
        variance += (base.wear.se * (age[month] - base_age)) ** 2
        row = found.loc[[("R1", day(month))]].iloc[0]
        assert row["centre"] == pytest.approx(limits.centre + offset, rel=1e-12), month
        half = factor * np.sqrt(limits.sd**2 + variance)
        assert row["upper"] - row["centre"] == pytest.approx(half, rel=1e-9), month


def test_wear_told_by_other_rigs_gives_the_same_answer_from_the_ledger_as_anew(
    tmp_path: Path, stamp: Stamp
) -> None:
    # Their wear is taken from the base period alone, so that nothing may differ at all.
    lab = Lab(
        tmp_path, str(tmp_path / "lab.sqlite"), stamp, worn_sets(lambda rig, _: [f"{rig}-S"]), Reference.SET,

    )  # fmt: skip
    lab.takes_in(0, 33)
    lab.judges(21)
    frozen = lab.judges(33)
    anew = lab.from_a_table(33, ())
    assert {
        one.rests_on.wear.told_by for one in stated_limits(lab.ledger) if one.rests_on and one.rests_on.wear
    } == {ToldBy.RIGS}
    assert [one.reason for one in frozen.judgements] == [one.reason for one in anew.judgements]
    assert_same(bounds(frozen), bounds(anew))
    assert dict(frozen.numbers) == pytest.approx(dict(anew.numbers), rel=1e-9)
    for key in ("signals", "wear"):
        pd.testing.assert_frame_equal(frozen.table(key).to_frame(), anew.table(key).to_frame(), rtol=1e-9)


@pytest.mark.parametrize("change", [22, 10], ids=["after the base", "within the base"])
def test_a_linked_change_over_stays_where_it_was_when_both_lots_meet_again(
    tmp_path: Path, stamp: Stamp, change: int
) -> None:
    lab = Lab(tmp_path, str(tmp_path / "lab.sqlite"), stamp, two_lots(change=change, again=29), Reference.LOT)
    lab.takes_in(0, 20)
    lab.judges(20)
    lab.takes_in(21, 27)
    second = lab.judges(27)
    lab.takes_in(28, 33)
    third = lab.judges(33)
    link, again = (one.table("links").to_frame().iloc[0] for one in (second, third))
    assert again["overlaps"] == link["overlaps"] + 2
    (step,) = {one.rests_on.steps for one in stated_limits(lab.ledger) if one.rests_on}.pop()
    assert step.value == pytest.approx(link["step"] if change == 22 else step.value, rel=1e-12)
    assert step.value != again["step"]
    assert_same(bounds(second), bounds(third))
    assert_same(bounds(lab.from_a_table(33, stated_limits(lab.ledger))), bounds(third))


def test_results_from_before_that_come_late_leave_the_limits_on_their_reference(
    tmp_path: Path, stamp: Stamp
) -> None:
    # The limits begin with lot A; then results of an older lot O come in that met A, and lot B after it.
    whole = two_lots(change=22, again=None)
    early = whole["time"] < day(5)
    older = whole[early].assign(pad_lot="O", pad_set="O" + whole["pad_set"], result=whole["result"] + 0.02)
    lab = Lab(tmp_path, str(tmp_path / "lab.sqlite"), stamp, whole[~(whole["time"] < day(3))], Reference.LOT)
    lab.takes_in(0, 21)
    first = lab.judges(21)
    late = replace(lab, whole=older)
    late.takes_in(0, 4)
    lab.takes_in(22, 30)
    second = lab.judges(30)
    for limits in stated_limits(lab.ledger):
        assert limits.rests_on is not None
        assert limits.reference == "A"
        assert ("A", "B") in {(step.earlier, step.later) for step in limits.rests_on.steps}
    # Points 3 and 4 are of lot O now, the older one while two run; the others stay where they were.
    before = bounds(first).drop(index=[(rig, day(k)) for rig in ("R1", "R2") for k in (3, 4)])
    pd.testing.assert_series_equal(before["centre"], bounds(second).loc[before.index]["centre"], rtol=1e-12)
    assert bounds(second).loc[[("R1", day(4))]]["centre"].iloc[0] == pytest.approx(
        before["centre"].iloc[0] + 0.02, abs=0.005
    )


def test_a_recorded_step_links_where_the_overlap_is_no_longer_there(lots: Lab) -> None:
    lots.takes_in(0, 27)
    before = lots.judges(27)
    both = lots.whole["time"].between(day(19), day(21)) & (lots.whole["pad_lot"] == "B")
    alone = replace(lots, whole=lots.whole[~both & (lots.whole["time"] <= day(28))])
    after = alone.from_a_table(28, stated_limits(lots.ledger))
    assert_same(bounds(before), bounds(after))
    anew = alone.from_a_table(28, ())
    assert anew.table("limits").to_frame()["cause"].str.contains("without overlap").any()


def test_steps_and_wear_that_read_differently_now_are_said(lots: Lab, sets: Lab) -> None:
    number = lots.takes_in(0, 27)
    before = lots.judges(27)
    lots.takes_in(0, 27, supersedes=number, more=0.01)
    after = lots.judges(28)
    texts = [note.text for note in after.notes if note.kind is NoteKind.CAUTION]
    assert sum("the step from A to B reads" in text for text in texts) == 2
    assert any("(record" in text and "still moved" in text for text in texts)
    assert_same(bounds(before), bounds(after))
    worn = replace(sets, place=str(sets.folder / "worn.sqlite"))
    worn.takes_in(0, 21)
    worn.judges(21)
    ages = worn.whole.groupby("pad_set").cumcount()
    faster = replace(worn, whole=worn.whole.assign(result=worn.whole["result"] - 0.003 * ages))
    again = faster.from_a_table(33, stated_limits(worn.ledger))
    assert sum("the wear of the sets reads" in note.text for note in again.notes) == 2


def test_limits_from_before_wear_was_kept_take_none_out(sets: Lab) -> None:
    # One set on one rig: wear and drift are one number. Later a second rig would tell them apart.
    sets.takes_in(0, 21)
    sets.judges(21)
    old = [
        replace(one, rests_on=replace(one.rests_on, wear=None, steps=()))
        for one in stated_limits(sets.ledger)
        if one.rests_on is not None
    ]
    outcome = sets.from_a_table(27, tuple(old))
    assert outcome.table("wear").to_frame()["wear"].isna().all()
    assert set(outcome.table("wear").to_frame()["told_by"]) == {ToldBy.NOTHING.value}
    assert "mixed together" in outcome.judgements[1].reason


def test_a_base_that_moves_is_not_kept_and_this_is_said(lots: Lab) -> None:
    month = lots.whole["time"].rank(method="dense")
    moving = replace(lots, whole=lots.whole.assign(result=lots.whole["result"] + 0.004 * month))
    moving.takes_in(0, 20)
    outcome = moving.judges(20)
    assert stated_limits(moving.ledger) == ()
    assert all(table.key != "frozen_limits" for table in outcome.tables)
    assert sum("No ledger keeps these limits" in note.text for note in outcome.notes) == 2


def test_exported_limits_tell_the_wear_and_the_steps(sets: Lab, tmp_path: Path) -> None:
    sets.takes_in(0, 21)
    sets.judges(21)
    assert export(sets.ledger, tmp_path / "limits.json", what=What.LIMITS) == 2
    rows = json.loads((tmp_path / "limits.json").read_text(encoding="utf-8"))["limits"]
    for row, limits in zip(rows, stated_limits(sets.ledger), strict=True):
        assert limits.rests_on is not None
        assert limits.rests_on.wear is not None
        assert row["wear_per_run"] == limits.rests_on.wear.per_run
        told = [[one.earlier, one.later, one.value, one.se] for one in limits.rests_on.steps]
        assert json.loads(row["steps"]) == told


def test_the_record_keeps_every_digit_and_older_records_are_read(
    tmp_path: Path, place: str, stamp: Stamp
) -> None:
    sets = Lab(tmp_path, place, stamp, worn_sets(overlapping), Reference.SET)
    sets.takes_in(0, 21)
    outcome = sets.judges(21)
    row = outcome.table("frozen_limits").to_frame().iloc[0]
    one = stated_limits(sets.ledger)[0]
    assert one.rests_on is not None
    assert one.rests_on.wear is not None
    assert (one.centre, one.sd, one.rests_on.wear.per_run) == (row["centre"], row["sd"], row["wear_per_run"])
    assert isinstance(one.rests_on.steps[0], RecordedStep)
    # What an earlier version wrote has neither key.
    entry = of_limits(replace(one, section="other"), as_of="2020-01-01")
    base = {name: value for name, value in entry.content["rests_on"].items() if name not in ("wear", "steps")}
    sets.ledger.append_all([replace(entry, content={**entry.content, "rests_on": base})], sets.stamp)
    (old,) = (found for found in stated_limits(sets.ledger) if found.section == "other")
    assert old.rests_on is not None
    assert (old.rests_on.wear, old.rests_on.steps) == (None, ())
    assert len(sets.ledger.records(kinds=[Kind.LIMITS])) == 3
