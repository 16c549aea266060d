"""Everything through which a file or a word gets into the package, each with valid cases and ways to bend them.

In: a random.Random.  Out: cases, and the call that takes one. The valid cases come from demo_data and studies and are
cut short, so that an input is small and quick.
"""

from __future__ import annotations

import io
import json
import os
import random
import re
import shutil
import sys
import tomllib
from collections.abc import Callable, Mapping
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import hostile_files
import hostile_text

PROJECT = Path(__file__).parents[2]
DEMO, STUDIES = PROJECT / "demo_data", PROJECT / "studies"
CLOCK = "2026-03-31T14:05:00+00:00"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One input: files by name, and words that say how to read them or what to do."""

    files: Mapping[str, bytes]
    words: Mapping[str, Any] = field(default_factory=dict)

    @property
    def size(self) -> int:
        return sum(len(content) for content in self.files.values())

    def lay(self, folder: Path) -> None:
        """Put the files into an empty folder."""
        for name, content in self.files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entrance:
    """A way in. share : how many of 1,000 inputs go here. timed : whether an accepted input must be quick."""

    name: str
    share: int
    seeds: Callable[[], tuple[Case, ...]]
    bent: Callable[[Case, random.Random], Case]
    take: Callable[[Case, Path], None]
    timed: bool = True


# Results: text tables, workbooks, Parquet, one file per run.

COLUMNS = {
    "result": "mu",
    "rig": "rig",
    "pad_set": "pad_set",
    "section": "section",
    "stop": "stop",
    "time": "test_date",
}


def _head(name: str, rows: int = 24, *, skip: int = 0) -> bytes:
    lines = (DEMO / name).read_bytes().splitlines(keepends=True)
    return b"".join(lines[:1] + lines[1 + skip : 1 + skip + rows])


@cache
def _tables() -> tuple[Case, ...]:
    monthly = {**COLUMNS, "run": "run", "condition": "pressure_bar", "run_order": "run_order"}
    return (
        Case(files={"a.csv": _head("monthly_correlation.csv")}, words={"columns": monthly}),
        Case(files={"a.csv": _head("crossover_correlation.csv")}, words={"columns": {**_without("stop"), "time": "date"}}),
        Case(files={"a.tsv": _head("lot_comparison.csv")}, words={"columns": {**COLUMNS, "pad_lot": "lot", "time": "date", "temp": "start_temp_C"}}),
        Case(files={"a.csv": _head("messy_labels.csv")}, words={"columns": {"result": "result", "rig": "rig", "unit": "unit", "averaging": "averaging", "section": "section"}}),
        Case(files={"a.csv": _head("round_robin.csv")}, words={"columns": {"result": "mu", "laboratory": "laboratory", "level": "material", "run": "run", "time": "date"}}),
        Case(files={"a.txt": b"Title\n\nRig;mu fade;mu cold;Temp\n;[-];[-];[\xc2\xb0C]\nR1;0,41;0,43;1.020,5\nR2;0,42;0,40;980\n"},
             words={"columns": {"rig": "Rig", "temp": "Temp"}, "options": {"shape": "wide", "section_columns": {"fade": "mu fade", "cold": "mu cold"}}}),
    )  # fmt: skip


def _without(*roles: str) -> dict[str, str]:
    return {role: name for role, name in COLUMNS.items() if role not in roles}


def _bent_table(case: Case, chance: random.Random) -> Case:
    files, words = dict(case.files), dict(case.words)
    if chance.random() < 0.9:
        name = chance.choice(list(files))
        files[name] = hostile_text.bent_text_file(files[name], chance)
    if chance.random() < 0.3:
        words["options"] = _bent_options(dict(words.get("options", {})), chance)
    if chance.random() < 0.15:
        words["columns"] = _bent_columns(dict(words["columns"]), chance)
    return replace(case, files=files, words=words)


_OPTIONS: dict[str, tuple[Any, ...]] = {
    "separator": ("automatic", "comma", "semicolon", "tab"),
    "decimal": ("automatic", "point", "comma"),
    "thousands": ("automatic", "none", "point", "comma", "space", "apostrophe"),
    "encoding": ("automatic", "utf-8", "utf-16", "cp1252"),
    "units_row": ("automatic", "none", "below header"),
    "header_row": (None, 0, 1, 2, 5, 10**9, -1),
    "sheet": (None, "Data", "results", "", "x" * 40),
    "covariates": ((), ("temp",), ("rig",), ("nothing",)),
    "factors": ((), ("temp",), ("mu",)),
    "header_values": ({}, {"rig": "Rig"}, {"rig": ""}, {"time": "Date", "x": "Remark"}),
    "name_pattern": (None, "{run}_{rig}_{pad_lot}_{pad_set}.txt", "{a}{b}", "{", "{a}.csv", "{a}/{b}", "{rig}_{rig}", "(" * 50 + "{a}"),
}  # fmt: skip


def _bent_options(options: dict[str, Any], chance: random.Random) -> dict[str, Any]:
    for _ in range(chance.choice((1, 2))):
        key = chance.choice(list(_OPTIONS))
        options[key] = chance.choice(_OPTIONS[key])
    return options


_ROLES = ("result", "rig", "section", "stop", "time", "visit", "unit", "averaging", "window", "run", "run_order", "condition", "day",
          "stated_uncertainty", "level", "phase", "own", "source_file", "count", "sd", "")  # fmt: skip


def _bent_columns(columns: dict[str, str], chance: random.Random) -> dict[str, str]:
    if not columns:
        return {"result": "mu"}
    role = chance.choice(list(columns))
    match chance.randrange(4):
        case 0:
            del columns[role]
        case 1:
            columns[chance.choice(_ROLES)] = columns.pop(role)
        case 2:
            columns[chance.choice(_ROLES)] = chance.choice(list(columns.values()))
        case _:
            columns[role] = chance.choice((*hostile_text.CELLS[:100], "pad_set", "mu"))
    return columns


def _options(words: Mapping[str, Any]) -> Any:
    from repeatab.intake import options as o

    kinds = {
        "separator": o.Separator, "decimal": o.DecimalMark, "thousands": o.ThousandsMark, "encoding": o.Encoding,
        "units_row": o.UnitsRow, "shape": o.Shape,
    }  # fmt: skip
    stated = words.get("options", {})
    return o.ReadOptions(
        **{key: kinds[key](value) if key in kinds else value for key, value in stated.items()}
    )


def _read(case: Case, folder: Path) -> None:
    from repeatab.intake.reading import read_results

    source = str(folder) if case.words.get("folder") else [str(folder / name) for name in case.files]
    results = read_results(
        source, columns=case.words["columns"], options=_options(case.words), relative_to=folder
    )
    _promise_results(results)


def _promise_results(results: Any) -> None:
    """What is accepted holds at least one result, and only finite ones; it can be told in words."""
    import numpy as np

    values = results.to_frame()["result"].to_numpy(dtype=float)
    assert len(values) > 0
    assert np.isfinite(values).all()
    assert str(results)
    json.dumps(str(results)).encode("utf-8")


@cache
def _workbooks() -> tuple[Case, ...]:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (
        ["Monthly check"],
        [],
        ["rig", "pad_set", "section", "stop", "mu", "test_date"],
        [None, None, None, None, "[-]"],
    ):
        sheet.append(row)
    import datetime

    for at in range(8):
        sheet.append(
            [f"R{at % 2 + 1}", f"S{at}", "cold", at, 0.4 + at / 1000, datetime.date(2026, 3, 1 + at)]
        )
    book.create_sheet("Notes").append(["hello"])
    stream = io.BytesIO()
    book.save(stream)
    wide = {"columns": {"rig": "rig", "pad_set": "pad set", "time": "date"},
            "options": {"shape": "wide", "sheet": "results", "section_columns": {"c": "characteristic", "r": "recovery"}}}  # fmt: skip
    return (
        Case(files={"a.xlsx": stream.getvalue()}, words={"columns": COLUMNS}),
        Case(files={"a.xlsx": (DEMO / "gauge_study.xlsx").read_bytes()}, words=wide),
    )


def _bent_workbook(case: Case, chance: random.Random) -> Case:
    files, words = dict(case.files), dict(case.words)
    files["a.xlsx"] = hostile_files.bent_workbook(files["a.xlsx"], chance)
    if chance.random() < 0.1:
        words["options"] = _bent_options(dict(words.get("options", {})), chance)
    return replace(case, files=files, words=words)


@cache
def _parquets() -> tuple[Case, ...]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    rigs = pa.array(["R1", "R2"] * 6)
    table = pa.table({"Rig": rigs.dictionary_encode(), "Set": rigs, "Section": ["cold"] * 12, "Stop": list(range(12)),
                      "mu": [0.4 + i / 1000 for i in range(12)], "When": ["2026-03-01"] * 12})  # fmt: skip
    cases = []
    for compression in ("snappy", "none"):
        stream = io.BytesIO()
        pq.write_table(table, stream, compression=compression)
        columns = {
            "rig": "Rig",
            "pad_set": "Set",
            "section": "Section",
            "stop": "Stop",
            "result": "mu",
            "time": "When",
        }
        cases.append(Case(files={"a.parquet": stream.getvalue()}, words={"columns": columns}))
    return tuple(cases)


def _bent_parquet(case: Case, chance: random.Random) -> Case:
    return replace(case, files={"a.parquet": hostile_files.bent_parquet(case.files["a.parquet"], chance)})


@cache
def _runs() -> tuple[Case, ...]:
    names = ("5201_R1_P2604_S01.txt", "5202_R2_P2604_S02.txt", "5205_r2_P2604_S05.txt")
    files = {
        name: b"".join((DEMO / "runs" / name).read_bytes().splitlines(keepends=True)[:26]) for name in names
    }
    columns = {"result": "mu [-]", "section": "section", "stop": "stop"}
    lines = {"rig": "Rig", "pad_lot": "Pad lot", "pad_set": "Pad set", "run": "Test no.", "time": "Date"}
    by_name = {
        "columns": columns,
        "folder": True,
        "options": {"name_pattern": "{run}_{rig}_{pad_lot}_{pad_set}.txt"},
    }
    return (
        Case(files=files, words={"columns": columns, "folder": True, "options": {"header_values": lines}}),
        Case(files=files, words=by_name),
    )


def _bent_runs(case: Case, chance: random.Random) -> Case:
    case = _bent_table(case, chance)
    files = dict(case.files)
    if chance.random() < 0.3:
        name = chance.choice(list(files))
        other = chance.choice(("a.txt", "..txt", "5201_R1_P2604_S01_x.txt", "\u00e9_\u00e8_x_y.txt", "1_2_3_4.txt", "x" * 200 + ".csv", "~$a.csv",
                               "a.xlsx", "a.parquet", "a.zip", "a\nb.txt", "<b>.csv", "[a].csv"))  # fmt: skip
        files[other] = files.pop(name)
    return replace(case, files=files)


# Study files, cell files.


@cache
def _studies() -> tuple[Case, ...]:
    from repeatab.study.known_jobs import JOBS
    from repeatab.study.start import template

    found = [path.read_bytes() for path in sorted(STUDIES.glob("*.toml"))]
    return tuple(
        Case(files={"study.toml": raw}) for raw in (*found, *(template(job).encode() for job in JOBS))
    )


def _bent_study(case: Case, chance: random.Random) -> Case:
    raw = case.files["study.toml"]
    if chance.random() < 0.7:
        with suppress(ValueError, RecursionError):  # bent before, beyond what can be taken apart
            bent = hostile_text.bent_content(tomllib.loads(raw.decode("utf-8")), chance)
            return replace(case, files={"study.toml": hostile_text.toml_bytes(bent)})
    if chance.random() < 0.5:
        text = raw.decode("utf-8", "replace").split("\n")
        at = chance.randrange(len(text))
        key, mark, _ = text[at].partition("=")
        text[at] = f"{key}{mark} {chance.choice(hostile_text.CELLS[:120])}"
        return replace(case, files={"study.toml": "\n".join(text).encode("utf-8", "surrogatepass")})
    return replace(case, files={"study.toml": hostile_text.bent_bytes(raw, chance)})


def _load(_case: Case, folder: Path) -> None:
    from repeatab.study.loading import load_study

    study = load_study(folder / "study.toml")
    assert study.title.strip()
    str(study).encode("utf-8")


@cache
def _cell_files() -> tuple[Case, ...]:
    import pandas as pd

    from repeatab.cell_files import cell_file_bytes
    from repeatab.cells import reduce_to_cells

    table = pd.DataFrame({
        "laboratory": ["L1", "L1", "L2", "L2"] * 2, "level": [1] * 4 + [2] * 4, "result": [0.4 + i / 100 for i in range(8)],
        "run_order": [float(i) for i in range(8)],
    })  # fmt: skip
    both = reduce_to_cells(table, result="result", factors=["laboratory", "level"], covariates=["run_order"])
    one = reduce_to_cells(table, result="result", factors=["laboratory"], covariates=[])
    return tuple(Case(files={"a.csv": cell_file_bytes(cells, quantity="friction")}) for cells in (both, one))


def _bent_cells(case: Case, chance: random.Random) -> Case:
    import hashlib

    first, _, rest = case.files["a.csv"].partition(b"\n")
    second, _, table = rest.partition(b"\n")
    match chance.randrange(6):
        case 0:
            return replace(case, files={"a.csv": hostile_text.bent_bytes(case.files["a.csv"], chance)})
        case 1 | 2:
            with suppress(ValueError, RecursionError):
                about = hostile_text.bent_content({"about": json.loads(second.removeprefix(b"#"))}, chance)
                second = b"# " + json.dumps(about.get("about"), default=str).encode()
        case _:
            table = hostile_text.bent_text_file(table, chance)
    if chance.random() < 0.9:
        # The right fingerprint, so that what comes after its check is reached.
        text = table.decode("utf-8", "replace").replace("\r\n", "\n")
        digest = hashlib.sha256(text.encode()).hexdigest().encode()
        second = re.sub(rb'(?<="table_sha256": ")[0-9a-f]*', digest, second)
    return replace(case, files={"a.csv": b"\n".join((first, second, table))})


def _read_cells(_case: Case, folder: Path) -> None:
    import numpy as np

    from repeatab.cell_files import cell_file_bytes, read_cell_file

    table = read_cell_file(folder / "a.csv")
    assert (table.cells.count >= 1).all()
    assert np.isfinite(table.cells.mean).all()
    assert np.isfinite(table.cells.cross).all()
    # What was accepted can be written again.
    cell_file_bytes(table.cells, quantity=table.quantity, results=table.results)


# The ledger: reference results and events from files, and the file of the ledger itself.


@cache
def _references() -> tuple[Case, ...]:
    columns = {
        "result": "mu",
        "rig": "rig",
        "visit": "visit",
        "time": "date",
        "pad_lot": "reference_lot",
        "pad_set": "pad_set",
        "section": "section",
    }
    stops = {
        "result": "mu",
        "rig": "rig",
        "visit": "test_date",
        "section": "section",
        "stop": "stop",
        "run": "run",
        "pad_set": "pad_set",
    }
    return (
        Case(files={"a.csv": _head("reference_history.csv")}, words={"columns": columns}),
        Case(files={"a.csv": _head("monthly_correlation.csv")}, words={"columns": stops, "statistic": "mean"}),
    )  # fmt: skip


@cache
def _event_files() -> tuple[Case, ...]:
    return (
        Case(
            files={"a.csv": (DEMO / "reference_events.csv").read_bytes()},
            words={"events": True, "columns": {}},
        ),
    )


def _bent_reference(case: Case, chance: random.Random) -> Case:
    case = _bent_table(case, chance) if case.words["columns"] else replace(
        case, files={"a.csv": hostile_text.bent_text_file(case.files["a.csv"], chance)}
    )  # fmt: skip
    words = dict(case.words)
    if chance.random() < 0.1:
        words["section"] = chance.choice(hostile_text.CELLS[:120])
    if chance.random() < 0.1:
        words["statistic"] = chance.choice((None, "minimum", "last 3 stops", "mean"))
    return replace(case, words=words)


class _OneLedger:
    """A ledger that is used until it holds some records, then a new one; opening one takes longer than an import."""

    def __init__(self) -> None:
        self.ledger: Any = None
        self.left = 0

    def fresh(self) -> Any:
        import tempfile

        from repeatab.ledger.store import open_ledger

        if self.left <= 0:
            if self.ledger is not None:
                shutil.rmtree(Path(str(self.ledger)).parent)
            place = tempfile.mkdtemp(prefix="ledger", dir=memory_folder())
            self.ledger = open_ledger(Path(place) / "lab.sqlite", create=True)
            self.left = 25
        return self.ledger


_one = _OneLedger()


def memory_folder() -> str | None:
    """A folder that lies in memory, where there is one."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


