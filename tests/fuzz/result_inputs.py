"""Results as input: text tables, workbooks, Parquet files, one file per run; valid, bent, and read."""

from __future__ import annotations

import io
import json
import random
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import hostile_files
import hostile_text
from cases import DEMO, Case, head_of

COLUMNS = {
    "result": "mu",
    "rig": "rig",
    "pad_set": "pad_set",
    "section": "section",
    "stop": "stop",
    "time": "test_date",
}


@cache
def tables() -> tuple[Case, ...]:
    monthly = {**COLUMNS, "run": "run", "condition": "pressure_bar", "run_order": "run_order"}
    return (
        Case(files={"a.csv": head_of("monthly_correlation.csv")}, words={"columns": monthly}),
        Case(
            files={"a.csv": head_of("crossover_correlation.csv")},
            words={"columns": {**_without("stop"), "time": "date"}},
        ),
        Case(
            files={"a.tsv": head_of("lot_comparison.csv")},
            words={"columns": {**COLUMNS, "pad_lot": "lot", "time": "date", "temp": "start_temp_C"}},
        ),
        Case(
            files={"a.csv": head_of("messy_labels.csv")},
            words={
                "columns": {
                    "result": "result",
                    "rig": "rig",
                    "unit": "unit",
                    "averaging": "averaging",
                    "section": "section",
                }
            },
        ),
        Case(
            files={"a.csv": head_of("round_robin.csv")},
            words={
                "columns": {
                    "result": "mu",
                    "laboratory": "laboratory",
                    "level": "material",
                    "run": "run",
                    "time": "date",
                }
            },
        ),
        Case(
            files={
                "a.txt": b"Title\n\nRig;mu fade;mu cold;Temp\n;[-];[-];[\xc2\xb0C]\nR1;0,41;0,43;1.020,5\n"
                b"R2;0,42;0,40;980\n"
            },
            words={
                "columns": {"rig": "Rig", "temp": "Temp"},
                "options": {"shape": "wide", "section_columns": {"fade": "mu fade", "cold": "mu cold"}},
            },
        ),
    )


def _without(*roles: str) -> dict[str, str]:
    return {role: name for role, name in COLUMNS.items() if role not in roles}


def bent_table(case: Case, chance: random.Random) -> Case:
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
    "name_pattern": (
        None,
        "{run}_{rig}_{pad_lot}_{pad_set}.txt",
        "{a}{b}",
        "{",
        "{a}.csv",
        "{a}/{b}",
        "{rig}_{rig}",
        "(" * 50 + "{a}",
    ),
}


def _bent_options(options: dict[str, Any], chance: random.Random) -> dict[str, Any]:
    for _ in range(chance.choice((1, 2))):
        key = chance.choice(list(_OPTIONS))
        options[key] = chance.choice(_OPTIONS[key])
    return options


_ROLES = (
    "result",
    "rig",
    "section",
    "stop",
    "time",
    "visit",
    "unit",
    "averaging",
    "window",
    "run",
    "run_order",
    "condition",
    "day",
    "stated_uncertainty",
    "level",
    "phase",
    "own",
    "source_file",
    "count",
    "sd",
    "",
)


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


def options_of(words: Mapping[str, Any]) -> Any:
    from repeatab.intake import options as o

    kinds = {
        "separator": o.Separator,
        "decimal": o.DecimalMark,
        "thousands": o.ThousandsMark,
        "encoding": o.Encoding,
        "units_row": o.UnitsRow,
        "shape": o.Shape,
    }
    stated = words.get("options", {})
    return o.ReadOptions(
        **{key: kinds[key](value) if key in kinds else value for key, value in stated.items()}
    )


def read(case: Case, folder: Path) -> None:
    from repeatab.intake.reading import read_results

    source = str(folder) if case.words.get("folder") else [str(folder / name) for name in case.files]
    results = read_results(
        source, columns=case.words["columns"], options=options_of(case.words), relative_to=folder
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
def workbooks() -> tuple[Case, ...]:
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
    wide = {
        "columns": {"rig": "rig", "pad_set": "pad set", "time": "date"},
        "options": {
            "shape": "wide",
            "sheet": "results",
            "section_columns": {"c": "characteristic", "r": "recovery"},
        },
    }
    return (
        Case(files={"a.xlsx": stream.getvalue()}, words={"columns": COLUMNS}),
        Case(files={"a.xlsx": (DEMO / "gauge_study.xlsx").read_bytes()}, words=wide),
    )


def bent_workbook(case: Case, chance: random.Random) -> Case:
    files, words = dict(case.files), dict(case.words)
    files["a.xlsx"] = hostile_files.bent_workbook(files["a.xlsx"], chance)
    if chance.random() < 0.1:
        words["options"] = _bent_options(dict(words.get("options", {})), chance)
    return replace(case, files=files, words=words)


@cache
def parquets() -> tuple[Case, ...]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    rigs = pa.array(["R1", "R2"] * 6)
    table = pa.table(
        {
            "Rig": rigs.dictionary_encode(),
            "Set": rigs,
            "Section": ["cold"] * 12,
            "Stop": list(range(12)),
            "mu": [0.4 + i / 1000 for i in range(12)],
            "When": ["2026-03-01"] * 12,
        }
    )
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


def bent_parquet(case: Case, chance: random.Random) -> Case:
    return replace(case, files={"a.parquet": hostile_files.bent_parquet(case.files["a.parquet"], chance)})


@cache
def runs() -> tuple[Case, ...]:
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


def bent_runs(case: Case, chance: random.Random) -> Case:
    case = bent_table(case, chance)
    files = dict(case.files)
    if chance.random() < 0.3:
        name = chance.choice(list(files))
        other = chance.choice(
            (
                "a.txt",
                "..txt",
                "5201_R1_P2604_S01_x.txt",
                "\u00e9_\u00e8_x_y.txt",
                "1_2_3_4.txt",
                "x" * 200 + ".csv",
                "~$a.csv",
                "a.xlsx",
                "a.parquet",
                "a.zip",
                "a\nb.txt",
                "<b>.csv",
                "[a].csv",
            )
        )
        files[other] = files.pop(name)
    return replace(case, files=files)
