"""Control charts from the ledger, month after month: results, limits and events of the demo laboratory (invented)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from repeatab.base.errors import InputError, StudyError
from repeatab.base.notes import NoteKind
from repeatab.ledger.faults import LedgerError
from repeatab.ledger.history import limits_with_records, stated_limits
from repeatab.ledger.importing import import_events, import_reference
from repeatab.ledger.records import Kind, Stamp, of_withdrawal
from repeatab.ledger.store import Ledger, open_ledger
from repeatab.ledger.verify import verify
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.serialise import to_json_bytes
from repeatab.rerun import rerun
from repeatab.run import answer_study, read_study, run_study
from repeatab.study.loading import load_study

DEMO = Path(__file__).parents[2] / "demo_data"
COLUMNS = {
    "result": "mu", "rig": "rig", "section": "section", "visit": "visit", "time": "date", "pad_lot": "reference_lot",
    "pad_set": "pad_set",
}  # fmt: skip
STUDY = """\
job = "control_chart"
title = "Reference pads"
as_of = {as_of}
rigs = ["R2", "R3", "R4"]
[chart]
shift = 1.5
screening = true
[base]
from_ledger = true
until = 2025-02-28
after_restart = 6
[events]
restart_at = ["relocation"]
[joint]
[results]
from_ledger = true
quantity = "friction"
[sections.recovery]
[sections."fade 1"]
"""


@dataclass(frozen=True)
class Lab:
    """A laboratory whose reference results go into its ledger from time to time."""

    folder: Path
    place: str
    stamp: Stamp
    whole: pd.DataFrame

    @property
    def ledger(self) -> Ledger:
        return open_ledger(self.place, create=True)

    def takes_in(self, first: str, last: str, *, supersedes: int | None = None, more: float = 0.0) -> int:
        """The visits of these months; returns the number of the record."""
        part = self.whole[self.whole["visit"].between(first, last)]
        file = self.folder / f"{first}_{last}_{more}.csv"
        part.assign(mu=part["mu"] + more).to_csv(file, index=False)
        found = import_reference(self.ledger, file, columns=COLUMNS, stamp=self.stamp, supersedes=supersedes)
        return found.record.number

    def written(self, as_of: str, *changes: tuple[str, str]) -> Path:
        text = STUDY.format(as_of=as_of)
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = self.folder / "control.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def month(self, as_of: str, *changes: tuple[str, str]) -> Outcome:
        return run_study(load_study(self.written(as_of, *changes)), ledger=self.place, stamp=self.stamp)


@pytest.fixture
def lab(tmp_path: Path, stamp: Stamp) -> Lab:
    return laboratory(tmp_path, str(tmp_path / "lab.sqlite"), stamp)


def laboratory(tmp_path: Path, place: str, stamp: Stamp) -> Lab:
    whole = pd.read_csv(DEMO / "reference_history.csv", sep=";", decimal=",")
    made = Lab(
        folder=tmp_path,
        place=place,
        stamp=stamp,
        whole=whole[whole["section"].isin(["recovery", "fade 1"]) & (whole["rig"] != "R1")],
    )
    import_events(made.ledger, DEMO / "reference_events.csv", stamp=stamp)
    return made


def limits(outcome: Outcome) -> dict[tuple[Any, ...], dict[str, Any]]:
    table = outcome.table("limits")
    names = [column.key for column in table.columns]
    rows = [dict(zip(names, row, strict=True)) for row in table.rows]
    return {(row["rig"], row["section"], row["from"]): row for row in rows if row["centre"] is not None}


def test_the_first_month_freezes_limits_and_the_next_judge_by_them(
    tmp_path: Path, place: str, stamp: Stamp
) -> None:
    lab = laboratory(tmp_path, place, stamp)
    lab.takes_in("2023-07", "2025-03")
    first = lab.month("2025-04-05")
    assert any("holds no limits from before 2025-04-05" in note.text for note in first.notes)
    frozen = {(one.rig, one.section): one for one in stated_limits(lab.ledger)}
    # R4 moved in February 2025: its base is being formed, so nothing of it is frozen.
    assert frozen.keys() == {(rig, section) for rig in ("R2", "R3") for section in ("recovery", "fade 1")}
    screened = frozen["R2", "recovery"].rests_on
    assert screened is not None
    assert (screened.first, screened.last, screened.left_out) == ("2023-07", "2025-02", ("2023-11",))

    lab.takes_in("2025-04", "2025-11")
    last = lab.month("2025-12-05")
    before, now = limits(first), limits(last)
    for key, row in before.items():
        if key[0] != "R4":
            for name in ("kind", "centre", "lower", "upper", "sd", "between", "within", "base", "removed"):
                assert now[key][name] == row[name], (key, name)
            assert "as recorded on 2025-04-05 (record" in now[key]["method"]
    # The six visits after the move are there now: R4's new limits are frozen too, once.
    restarted = [one for one in stated_limits(lab.ledger) if one.rig == "R4"]
    assert [one.base for one in restarted] == [6, 6]
    again = lab.month("2025-12-31")
    assert len(stated_limits(lab.ledger)) == 6
    assert not any(table.key == "frozen_limits" for table in again.tables)
    assert verify(lab.ledger).whole


@pytest.mark.parametrize(
    "change",
    [
        ("shift = 1.5", 'shift = 1.5\npoints = "mean and range"'),
        ("shift = 1.5", 'shift = 1.5\npoints = "mean and standard deviation"\nrobust = true'),
        ("shift = 1.5", 'shift = 1.5\npoints = "single results"\nresiduals = "always"'),
        ("[chart]", 'analysis = "ratio"\n[chart]'),
    ],
    ids=["range", "robust", "residuals", "ratio"],
)
def test_every_form_of_limits_is_kept_and_judged_by(lab: Lab, change: tuple[str, str]) -> None:
    changes = (
        change, ("[joint]\n", ""), ('rigs = ["R2", "R3", "R4"]', 'rigs = ["R3"]'), ('[sections."fade 1"]\n', "")
    )  # fmt: skip
    whole = lab.whole[(lab.whole["rig"] == "R3") & (lab.whole["section"] == "recovery")]
    lab = replace(lab, whole=whole)
    lab.takes_in("2023-07", "2025-12")
    anew = answer_study(load_study(lab.written("2026-01-05", *changes)), ledger=lab.ledger)
    lab.month("2025-04-05", *changes)
    frozen = answer_study(load_study(lab.written("2026-01-05", *changes)), ledger=lab.ledger)
    assert [j.reason for j in frozen.judgements] == [j.reason for j in anew.judgements]
    assert dict(frozen.numbers) == pytest.approx(dict(anew.numbers), rel=1e-9)
    expected = anew.table("signals").to_frame() if any(t.key == "signals" for t in anew.tables) else None
    if expected is not None:
        pd.testing.assert_frame_equal(frozen.table("signals").to_frame(), expected, rtol=1e-9)
    kept = [row for row in limits(frozen).values() if "as recorded on 2025-04-05" in str(row["method"])]
    assert len(kept) == 1


def test_the_answer_is_that_of_the_same_results_in_a_file(lab: Lab, tmp_path: Path) -> None:
    lab.takes_in("2023-07", "2024-12")
    lab.takes_in("2025-01", "2025-12")
    from_ledger = answer_study(load_study(lab.written("2026-01-05")), ledger=lab.ledger)
    lab.whole.to_csv(tmp_path / "all.csv", index=False)
    named = "\n".join(f'{role} = "{column}"' for role, column in COLUMNS.items())
    path = lab.written(
        "2026-01-05", ("[base]\nfrom_ledger = true", "[base]"),
        ('from_ledger = true\nquantity = "friction"', f'files = "all.csv"\nquantity = "friction"\n[columns]\n{named}'),
        ("[events]", f'[events]\nfile = "{DEMO / "reference_events.csv"}"'),
    )  # fmt: skip
    from_file = answer_study(load_study(path))
    assert from_ledger.headline == from_file.headline
    assert [j.reason for j in from_ledger.judgements] == [j.reason for j in from_file.judgements]
    found, expected = dict(from_ledger.numbers), dict(from_file.numbers)
    assert found.keys() == expected.keys()
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, rel=1e-12), name
    for key in ("screening", "signals", "links"):
        one, other = from_ledger.table(key).to_frame(), from_file.table(key).to_frame()
        pd.testing.assert_frame_equal(one, other, rtol=1e-9)
    (source,) = from_ledger.provenance.inputs
    assert (source.name, source.rows) == (
        "reference results of the ledger",
        len(lab.whole),
    )


def test_superseded_and_withdrawn_records_no_longer_count(lab: Lab) -> None:
    old = lab.takes_in("2023-07", "2025-03")
    first = lab.month("2025-04-05")
    lab.takes_in("2023-07", "2025-03", supersedes=old, more=0.01)
    # The limits stay frozen, and the page says that their base reads differently now.
    corrected = lab.month("2025-05-05")
    assert limits(corrected)["R3", "recovery", "2023-07-10"]["centre"] == pytest.approx(
        limits(first)["R3", "recovery", "2023-07-10"]["centre"]
    )
    told = [
        note
        for note in corrected.notes
        if note.kind is NoteKind.CAUTION and "read differently now" in note.text
    ]
    assert {note.sources for note in told} == {(r, s) for r in ("R2", "R3") for s in ("recovery", "fade 1")}
    assert all("Withdraw the recorded limits" in note.remedy for note in told)
    ledger = lab.ledger
    for record, _ in limits_with_records(ledger):
        ledger.append(of_withdrawal(record, reason="results corrected"), lab.stamp)
    anew = lab.month("2025-06-05")
    assert limits(anew)["R3", "recovery", "2023-07-10"]["centre"] == pytest.approx(
        limits(first)["R3", "recovery", "2023-07-10"]["centre"] + 0.01
    )
    assert {one.centre for one in stated_limits(ledger)} == {
        row["centre"] for key, row in limits(anew).items() if key[0] != "R4"
    }


def test_a_month_run_again_is_that_month_again(lab: Lab) -> None:
    lab.takes_in("2023-07", "2025-03")
    first = lab.month("2025-04-05")
    count = len(lab.ledger.records())
    lab.takes_in("2025-04", "2025-12")
    lab.month("2026-01-05")
    # Later results and later limits change nothing; only the outcome is recorded again.
    held = len(lab.ledger.records())
    again = lab.month("2025-04-05")
    assert to_json_bytes(again) == to_json_bytes(first)
    assert len(lab.ledger.records()) == held + 1
    assert count < held


def test_a_corrected_month_supersedes_its_own_limits(lab: Lab) -> None:
    old = lab.takes_in("2023-07", "2025-03")
    lab.month("2025-04-05")
    lab.takes_in("2023-07", "2025-03", supersedes=old, more=0.01)
    lab.month("2025-04-05")
    every = lab.ledger.records(kinds=[Kind.LIMITS])
    assert [record.superseded_by is None for record in every] == [False] * 4 + [True] * 4


def test_files_are_added_and_nothing_counts_twice(lab: Lab, tmp_path: Path) -> None:
    lab.takes_in("2023-07", "2025-11")
    named = "\n".join(f'{role} = "{column}"' for role, column in COLUMNS.items())
    change = (
        'from_ledger = true\nquantity = "friction"',
        f'from_ledger = true\nfiles = "new.csv"\nquantity = "friction"\n[columns]\n{named}',
    )
    new = lab.whole[lab.whole["visit"] == "2025-12"]
    new.to_csv(tmp_path / "new.csv", index=False)
    path = lab.written("2026-01-05", change)
    both = answer_study(load_study(path), ledger=lab.ledger)
    assert "1 visits" not in both.evidence[0]
    lab.takes_in("2025-12", "2025-12")
    # takes_in wrote the same rows: the very file, byte for byte.
    with pytest.raises(InputError, match=r"results\.files: 'new\.csv' is in the ledger already, as record 9"):
        answer_study(load_study(path), ledger=lab.ledger)
    lab.whole[lab.whole["visit"] >= "2025-12"].assign(mu=0.4).to_csv(tmp_path / "new.csv", index=False)
    with pytest.raises(
        InputError, match=r"the visit rig R2, section .*visit 2025-12 and .* is in the ledger too"
    ):
        answer_study(load_study(path), ledger=lab.ledger)
    whole = answer_study(load_study(lab.written("2026-01-05")), ledger=lab.ledger)
    assert [j.reason for j in whole.judgements] == [j.reason for j in both.judgements]


def test_sets_that_ran_twice_at_a_visit_count_once(lab: Lab, tmp_path: Path) -> None:
    """The same visits, each run told twice with a set's name: as many sets as before, so the same limits."""
    lab.takes_in("2023-07", "2025-11")
    once = answer_study(load_study(lab.written("2026-01-05")), ledger=lab.ledger)
    other = open_ledger(tmp_path / "other.sqlite", create=True)
    pd.concat([lab.whole, lab.whole]).to_csv(tmp_path / "twice.csv", index=False)
    import_events(other, DEMO / "reference_events.csv", stamp=lab.stamp)
    import_reference(other, tmp_path / "twice.csv", columns=COLUMNS, stamp=lab.stamp)
    lab.written("2025-12-05")
    lab.takes_in("2025-12", "2025-12")
    twice = answer_study(load_study(lab.written("2025-12-05")), ledger=other)
    expected = answer_study(load_study(lab.written("2025-12-05")), ledger=lab.ledger)
    assert dict(twice.numbers) == pytest.approx(dict(expected.numbers), rel=1e-9)
    assert once.headline.subject == twice.headline.subject