def _import(case: Case, folder: Path) -> None:
    from repeatab.base.errors import RepeatabError
    from repeatab.ledger.importing import import_events, import_reference
    from repeatab.ledger.records import Stamp
    from repeatab.study.values import statistic_from

    ledger, words = _one.fresh(), case.words
    head, stamp = ledger.head(), Stamp(by="A. Tester", at=CLOCK)
    try:
        if words.get("events"):
            import_events(ledger, folder / "a.csv", stamp=stamp)
        else:
            statistic = statistic_from(words["statistic"]) if words.get("statistic") else None
            import_reference(ledger, next(folder / name for name in case.files), columns=words["columns"], stamp=stamp,
                             options=_options(words), section=words.get("section"), statistic=statistic)  # fmt: skip
    except RepeatabError:
        assert ledger.head() == head, "the ledger grew by an import that was refused"
        raise
    _one.left -= 1


@cache
def _ledgers() -> tuple[Case, ...]:
    import tempfile

    from repeatab.intake.events import Event
    from repeatab.ledger.importing import import_reference
    from repeatab.ledger.records import Stamp, of_event
    from repeatab.ledger.store import open_ledger

    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "lab.sqlite"
        ledger, stamp = open_ledger(place, create=True), Stamp(by="A. Tester", at=CLOCK)
        ledger.append(of_event(Event(day="2026-03-31", kind="repair", rig="R1")), stamp)
        (Path(name) / "a.csv").write_bytes(_references()[0].files["a.csv"])
        import_reference(ledger, Path(name) / "a.csv", columns=_references()[0].words["columns"], stamp=stamp)
        ledger.database.engine.dispose()
        return (Case(files={"lab.sqlite": place.read_bytes()}),)


