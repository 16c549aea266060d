"""A requalification finds the time before the move in the ledger. The values are the demo laboratory's (invented)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest

from repeatab.base.errors import InputError
from repeatab.intake.events import Event
from repeatab.ledger.faults import LedgerError
from repeatab.ledger.importing import import_reference
from repeatab.ledger.records import Stamp, of_event
from repeatab.ledger.store import open_ledger
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.serialise import to_json_bytes
from repeatab.rerun import rerun
from repeatab.run import answer_study, run_study
from repeatab.study.loading import load_study

PROJECT = Path(__file__).parents[2]
COLUMNS = {
    "result": "mu", "rig": "rig", "section": "section", "visit": "visit", "time": "date", "pad_lot": "pad_lot",
    "pad_set": "pad_set",
}  # fmt: skip
MOVED = "2026-01-20"


@dataclass(frozen=True)
class Lab:
    """The study whose results hold the time after only, the same with both phases, and the ledger with the rest."""

    after_only: Path
    both: Path
    ledger: Path


@pytest.fixture
def lab(tmp_path: Path, stamp: Stamp) -> Lab:
    whole = pd.read_csv(PROJECT / "demo_data" / "relocation.csv", dtype=str)
    study = (PROJECT / "studies" / "requalification.toml").read_text(encoding="utf-8")
    # The ledger keeps no disc batch, so neither side has it.
    study = study.replace('disc_batch = "disc_batch"\n', "").replace('factors = ["disc_batch"]\n', "")
    for name, table in (("both", whole), ("after", whole[whole["phase"] == "after"])):
        table.to_csv(tmp_path / f"{name}.csv", index=False)
        text = study.replace("../demo_data/relocation.csv", f"{name}.csv")
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    whole[whole["phase"] == "before"].to_csv(tmp_path / "past.csv", index=False)
    older = whole[whole["phase"] == "before"].assign(date="2024-05-05", visit="2024-05", mu="0.9")
    older.to_csv(tmp_path / "older.csv", index=False)
    place = tmp_path / "lab.sqlite"
    ledger = open_ledger(place, create=True)
    for file in ("past.csv", "older.csv"):
        import_reference(ledger, tmp_path / file, columns=COLUMNS, stamp=stamp)
    ledger.append(
        of_event(Event(day="2025-03-01", kind="recalibration", text="all channels", rig="R1")), stamp
    )
    ledger.append(of_event(Event(day=MOVED, kind="relocation", text="to hall B", rig="R2")), stamp)
    return Lab(after_only=tmp_path / "after.toml", both=tmp_path / "both.toml", ledger=place)


def judged(outcome: Outcome) -> list[tuple[str, str, str]]:
    return [(j.subject, j.verdict.value, j.reason) for j in (outcome.headline, *outcome.judgements)]


def test_the_answer_is_that_of_a_file_with_both_phases(lab: Lab, stamp: Stamp) -> None:
    from_ledger = run_study(load_study(lab.after_only), ledger=lab.ledger, stamp=stamp)
    from_file = answer_study(load_study(lab.both))
    assert judged(from_ledger) == judged(from_file)
    found, expected = dict(from_ledger.numbers), dict(from_file.numbers)
    assert found.keys() == expected.keys()
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, rel=1e-6, abs=1e-9), name
    # The base period begins after R1's recalibration and ends before R2's move.
    said = next(note.text for note in from_ledger.notes if "is from the ledger" in note.text)
    assert "2025-03-02 to 2026-01-19" in said
    source = from_ledger.provenance.inputs[-1]
    assert source.name == "reference results of the ledger"
    assert len(source.sha256) == 64


def test_stated_days_win(lab: Lab) -> None:
    text = lab.after_only.read_text(encoding="utf-8")
    stated = text.replace(
        'after = "after"', 'after = "after"\nbase_since = 2025-10-01\nbase_until = 2025-12-31'
    )
    lab.after_only.write_text(stated, encoding="utf-8")
    outcome = answer_study(load_study(lab.after_only), ledger=open_ledger(lab.ledger))
    assert any("2025-10-01 to 2025-12-31" in note.text for note in outcome.notes)


def test_a_ledger_without_that_time_says_so(lab: Lab, tmp_path: Path, stamp: Stamp) -> None:
    empty = open_ledger(tmp_path / "other.sqlite", create=True)
    empty.append(of_event(Event(day=MOVED, kind="relocation", rig="R2")), stamp)
    with pytest.raises(LedgerError, match="holds no reference results of friction for rig 'R2', 'R1', 'R3'"):
        answer_study(load_study(lab.after_only), ledger=empty)


def test_results_with_both_phases_take_nothing_from_the_ledger(lab: Lab) -> None:
    outcome = answer_study(load_study(lab.both), ledger=open_ledger(lab.ledger))
    assert not [note for note in outcome.notes if "is from the ledger" in note.text]


@pytest.mark.full
def test_the_outcome_comes_out_again_from_the_ledger_as_it_stood(
    lab: Lab, tmp_path: Path, stamp: Stamp
) -> None:
    outcome = run_study(load_study(lab.after_only), ledger=lab.ledger, stamp=stamp)
    stored = tmp_path / "result.json"
    stored.write_bytes(to_json_bytes(outcome))
    ledger = open_ledger(lab.ledger, write=True)
    # An event that would cut the base period short, had it been known then.
    ledger.append(of_event(Event(day="2025-11-01", kind="rebuild", text="drive", rig="R1")), stamp)
    found = rerun(stored, study=lab.after_only, ledger=lab.ledger)
    assert found.comparison is not None
    assert found.comparison.differences == ()
    with pytest.raises(InputError, match="--ledger"):
        rerun(stored, study=lab.after_only)


@pytest.mark.full
def test_other_reference_results_in_the_ledger_are_an_input_at_fault(
    lab: Lab, tmp_path: Path, stamp: Stamp
) -> None:
    outcome = run_study(load_study(lab.after_only), ledger=lab.ledger, stamp=stamp)
    stored = tmp_path / "result.json"
    stored.write_bytes(to_json_bytes(outcome))
    other = open_ledger(tmp_path / "other.sqlite", create=True)
    changed = pd.read_csv(tmp_path / "past.csv", dtype=str)
    changed.loc[0, "mu"] = "0.41"
    changed.to_csv(tmp_path / "changed.csv", index=False)
    import_reference(other, tmp_path / "changed.csv", columns=COLUMNS, stamp=stamp)
    other.append(of_event(Event(day=MOVED, kind="relocation", text="to hall B", rig="R2")), stamp)
    found = rerun(stored, study=lab.after_only, ledger=tmp_path / "other.sqlite")
    assert found.comparison is None
    (fault,) = found.faults
    assert fault.name == "reference results of the ledger"
    assert "--ledger" in fault.remedy
