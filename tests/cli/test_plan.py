"""`repeatab plan`: what it prints and what it writes."""

from __future__ import annotations

import csv
import subprocess
from collections.abc import Callable
from pathlib import Path

PLAN = """
[plan]
hours_per_run = 5.0
level = 0.40
rig_hours = 60
used_up = true
[plan.scatter]
pad_set = { sd = 0.006, low = 0.004, high = 0.010 }
"""


def test_a_plan_prints_what_it_recommends_and_writes_the_sheet_in_the_study_s_own_form(
    repeatab: Callable[..., subprocess.CompletedProcess[str]], lab: Callable[..., Path]
) -> None:
    folder = lab('files = "march.csv"', 'files = "march.csv"\nseparator = "semicolon"')
    with (folder / "study.toml").open("a", encoding="utf-8") as stream:
        stream.write(PLAN)
    ran = repeatab("plan", "study.toml", "--to", "april")
    assert ran.returncode == 0, ran.stderr
    for words in ("R2 against R1", "rig hours", "run_sheet.xlsx"):
        assert words in ran.stdout
    assert {"report.html", "result.json", "run_sheet.csv", "run_sheet.xlsx"} <= {
        path.name for path in (folder / "april").iterdir()
    }
    with (folder / "april" / "run_sheet.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream, delimiter=";"))
    assert {"rig", "set", "section", "mu"} <= set(rows[0])
    assert {row["mu"] for row in rows} == {""}
    assert {row["rig"] for row in rows} == {"R1", "R2"}