def _bent_ledger(case: Case, chance: random.Random) -> Case:
    """Bytes changed anywhere, or text that the database keeps changed for other text of the same length."""
    raw = case.files["lab.sqlite"]
    if chance.random() < 0.5:
        return replace(case, files={"lab.sqlite": hostile_text.bent_bytes(raw, chance)})
    places = [match.span() for match in re.finditer(rb"[ -~]{4,}", raw)]
    start, end = chance.choice(places)
    at = chance.randrange(start, end)
    much = min(end - at, chance.choice((1, 2, 8, 40)))
    new = bytes(chance.choice(b'{}[]":,0123456789eE+-.aZ \x00\xff') for _ in range(much))
    return replace(case, files={"lab.sqlite": raw[:at] + new + raw[at + much :]})


def _look_into(_case: Case, folder: Path) -> None:
    from repeatab.ledger.export import What, csv_bytes, rows_of
    from repeatab.ledger.store import open_ledger
    from repeatab.ledger.verify import verify

    ledger = open_ledger(folder / "lab.sqlite")
    try:
        verify(ledger)
        for record in ledger.records():
            str(record)
        for what in (What.RECORDS, What.REFERENCE, What.EVENTS):
            csv_bytes(rows_of(ledger, what))
    finally:
        ledger.database.engine.dispose()


