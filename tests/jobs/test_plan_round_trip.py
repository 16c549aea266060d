"""From a plan to its study: the run sheet of every job, filled in, is what the study reads; as text and as workbook."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

import repeatab as rb
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.verdict import Verdict
from repeatab.report.run_sheet import run_sheet_files
from repeatab.run import study_results
from repeatab.study.loading import Study

PLAN = """
[plan]
hours_per_run = 5.0
level = 0.40
{more}
[plan.scatter]
pad_set = {{ sd = 0.004, low = 0.003, high = 0.006 }}
{scatter}
"""

STUDIES = {
    "correlation_check": (
        """
job = "correlation_check"
title = "To be planned"
rig = "R2"
reference_rig = "R1"
looks = [4]

[results]
files = "sheet/run_sheet.{kind}"
quantity = "friction"
shape = "wide"
section_columns = {{ "cold" = "mu cold", "fade" = "mu fade" }}

[columns]
rig = "Rig"
pad_set = "Set"
run = "Run"
run_order = "Order"

[sections]
"cold" = {{ margin = "5 %" }}
"fade" = {{ margin = "5 %" }}
""",
        "used_up = true", "",
    ),
    "lot_comparison": (
        """
job = "lot_comparison"
title = "To be planned"
lots = ["L2"]
reference_lot = "L1"
looks = [4]

[results]
files = "sheet/run_sheet.{kind}"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
pad_lot = "lot"
pad_set = "set"
run = "run"
section = "section"
stop = "stop"

[sections]
"cold" = {{ margin = "5 %", statistic = "mean" }}
"fade" = {{ margin = "5 %", statistic = "last 2 stops" }}
""",
        'used_up = true\nrigs = ["R1", "R2"]\nstops = {{ cold = 2, fade = 3 }}', "",
    ),
    "gauge_study": (
        """
job = "gauge_study"
title = "To be planned"

[bands]
acceptable = 10
conditional = 30

[results]
files = "sheet/run_sheet.{kind}"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
operator = "who"
pad_set = "set"
run = "run"
run_order = "order"
section = "section"

[sections]
"cold" = {{ tolerance = {{ lower = 0.30, upper = 0.50 }} }}
""",
        'rigs_free = 2\nrig_hours = 40\noperators = ["N. Sand", "P. Weiss"]',
        "rig = {{ sd = 0.003 }}\nrepeatability = {{ sd = 0.003 }}",
    ),
    "requalification": (
        """
job = "requalification"
title = "To be planned"
moved_rig = "R2"
control_rigs = ["R1"]
before = "before"
after = "after"
repeatability_limit = 3.0
looks = [4]

[burdens]
level = "must be shown"
repeatability = "must not be contradicted"

[results]
files = "sheet/run_sheet.{kind}"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
phase = "phase"
visit = "visit"
pad_set = "set"
run = "run"
section = "section"

[sections]
"cold" = {{ margin = "8 %" }}
""",
        "", "visit = {{ sd = 0.001 }}",
    ),
    "round_robin": (
        """
job = "round_robin"
title = "To be planned"

[levels]
"A" = {{}}
"B" = {{}}

[results]
files = "sheet/run_sheet.{kind}"
quantity = "friction"

[columns]
result = "mu"
laboratory = "lab"
level = "material"
pad_set = "set"
run = "run"
run_order = "order"
""",
        "widest = 0.9\nrigs_free = 5", "rig = {{ sd = 0.006 }}\nrepeatability = {{ sd = 0.004 }}",
    ),
    "control_chart": (
        """
job = "control_chart"
title = "To be planned"
reference = "fresh sets of a lot"

[chart]
shift = 1.5

[base]
visits = 12

[results]
files = "sheet/run_sheet.{kind}"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
visit = "visit"
pad_set = "set"
run = "run"
section = "section"

