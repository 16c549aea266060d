"""Reference results and events come in from a laboratory's files, and everything goes out to other programs."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from repeatab.base.errors import InputError, RepeatabError, StudyError
from repeatab.base.files import fingerprint
from repeatab.intake.events import Event
from repeatab.intake.statistics import Mean, Minimum
from repeatab.jobs.charts.question import StatedLimits
from repeatab.ledger.export import What, export, what_from
from repeatab.ledger.history import events_of
from repeatab.ledger.importing import import_events, import_reference
from repeatab.ledger.records import (
    Correction,
    CorrectionForm,
    Entry,
    ReferenceResults,
    ReferenceRow,
    Stamp,
    of_correction,
    of_event,
    of_limits,
    of_reference,
)
from repeatab.ledger.reference import base_period, reference_visits
from repeatab.ledger.store import Ledger, open_ledger
from repeatab.ledger.verify import verify

Make = Callable[..., Entry]
DEMO = Path(__file__).parents[2] / "demo_data"
COLUMNS = {
    "result": "mu", "rig": "rig", "section": "section", "visit": "visit", "time": "date", "pad_lot": "reference_lot",
    "pad_set": "pad_set", "run": "run",
}  # fmt: skip


def test_the_demo_laboratorys_reference_runs_come_in_whole(ledger: Ledger, stamp: Stamp) -> None:
    """Against the file as pandas reads it."""
    file = DEMO / "reference_history.csv"
    found = import_reference(ledger, file, columns=COLUMNS, stamp=stamp)
    raw = pd.read_csv(file, sep=";", decimal=",", dtype={"run": str})
    assert found.count == len(raw)
    kept = base_period(ledger)
    columns = ["rig", "section", "visit", "time", "pad_lot", "pad_set", "run", "result"]
    expected = raw.rename(columns={"mu": "result", "date": "time", "reference_lot": "pad_lot"})[columns]
    keys = ["rig", "section", "pad_set", "run"]
    pd.testing.assert_frame_equal(
        kept[columns].sort_values(keys, ignore_index=True).astype({"result": float}),
        expected.sort_values(keys, ignore_index=True),
        check_dtype=False,
    )
    by_visit = raw.groupby(["rig", "section", "visit", "reference_lot"])["mu"]
    visits = (
        reference_visits(ledger).to_frame().set_index(["rig", "section", "visit", "reference"]).sort_index()
    )
    assert visits["count"].tolist() == by_visit.count().tolist()
    assert visits["mean"].to_numpy() == pytest.approx(by_visit.mean().to_numpy(), rel=1e-13)
    assert (visits["centred_ss"] / (visits["count"] - 1)).to_numpy() == pytest.approx(
        by_visit.var().to_numpy(), rel=1e-9, nan_ok=True
    )
    body = ledger.body(found.record)
    assert body["inputs"] == [{"name": file.name, "sha256": fingerprint(file), "rows": len(raw)}]
    assert verify(ledger).whole


def test_a_file_goes_in_once(ledger: Ledger, stamp: Stamp) -> None:
    import_reference(ledger, DEMO / "reference_history.csv", columns=COLUMNS, stamp=stamp)
    with pytest.raises(InputError, match=r"in the ledger already, as record 1\..*--supersedes 1"):
        import_reference(ledger, DEMO / "reference_history.csv", columns=COLUMNS, stamp=stamp)
    again = import_reference(
        ledger, DEMO / "reference_history.csv", columns=COLUMNS, stamp=stamp, supersedes=1
    )
    assert len(base_period(ledger)) == again.count


def table(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "runs.csv"
    path.write_text(text, encoding="utf-8")
    return path


STOPS = "rig,visit,run,stop,mu\n" + "\n".join(
    f"R1,2026-01,{run},{stop},{0.40 + run / 100 + stop / 1000}" for run in (1, 2) for stop in (1, 2, 3)
)


def test_stops_become_run_results_only_as_the_laboratory_says(
    tmp_path: Path, ledger: Ledger, stamp: Stamp
) -> None:
    columns = {"result": "mu", "rig": "rig", "visit": "visit", "run": "run", "stop": "stop"}
    path = table(tmp_path, STOPS)
    with pytest.raises(InputError, match="--statistic"):
        import_reference(ledger, path, columns=columns, stamp=stamp, section="cold")
    first = import_reference(ledger, path, columns=columns, stamp=stamp, section="cold", statistic=Minimum())
    assert base_period(ledger)["result"].tolist() == pytest.approx([0.411, 0.421])
    import_reference(
        ledger,
        path,
        columns=columns,
        stamp=stamp,
        section="cold",
        statistic=Mean(),
        supersedes=first.record.number,
    )
    assert base_period(ledger)["result"].tolist() == pytest.approx([0.412, 0.422])


@pytest.mark.parametrize(
    ("text", "columns", "said"),
    [
        ("visit,mu\nv,0.4\n", {"visit": "visit"}, "No column is named for 'rig', 'section'"),
        ("rig,section,mu\nR1,cold,0.4\n", {"rig": "rig", "section": "section"}, "visit (or time)"),
        (
            "rig,section,day,mu\nR1,cold,03/04/26,0.4\n", {"rig": "rig", "section": "section", "time": "day"},
            "The times cannot all be read in one way (such as '03/04/26')",
        ),
        ("rig,section,visit,mu\nR1,cold,v,n/a\n", {"rig": "rig", "section": "section", "visit": "visit"}, "'n/a'"),
        (
            "rig,section,visit,way,mu\nR1,cold,v,time,0.4\nR1,cold,v,distance,0.4\n",
            {"rig": "rig", "section": "section", "visit": "visit", "averaging": "way"}, "cannot be kept as they are",
        ),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_kept(
    tmp_path: Path, stamp: Stamp, text: str, columns: dict[str, str], said: str
) -> None:
    ledger = open_ledger(tmp_path / "lab.sqlite", create=True)
    with pytest.raises(RepeatabError) as caught:
        import_reference(ledger, table(tmp_path, text), columns={"result": "mu", **columns}, stamp=stamp)
    assert said in str(caught.value)
    assert ledger.records() == ()


def test_a_visit_is_its_day_where_no_visit_is_named(tmp_path: Path, ledger: Ledger, stamp: Stamp) -> None:
    path = table(tmp_path, "rig;day;mu\nR1;31.03.2026;0,41\nR1;01.04.2026;0,42\n")
    import_reference(
        ledger, path, columns={"result": "mu", "rig": "rig", "time": "day"}, stamp=stamp, section="cold"
    )
    assert reference_visits(ledger).visit == ("2026-03-31", "2026-04-01")


def test_events_come_in_together(ledger: Ledger, stamp: Stamp) -> None:
    records = import_events(ledger, DEMO / "reference_events.csv", stamp=stamp)
    raw = pd.read_csv(DEMO / "reference_events.csv", sep=";")
    assert [event.day for event in events_of(ledger)] == raw["date"].tolist()
    assert [event.rig for event in events_of(ledger)] == [None if rig == "all" else rig for rig in raw["rig"]]
    assert len(records) == len(raw)
    with pytest.raises(InputError, match="in the ledger already"):
        import_events(ledger, DEMO / "reference_events.csv", stamp=stamp)


FORMULAS = ("=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "＝1+1", "=cmd|' /C calc'!A0")


def test_no_cell_of_a_csv_file_begins_like_a_formula(ledger: Ledger, stamp: Stamp, tmp_path: Path) -> None:
    for text in FORMULAS:
        ledger.append(of_event(Event(day="2026-01-01", kind=f"={text}", text=text, rig=text)), stamp)
    rows = tuple(ReferenceRow(text, text, text, -0.5, None, text, "-12", text) for text in FORMULAS)
    ledger.append(of_reference(ReferenceResults(quantity="friction", rows=rows)), stamp)
    for what in (What.RECORDS, What.EVENTS, What.REFERENCE):
        path = tmp_path / f"{what.value}.csv"
        assert export(ledger, path, what=what) > 0
        for row in csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")):
            for cell in row:
                start = cell.lstrip()[:1]
                assert start not in "=+@＝\t\r" or not start
                if start == "-":
                    assert float(cell) in (-0.5, -12.0)


def test_everything_comes_out_in_every_form(
    ledger: Ledger, stamp: Stamp, batch: Make, tmp_path: Path
) -> None:
    ledger.append(batch(), stamp)
    ledger.append(
        of_event(Event(day="2026-01-01", kind="repair", text='µ, "quoted"\nand broken', rig=None)), stamp
    )
    one = Correction(
        rig="R2", reference_rig="R1", section="cold", form=CorrectionForm.GAIN, value=1.02, uncertainty=0.01,
        valid_from="2026-01-01", expires="2026-12-31",
    )  # fmt: skip
    ledger.append(of_correction(one), stamp)
    ledger.append(
        of_limits(StatedLimits(rig="R1", section="cold", centre=0.1, sd=1 / 3), as_of="2026-01-01"), stamp
    )
    for what in What:
        counts = {export(ledger, tmp_path / f"x.{kind}", what=what) for kind in ("csv", "json", "parquet")}
        assert len(counts) == 1
        from_csv = pd.read_csv(tmp_path / "x.csv")
        from_parquet = pd.read_parquet(tmp_path / "x.parquet")
        from_json = json.loads((tmp_path / "x.json").read_text(encoding="utf-8"))[what.value]
        assert list(from_csv.columns) == list(from_parquet.columns)
        assert len(from_csv) == len(from_parquet) == len(from_json) == counts.pop()
        for row, entry in zip(from_parquet.itertuples(index=False), from_json, strict=True):
            assert [None if value != value else value for value in row] == [
                value if value is not None else None for value in entry.values()
            ]
    assert pd.read_csv(tmp_path / "x.csv")["sd"][0] == 1 / 3


def test_the_exported_records_still_verify(ledger: Ledger, stamp: Stamp, batch: Make, tmp_path: Path) -> None:
    """A reader of the JSON file can recompute the chain with nothing but SHA-256."""
    import hashlib

    for count in (3, 4):
        ledger.append(batch(count), stamp)
    export(ledger, tmp_path / "x.json")
    content = json.loads((tmp_path / "x.json").read_text(encoding="utf-8"))
    previous = "0" * 64
    for record in content["records"]:
        names = ("number", "kind", "topic", "subject", "as_of", "by", "at", "program", "body", "supersedes")
        covered = ["repeatab record 1", *(record[name] for name in names), previous]
        text = json.dumps(covered, separators=(",", ":"))
        previous = hashlib.sha256(text.encode()).hexdigest()
        assert record["hash"] == previous
    assert content["last_hash"] == previous


def test_a_place_or_ending_that_does_not_do(ledger: Ledger, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"ending '\.xls', expected one of '\.csv'"):
        export(ledger, tmp_path / "x.xls")
    with pytest.raises(InputError, match="cannot be written"):
        export(ledger, tmp_path / "none" / "x.csv")
    with pytest.raises(StudyError, match="Did you mean 'records'"):
        what_from("record")