# The command line.


def _result() -> bytes:
    """A result.json as small as one can be; its study and results lie beside it."""
    from repeatab.outcome.outcome import Outcome, Provenance
    from repeatab.outcome.serialise import to_json_bytes
    from repeatab.outcome.tables import Column, ColumnKind, Table
    from repeatab.outcome.verdict import Judgement, Verdict

    undecided = Judgement(subject="cold", verdict=Verdict.UNDECIDED, reason="too few sets")
    column = Column(key="offset", caption="offset", kind=ColumnKind.RESULT)
    table = Table(key="offsets", caption="Offsets", columns=(column,), rows=((0.01,), (None,)))
    made = Provenance(settings=(("study file", "s.toml"),), seed=1)
    outcome = Outcome(job="correlation_check", title="Check", headline=undecided, judgements=(undecided,), evidence=("six sets",),
                      tables=(table,), provenance=made)  # fmt: skip
    return to_json_bytes(outcome)


@cache
def _commands() -> tuple[Case, ...]:
    results = {"a.csv": _head("crossover_correlation.csv"), "r.csv": _head("reference_history.csv", 12)}
    study = re.sub(
        r"\.\./demo_data/\w+\.csv",
        "a.csv",
        (STUDIES / "crossover_correlation.toml").read_text(encoding="utf-8"),
    )
    files = {
        **results,
        "s.toml": study.encode(),
        "e.csv": (DEMO / "reference_events.csv").read_bytes(),
        **_ledgers()[0].files,
        "result.json": _result(),
    }
    lines = (
        "check a.csv", "check s.toml", "check a.csv --column result=mu --column rig=rig --separator comma --decimal point",
        "check e.csv --column result=date", "start gauge_study --to g.toml", "start round_robin --to -", "start control-chart",
        "cells a.csv --to c.csv --laboratory L1", "cells s.toml --to c.csv --laboratory L1 --by rig", "history list lab.sqlite --all",
        "history show lab.sqlite 1", "history export lab.sqlite x.csv --what reference", "history export lab.sqlite x.json",
        "history verify lab.sqlite", "history event lab.sqlite --kind repair --day 2026-01-01 --text pump --rig R1 --by A",
        "history import lab.sqlite r.csv --by A", "history import lab.sqlite e.csv --events --by A",
        "history correction lab.sqlite --rig R2 --reference-rig R1 --section cold --value 0.01 --uncertainty 0.002 "
        "--valid-from 2026-01-01 --expires 2026-12-31 --by A", "history withdraw lab.sqlite 1 --reason slip --by A",
        "history adopt lab.sqlite 1 --by A", "run s.toml --to out --ledger lab.sqlite", "plan s.toml --to out", "verify result.json", "--version", "--help",
    )  # fmt: skip
    return tuple(Case(files=files, words={"line": line.split()}) for line in lines)