[sections]
"cold" = {{}}
""",
        'rigs = ["R1"]\nrig_hours = 200', "visit = {{ sd = 0.002 }}",
    ),
}  # fmt: skip


def study_file(job: str, folder: Path, kind: str) -> Path:
    text, more, scatter = STUDIES[job]
    path = folder / f"{job}_{kind}.toml"
    path.write_text(
        (text + PLAN.replace("{more}", more).replace("{scatter}", scatter)).format(kind=kind), "utf-8"
    )
    return path


def filled(rows: list[dict[str, str]], rng: np.random.Generator) -> list[dict[str, str]]:
    """Results in every column that is still empty: alike everywhere but for the set and the run."""
    names = [name for name in rows[0] if name.startswith("mu")]
    of_set: dict[str, float] = {}
    for row in rows:
        label = row.get("set") or row.get("Set") or ""
        effect = of_set.setdefault(label, float(0.002 * rng.standard_normal()))
        for name in names:
            row[name] = f"{0.40 + effect + 0.002 * rng.standard_normal():.5f}"
    return rows


def planned(study: Study) -> Outcome:
    """The plan of a study file, simulated briefly: what stands on the sheet is tested here, not which plan it is."""
    options = replace(study.plan.options(), form=study.plan.form(study.source, study.sections), seconds=0.1)
    return rb.plan_runs(study.question, beliefs=study.plan.beliefs(study.source.folder), options=options)


def into_workbook(path: Path, rows: list[dict[str, str]]) -> None:
    """Write the results into the workbook's empty cells, as a person would."""
    book = openpyxl.load_workbook(path)
    sheet = book.active
    names = [cell.value for cell in sheet[1]]
    assert names == list(rows[0])
    for number, row in enumerate(rows, start=2):
        for column, name in enumerate(names, start=1):
            if name.startswith("mu"):
                assert sheet.cell(number, column).value is None
                sheet.cell(number, column).value = float(row[name])
    book.save(path)


def table_of(path: Path, columns: list[str]) -> pd.DataFrame:
    """What the study reads, as text."""
    found = study_results(rb.load_study(path)).to_frame()
    return found[columns].astype(str).reset_index(drop=True)


@pytest.mark.parametrize("job", list(STUDIES))
def test_a_filled_run_sheet_is_what_the_study_reads(job, tmp_path):
    study = rb.load_study(study_file(job, tmp_path, "csv"))
    for name, content in run_sheet_files(planned(study)).items():
        (tmp_path / "sheet").mkdir(exist_ok=True)
        (tmp_path / "sheet" / name).write_bytes(content)
    sheet = tmp_path / "sheet" / "run_sheet.csv"
    with sheet.open(encoding="utf-8", newline="") as stream:
        rows = filled(list(csv.DictReader(stream)), np.random.default_rng(5))
    with sheet.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    outcome = rb.run_study(study)
    assert not [finding for finding in outcome.findings if finding.blocks]
    assert outcome.job == job
    expected = {
        "correlation_check": Verdict.EQUIVALENT, "lot_comparison": Verdict.EQUIVALENT,
        "requalification": Verdict.RETURN_TO_SERVICE,
    }  # fmt: skip
    if job in expected:
        # Margins far beyond the scatter: the filled-in study ends as the plan was made for.
        assert outcome.headline.verdict is expected[job], outcome.headline.reason
    into_workbook(tmp_path / "sheet" / "run_sheet.xlsx", rows)
    columns = ["result", *(role for role in study.source.columns if role != "result")]
    text, book = (table_of(study_file(job, tmp_path, kind), columns) for kind in ("csv", "xlsx"))
    assert len(text) == len(rows) * (2 if job == "correlation_check" else 1)
    assert text.equals(book)


def test_stops_and_wide_tables_have_the_lines_and_columns_of_their_study(tmp_path):
    stops = (
        planned(rb.load_study(study_file("lot_comparison", tmp_path, "csv"))).table("run_sheet").to_frame()
    )
    counts = stops.groupby(["run", "section"])["stop"].agg(list)
    assert all(counts[:, "cold"].map(lambda found: found == [1, 2]))
    assert all(counts[:, "fade"].map(lambda found: found == [1, 2, 3]))
    outcome = planned(rb.load_study(study_file("correlation_check", tmp_path, "csv")))
    wide = outcome.table("run_sheet")
    captions = [column.caption for column in wide.columns]
    assert captions[-2:] == ["mu cold", "mu fade"]
    assert not {"section", "result"} & {column.key for column in wide.columns}
    assert len(wide.rows) == dict(outcome.numbers)["runs"]
