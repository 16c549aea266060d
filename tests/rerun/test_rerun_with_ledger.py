"""Outcomes that drew on a ledger are made again from the ledger as it stood then. The values are invented."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from repeatab.base.errors import InputError
from repeatab.intake.events import Event
from repeatab.ledger.outcomes import record_outcome
from repeatab.ledger.records import Stamp, of_event
from repeatab.ledger.store import open_ledger
from repeatab.outcome.serialise import from_json_bytes, to_json_bytes
from repeatab.rerun import Rerun, rerun
from repeatab.run import plan_study, run_study
from repeatab.study.loading import load_study

STAMP = Stamp(by="A. Tester", at="2026-04-30T09:00:00+00:00")
DAYS = ("2026-01-31", "2026-02-28", "2026-03-31")


@pytest.fixture(scope="session")
def _months(stored_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    lab = Path(shutil.copytree(stored_lab, tmp_path_factory.mktemp("months") / "lab"))
    study = (lab / "check.toml").read_text(encoding="utf-8").replace("march*.csv", "march.csv")
    for day in DAYS:
        path = lab / f"m{day}.toml"
        path.write_text(study.replace("2026-03-31", day), encoding="utf-8")
        outcome = run_study(load_study(path), ledger=lab / "lab.sqlite", stamp=STAMP)
        (lab / f"m{day}.json").write_bytes(to_json_bytes(outcome))
    return lab


@pytest.fixture
def months(_months: Path, tmp_path: Path) -> Path:
    """Three months of the same check, each recorded; the result of each beside its study."""
    return Path(shutil.copytree(_months, tmp_path / "months"))


def again(months: Path, day: str, ledger: str | None = "lab.sqlite") -> Rerun:
    return rerun(months / f"m{day}.json", ledger=None if ledger is None else months / ledger)


def test_every_month_comes_out_again_though_the_ledger_has_grown(months: Path) -> None:
    ledger = open_ledger(months / "lab.sqlite", write=True)
    # What is learnt afterwards belongs to no month that was judged before it was known.
    ledger.append(of_event(Event(day="2026-02-10", kind="repair", text="torque cell", rig="R2")), STAMP)
    head = ledger.head()
    for number, day in enumerate(DAYS, start=1):
        found = again(months, day)
        assert found.comparison is not None
        assert found.comparison.differences == ()
        assert found.past.endswith(f"as it stood before record {number}, which holds this outcome")
    assert ledger.head() == head


def test_without_the_ledger_it_is_asked_for(months: Path) -> None:
    with pytest.raises(InputError, match="--ledger"):
        again(months, DAYS[-1], None)


def test_another_ledger_gives_differences_and_is_named_as_not_holding_the_outcome(months: Path) -> None:
    open_ledger(months / "other.sqlite", create=True)
    found = again(months, DAYS[-1], "other.sqlite")
    assert "not recorded in it" in found.past
    assert found.comparison is not None
    paths = " ".join(one.path for one in found.comparison.differences)
    assert "offset_history" in paths


@pytest.fixture
def charted(tmp_path: Path) -> Path:
    """A control chart whose events are in the ledger only."""
    lines = ["rig,visit,day,set,mu"]
    for visit in range(12):
        day = f"2026-01-{visit + 1:02d}"
        lines += [
            f"R1,v{visit},{day},s{visit}-{run},{0.4 + 0.001 * ((7 * visit + 3 * run) % 5)}"
            for run in range(2)
        ]
    (tmp_path / "reference.csv").write_text("\n".join([*lines, ""]), encoding="utf-8")
    (tmp_path / "chart.toml").write_text(CHART, encoding="utf-8")
    ledger = open_ledger(tmp_path / "lab.sqlite", create=True)
    ledger.append(of_event(Event(day="2026-01-08", kind="repair", text="torque cell", rig="R1")), STAMP)
    outcome = run_study(load_study(tmp_path / "chart.toml"), stamp=STAMP)
    (tmp_path / "chart.json").write_bytes(to_json_bytes(outcome))
    return tmp_path


CHART = """\
job = "control_chart"
title = "Reference pads"
as_of = 2026-01-31
reference = "fresh sets of a lot"

[results]
files = "reference.csv"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
visit = "visit"
time = "day"
pad_set = "set"

[chart]
points = "visits"
shift = 1.5
in_control = 370

[base]
until = 2026-01-06

[history]
ledger = "lab.sqlite"

[sections.all]
"""


def test_a_chart_gets_the_events_that_the_ledger_held_then(charted: Path) -> None:
    ledger = open_ledger(charted / "lab.sqlite", write=True)
    ledger.append(of_event(Event(day="2026-01-09", kind="repair", text="pump", rig="R1")), STAMP)
    found = rerun(charted / "chart.json")
    assert dict(found.stored.provenance.settings)["history records"] == "1"
    assert found.comparison is not None
    assert found.comparison.differences == ()


PLAN = """
[plan]
hours_per_run = 5.0
hours_per_set = 1.0
sets_at_hand = 12
"""


def planned(lab: Path, more: str, ledger: Path | None = None) -> Path:
    """A plan beside the lab's study, stored."""
    study = (lab / "check.toml").read_text(encoding="utf-8")
    (lab / "plan.toml").write_text(study + PLAN + more, encoding="utf-8")
    outcome = plan_study(load_study(lab / "plan.toml"), ledger=ledger)
    (lab / "plan.json").write_bytes(to_json_bytes(outcome))
    return lab / "plan.json"


@pytest.mark.full
def test_a_plan_from_an_earlier_result_names_it_among_its_inputs(lab: Path) -> None:
    stored = planned(lab, 'from_result = "out/check/result.json"\n')
    found = rerun(stored)
    assert [file.name for file in found.stored.provenance.inputs] == ["out/check/result.json"]
    assert found.comparison is not None
    assert found.comparison.differences == ()
    earlier = lab / "out" / "check" / "result.json"
    earlier.write_bytes(earlier.read_bytes() + b"\n")
    assert [fault.name for fault in rerun(stored).faults] == ["out/check/result.json"]


@pytest.mark.full
def test_a_plan_from_the_ledger_comes_out_again_though_the_ledger_has_grown(lab: Path) -> None:
    where = lab / "lab.sqlite"
    ledger = open_ledger(where, create=True)
    first = from_json_bytes((lab / "out" / "check" / "result.json").read_bytes())
    for sd in (0.006, 0.012):
        numbers = (("cold: pad_set_sd", sd), ("cold: repeatability_sd", 0.004))
        record_outcome(ledger, replace(first, job="gauge_study", numbers=numbers), STAMP)
        if sd == 0.006:
            stored = planned(lab, "from_ledger = true\nlevel = 0.4\n", where)
    found = rerun(stored, ledger=where)
    assert found.past.endswith("as it stood at record 1")
    assert found.comparison is not None
    assert found.comparison.differences == ()
    empty = lab / "other.sqlite"
    open_ledger(empty, create=True)
    with pytest.raises(InputError, match="ends at record 0"):
        rerun(stored, ledger=empty)
    with pytest.raises(InputError, match="--ledger"):
        rerun(stored)