def _bent_command(case: Case, chance: random.Random) -> Case:
    words, files = list(case.words["line"]), dict(case.files)
    if "run" in words and chance.random() < 0.8:
        words = ["check", "s.toml"]  # a study takes a second, most others a hundredth of it
    if chance.random() < 0.7:
        words = hostile_text.bent_words(words, chance)
    if chance.random() < 0.6:
        name = chance.choice([name for name in files if any(name in word for word in words)] or list(files))
        if name.endswith(".toml"):
            files[name] = _bent_study(Case(files={"study.toml": files[name]}), chance).files["study.toml"]
        elif name.endswith(".csv"):
            files[name] = hostile_text.bent_text_file(files[name], chance)
        elif name.endswith(".json"):
            files[name] = _bent_json(files[name], chance)
        else:
            files[name] = hostile_text.bent_bytes(files[name], chance)
    return replace(case, files=files, words={"line": words})


def _bent_json(raw: bytes, chance: random.Random) -> bytes:
    with suppress(ValueError, RecursionError, AttributeError):
        if chance.random() < 0.8:
            return json.dumps(hostile_text.bent_content(json.loads(raw), chance), default=str).encode()
    return hostile_text.bent_bytes(raw, chance)


def _command(case: Case, folder: Path) -> None:
    """Run the command in the folder; a refusal is raised as what it says, so that it is judged like any other."""
    from repeatab.base.errors import RepeatabError
    from repeatab.cli import main

    out, err = io.StringIO(), io.StringIO()
    status = 0
    with (
        _standing_in(folder),
        _arguments(["repeatab", *case.words["line"]]),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as error:
            status = error.code if isinstance(error.code, int) else 1
    # 3: `verify` found another value than the stored one.
    if "Traceback" in err.getvalue() or status not in (0, 2, 3):
        raise AssertionError(f"status {status}: {err.getvalue()[-300:]}")
    if status != 0:
        raise RepeatabError(err.getvalue())


@contextmanager
def _standing_in(folder: Path) -> Any:
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


@contextmanager
def _arguments(words: list[str]) -> Any:
    before, sys.argv = sys.argv, words
    try:
        yield
    finally:
        sys.argv = before


ENTRANCES = (
    Entrance(name="text tables", share=80, seeds=_tables, bent=_bent_table, take=_read),
    Entrance(name="workbooks", share=35, seeds=_workbooks, bent=_bent_workbook, take=_read),
    Entrance(name="Parquet files", share=50, seeds=_parquets, bent=_bent_parquet, take=_read),
    Entrance(name="one file per run", share=30, seeds=_runs, bent=_bent_runs, take=_read),
    Entrance(name="study files", share=230, seeds=_studies, bent=_bent_study, take=_load),
    Entrance(name="cell files", share=490, seeds=_cell_files, bent=_bent_cells, take=_read_cells),
    Entrance(name="ledger import, results", share=20, seeds=_references, bent=_bent_reference, take=_import),
    Entrance(name="ledger import, events", share=45, seeds=_event_files, bent=_bent_reference, take=_import),
    Entrance(name="ledger files", share=10, seeds=_ledgers, bent=_bent_ledger, take=_look_into),
    Entrance(name="command line", share=10, seeds=_commands, bent=_bent_command, take=_command, timed=False),
)
assert sum(entrance.share for entrance in ENTRANCES) == 1000