def test_a_set_whose_runs_came_in_two_batches_counts_once_and_one_that_returns_is_said(
    tmp_path: Path, place: str, stamp: Stamp
) -> None:
    lab = laboratory(tmp_path, place, stamp)
    lab.takes_in("2023-07", "2025-12")
    study = load_study(lab.written("2026-01-05", ("[joint]\n", "")))
    once = answer_study(study, ledger=lab.ledger)
    assert not any("came back at later visits" in note.text for note in once.notes)
    # The same runs of the same sets again: the mean of each set stays.
    lab.takes_in("2025-12", "2025-12", more=1e-13)
    twice = answer_study(study, ledger=lab.ledger)
    assert dict(twice.numbers) == pytest.approx(dict(once.numbers), rel=1e-9)
    assert [j.reason for j in twice.judgements] == [j.reason for j in once.judgements]
    returned = lab.whole[lab.whole["visit"] == "2025-12"].assign(visit="2026-01", date="2026-01-04")
    returned.to_csv(tmp_path / "returned.csv", index=False)
    import_reference(lab.ledger, tmp_path / "returned.csv", columns=COLUMNS, stamp=stamp)
    assert any(
        "came back at later visits" in note.text for note in answer_study(study, ledger=lab.ledger).notes
    )


def test_a_ledger_without_results_or_no_ledger_is_said(lab: Lab, tmp_path: Path) -> None:
    study = load_study(lab.written("2025-04-05"))
    with pytest.raises(LedgerError, match="holds no reference results of friction for rig 'R2', 'R3', 'R4'"):
        answer_study(study, ledger=lab.ledger)
    with pytest.raises(StudyError, match=r"results\.from_ledger is set, but no ledger is named.*--ledger"):
        answer_study(study)
    with pytest.raises(LedgerError, match="there is no such ledger"):
        run_study(study, ledger=tmp_path / "misspelt.sqlite", stamp=lab.stamp)
    assert not (tmp_path / "misspelt.sqlite").exists()
    assert "come from the ledger that is named when the study is run" in read_study(study)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("from_ledger = true\nquantity", "quantity", ("results.files", "is missing", "results.from_ledger = true")),
        ("as_of = 2025-04-05\n", "", ("as_of: is missing", "in force on the day")),
        ("[results]", '[[exclude]]\nwhere = { run = 1 }\nreason = "x"\n[results]', ("exclude", "--supersedes NUMBER")),
    ],
)  # fmt: skip
def test_what_the_study_lacks_is_said(tmp_path: Path, old: str, new: str, parts: tuple[str, ...]) -> None:
    text = STUDY.format(as_of="2025-04-05")
    assert old in text
    (tmp_path / "control.toml").write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        load_study(tmp_path / "control.toml")
    for part in ("control.toml", *parts):
        assert part in str(caught.value)


@pytest.mark.full
def test_every_month_comes_out_again_though_results_limits_and_events_have_come_since(
    lab: Lab, tmp_path: Path
) -> None:
    stored = {}
    for as_of, first, last in (("2025-04-05", "2023-07", "2025-03"), ("2025-12-05", "2025-04", "2025-11")):
        lab.takes_in(first, last)
        outcome = lab.month(as_of)
        stored[as_of] = tmp_path / f"{as_of}.json"
        stored[as_of].write_bytes(to_json_bytes(outcome))
    lab.takes_in("2025-12", "2025-12")
    for as_of, path in stored.items():
        found = rerun(path, study=lab.written(as_of), ledger=lab.place)
        assert found.faults == ()
        assert found.comparison is not None
        assert found.comparison.differences == ()
