"""Month after month: outcomes are recorded, and the next check shows them beside its own. The values are invented."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from scipy import stats

from repeatab.base.notes import NoteKind
from repeatab.intake.events import Event
from repeatab.ledger.history import past_components, past_offsets, stated_limits
from repeatab.ledger.records import (
    Correction,
    CorrectionForm,
    Entry,
    Kind,
    Stamp,
    of_correction,
    of_event,
    of_outcome,
    of_withdrawal,
)
from repeatab.ledger.store import Ledger, open_ledger
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.serialise import to_json_bytes
from repeatab.outcome.tables import Table
from repeatab.run import answer_study, run_study
from repeatab.study.loading import load_study

Make = Callable[..., Entry]

STUDY = """\
job = "correlation_check"
title = "R2 against R1"
as_of = {as_of}
rig = "R2"
reference_rig = "R1"

[results]
files = "{name}.csv"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
pad_set = "set"
section = "section"

[sections.cold]
margin = "5 %"

[sections."fade 1"]
margin = {margin}
"""
OFFSETS = {"2026-01-31": 0.001, "2026-02-28": 0.004, "2026-03-31": 0.0065, "2026-04-30": 0.0105}
SCATTER = (-0.004, -0.001, 0.002, 0.003, -0.002, 0.002)


def written(folder: Path, as_of: str, offset: float, *, margin: str = '"5 %"', sets: int = 6) -> Path:
    """A study of one month: R2 reads `offset` more than R1 in fade 1, and the same in cold."""
    lines = ["rig,set,section,mu"]
    for rig in ("R1", "R2"):
        for number, scatter in enumerate(SCATTER[:sets]):
            more = offset if rig == "R2" else 0.0
            lines.append(f"{rig},{rig}-{as_of}-{number},cold,{0.35 + scatter:.4f}")
            lines.append(f"{rig},{rig}-{as_of}-{number},fade 1,{0.30 + scatter + more:.4f}")
    name = f"m{as_of}"
    (folder / f"{name}.csv").write_text("\n".join(lines), encoding="utf-8")
    path = folder / f"{name}.toml"
    path.write_text(STUDY.format(as_of=as_of, name=name, margin=margin), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def months(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Outcome]]:
    """Four months, each run with the same ledger; the outcomes as they were returned."""
    folder = tmp_path_factory.mktemp("months")
    stamp = Stamp(by="A. Tester", at="2026-04-30T09:00:00+00:00")
    where = folder / "lab.sqlite"
    ledger = open_ledger(where, create=True)
    ledger.append(of_event(Event(day="2026-03-10", kind="repair", text="torque cell", rig="R2")), stamp)
    ledger.append(of_event(Event(day="2026-03-11", kind="repair", text="pump", rig="R7")), stamp)
    found = []
    for as_of, offset in OFFSETS.items():
        found.append(run_study(load_study(written(folder, as_of, offset)), ledger=where, stamp=stamp))
    return where, found


def rows(table: Table, section: str) -> list[dict[str, object]]:
    names = [column.key for column in table.columns]
    found = [dict(zip(names, row, strict=True)) for row in table.rows]
    return [row for row in found if row["section"] == section]


def test_every_month_is_recorded_with_who_when_and_the_fingerprints(
    months: tuple[Path, list[Outcome]],
) -> None:
    where, found = months
    ledger = open_ledger(where)
    records = ledger.records(kinds=[Kind.OUTCOME])
    assert [record.as_of for record in records] == list(OFFSETS)
    assert {(record.by, record.subject, record.topic) for record in records} == {
        ("A. Tester", "R2 against R1", "correlation_check")
    }
    body = ledger.body(records[-1])
    assert body["content"] == json.loads(to_json_bytes(found[-1]))
    (file,) = found[-1].provenance.inputs
    assert body["inputs"] == [{"name": file.name, "sha256": file.sha256, "rows": file.rows}]
    assert ["study file sha256", dict(found[-1].provenance.settings)["study file sha256"]] in body["settings"]


def test_the_months_before_stand_beside_this_one(months: tuple[Path, list[Outcome]]) -> None:
    _, found = months
    own = [rows(outcome.table("offsets"), "fade 1")[0] for outcome in found]
    shown = rows(found[-1].table("offset_history"), "fade 1")
    assert [row["as_of"] for row in shown] == list(OFFSETS)
    assert [row["offset"] for row in shown] == [row["offset"] for row in own]
    assert [row["lower"] for row in shown] == [row["inner_lower"] for row in own]
    assert [row["upper"] for row in shown] == [row["inner_upper"] for row in own]
    assert [row["source"] for row in shown] == ["record 3", "record 4", "record 5", "this check"]
    figure = next(figure for figure in found[-1].figures if figure.key == "offset_history")
    assert [series.label for series in figure.series] == ["cold", "fade 1"]  # type: ignore[union-attr]
    assert figure.events == (("2026-03-10", "repair"),)  # type: ignore[union-attr]


def test_the_trend_is_that_of_a_general_library(months: tuple[Path, list[Outcome]]) -> None:
    """Against scipy.stats.linregress (least squares with Student's t)."""
    _, found = months
    shown = rows(found[-1].table("offset_history"), "fade 1")
    years = [date.fromisoformat(str(row["as_of"])).toordinal() / 365.25 for row in shown]
    line = stats.linregress(years, [float(str(row["offset"])) for row in shown])
    (trend,) = rows(found[-1].table("offset_trend"), "fade 1")
    # The days are far from zero (about 2026 years), which costs linregress the last digits.
    assert trend["slope"] == pytest.approx(line.slope, rel=1e-9)
    assert trend["p"] == pytest.approx(line.pvalue, rel=1e-7)
    # Holm over two sections: the smaller probability is tested, and its interval formed, at half of 5 %.
    reach = stats.t.ppf(1 - 0.025 / 2, 2) * line.stderr
    assert (trend["lower"], trend["upper"]) == pytest.approx(
        (line.slope - reach, line.slope + reach), rel=1e-7
    )
    assert trend["words"] == "trend"
    (cold,) = rows(found[-1].table("offset_trend"), "cold")
    assert cold["words"] == "no trend shown"
    sentence = next(text for text in found[-1].evidence if "moves by" in text)
    for part in ("fade 1", "a year", "4 months", "2026-03-10, R2: repair (torque cell)"):
        assert part in sentence
    assert "R7" not in sentence


def test_two_months_are_shown_and_not_tested(months: tuple[Path, list[Outcome]]) -> None:
    _, found = months
    assert not any(table.key.startswith("offset_") for table in found[0].tables)
    assert any("holds no earlier check" in text for text in found[0].evidence)
    (trend,) = rows(found[1].table("offset_trend"), "fade 1")
    assert (trend["p"], trend["words"]) == (None, "too few months")
    assert any("three are needed" in text for text in found[1].evidence)


def test_the_history_changes_no_verdict_and_the_answer_repeats(months: tuple[Path, list[Outcome]]) -> None:
    where, found = months
    study = load_study(where.parent / "m2026-04-30.toml")
    alone = answer_study(study)
    assert (alone.headline, alone.judgements) == (found[-1].headline, found[-1].judgements)
    again = answer_study(study, ledger=open_ledger(where))
    assert to_json_bytes(again) == to_json_bytes(found[-1])
    assert ("history records", "3, 4, 5") in again.provenance.settings


def test_a_rerun_supersedes_and_a_look_at_more_data_is_said(tmp_path: Path, stamp: Stamp) -> None:
    where = tmp_path / "lab.sqlite"
    path = written(tmp_path, "2026-01-31", 0.001, sets=5)
    run_study(load_study(path), ledger=where, stamp=stamp)
    same = run_study(load_study(path), ledger=where, stamp=stamp)
    assert not [note for note in same.notes if "judged before" in note.text]
    written(tmp_path, "2026-01-31", 0.001, sets=6)
    more = run_study(load_study(path), ledger=where, stamp=stamp)
    (note,) = [note for note in more.notes if "judged before, on other data (record 2" in note.text]
    assert note.kind is NoteKind.CAUTION
    records = open_ledger(where).records(kinds=[Kind.OUTCOME])
    assert [record.superseded_by for record in records] == [2, 3, None]


def test_a_study_without_a_day_says_why_it_shows_no_months(tmp_path: Path, stamp: Stamp) -> None:
    path = written(tmp_path, "2026-01-31", 0.001)
    path.write_text(path.read_text().replace("as_of = 2026-01-31\n", ""), encoding="utf-8")
    outcome = run_study(load_study(path), ledger=tmp_path / "lab.sqlite", stamp=stamp)
    assert any("does not say which day" in note.text and "as_of" in note.remedy for note in outcome.notes)


def test_the_study_file_names_the_ledger(tmp_path: Path, stamp: Stamp) -> None:
    path = written(tmp_path, "2026-01-31", 0.001)
    path.write_text(path.read_text() + '\n[history]\nledger = "lab.sqlite"\n', encoding="utf-8")
    outcome = run_study(load_study(path), stamp=stamp)
    assert len(open_ledger(tmp_path / "lab.sqlite").records()) == 1
    assert ("history.ledger", "lab.sqlite") in outcome.provenance.settings
    path.write_text(path.read_text().replace('"lab.sqlite"', '"postgresql://u:geheim@h/d"'), encoding="utf-8")
    with pytest.raises(ValueError, match=r"history\.ledger.*holds a password.*PGPASSWORD") as caught:
        load_study(path)
    assert "geheim" not in str(caught.value)


CORRECTION = Correction(
    rig="R2", reference_rig="R1", section="fade 1", form=CorrectionForm.OFFSET, value=-0.012, uncertainty=0.004,
    valid_from="2026-01-01", expires="2026-03-31",
)  # fmt: skip


def said_of_corrections(tmp_path: Path, stamp: Stamp, *corrections: Correction) -> Outcome:
    ledger = open_ledger(tmp_path / "lab.sqlite", create=True)
    for one in corrections:
        ledger.append(of_correction(one), stamp)
    return answer_study(load_study(written(tmp_path, "2026-04-30", 0.0)), ledger=ledger)


def test_an_expired_correction_is_said_and_one_in_use_too(tmp_path: Path, stamp: Stamp) -> None:
    in_use = replace(
        CORRECTION,
        section="cold",
        form=CorrectionForm.GAIN,
        value=1.02,
        uncertainty=0.006,
        expires="2026-04-30",
    )
    other = replace(CORRECTION, rig="R3")
    later = replace(CORRECTION, section="cold", valid_from="2026-05-01", expires="2026-12-31")
    outcome = said_of_corrections(tmp_path, stamp, CORRECTION, in_use, other, later)
    (sentence,) = [text for text in outcome.evidence if "expired" in text]
    for part in (
        "R2 against R1 in fade 1",
        "record 1",
        "\u22120.0120",
        "0.0040",
        "2026-03-31",
        "withdraw it",
    ):
        assert part in sentence
    (note,) = [note for note in outcome.notes if "is in use" in note.text]
    for part in ("cold", "gain 1.0200", "until 2026-04-30"):
        assert part in note.text
    states = [(row[0], row[-1]) for row in outcome.table("corrections_in_ledger").rows]
    assert states == [(1, "expired"), (2, "in use"), (4, "not yet in use")]


def test_a_withdrawn_correction_is_no_longer_said(tmp_path: Path, stamp: Stamp) -> None:
    ledger = open_ledger(tmp_path / "lab.sqlite", create=True)
    ledger.append(
        of_withdrawal(ledger.append(of_correction(CORRECTION), stamp), reason="rig repaired"), stamp
    )
    outcome = said_of_corrections(tmp_path, stamp)
    assert not [text for text in outcome.evidence if "expired" in text]


def test_offsets_in_another_unit_are_left_out_and_named(tmp_path: Path, stamp: Stamp) -> None:
    where = tmp_path / "lab.sqlite"
    run_study(load_study(written(tmp_path, "2026-01-31", 0.001, margin="0.02")), ledger=where, stamp=stamp)
    outcome = run_study(load_study(written(tmp_path, "2026-02-28", 0.004)), ledger=where, stamp=stamp)
    assert rows(outcome.table("offset_history"), "fade 1") == []
    assert len(rows(outcome.table("offset_history"), "cold")) == 2
    assert any("another unit" in note.text and "fade 1" in note.text for note in outcome.notes)


def test_past_offsets_are_those_before_the_day_and_of_the_pair(
    ledger: Ledger, stamp: Stamp, months: tuple[Path, list[Outcome]]
) -> None:
    for outcome in months[1]:
        ledger.append(of_outcome(outcome), stamp)
    found = past_offsets(ledger, as_of="2026-03-31", pairs=["R2 against R1"])
    assert {offset.as_of for offset in found.offsets} == {"2026-01-31", "2026-02-28"}
    # The mean of all sections stands in the table of offsets as well.
    assert [offset.section for offset in found.offsets].count("fade 1") == 2
    assert {"cold", "fade 1"} <= {offset.section for offset in found.offsets}
    assert past_offsets(ledger, as_of="2026-03-31", pairs=["R1 against R2"]).offsets == ()
    assert [
        one.as_of for one in past_offsets(ledger, as_of="9999-12-31").offsets if one.section == "cold"
    ] == list(OFFSETS)


def test_planning_finds_the_latest_components(
    ledger: Ledger, stamp: Stamp, months: tuple[Path, list[Outcome]]
) -> None:
    base = months[1][0]
    for as_of, sd in (("2026-02-28", 0.009), ("2026-01-31", 0.005)):
        numbers = (
            ("fade 1: repeatability_sd", sd), ("fade 1: repeatability_sd_lower", sd / 2),
            ("fade 1: repeatability_sd_upper", sd * 2), ("fade 1: reproducibility_sd", None),
            ("cold: grr_sd", sd + 0.001), ("cold: grr_percent_of_total", 20.0),
        )  # fmt: skip
        made = replace(base.provenance, as_of=as_of)
        ledger.append(of_outcome(replace(base, job="gauge_study", numbers=numbers, provenance=made)), stamp)
    found = {(one.section, one.source): one for one in past_components(ledger)}
    assert set(found) == {("fade 1", "repeatability"), ("cold", "grr")}
    repeatability = found["fade 1", "repeatability"]
    assert (repeatability.sd, repeatability.lower, repeatability.upper) == (0.009, 0.0045, 0.018)
    assert (repeatability.as_of, repeatability.record) == ("2026-02-28", 1)
    assert past_components(ledger, as_of="2026-02-01", sections=["cold"])[0].sd == 0.006


def test_a_control_study_leaves_its_limits(tmp_path: Path, stamp: Stamp) -> None:
    """The demo laboratory's control study, twice: the limits are recorded once, as its page shows them."""
    project = Path(__file__).parents[2]
    text = (project / "studies" / "control_chart.toml").read_text(encoding="utf-8")
    path = tmp_path / "control.toml"
    path.write_text(text.replace("../demo_data", str(project / "demo_data")), encoding="utf-8")
    where = tmp_path / "lab.sqlite"
    outcome = run_study(load_study(path), ledger=where, stamp=stamp)
    ledger = open_ledger(where)
    found = {(one.rig, one.section): one for one in stated_limits(ledger)}
    table = outcome.table("limits")
    names = [column.key for column in table.columns]
    latest = {}
    for values in table.rows:
        row = dict(zip(names, values, strict=True))
        if row["centre"] is not None:
            latest[row["rig"], row["section"]] = row
    assert found
    assert found.keys() == latest.keys()
    for key, row in latest.items():
        assert (found[key].centre, found[key].sd) == (row["centre"], row["sd"])
    count = len(ledger.records())
    run_study(load_study(path), ledger=where, stamp=stamp)
    assert len(ledger.records()) == count + 1
