"""The command `repeatab cells`, and a round robin of the files it writes."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

from repeatab.cell_files import read_cell_file

Ran = subprocess.CompletedProcess[str]
Command = Callable[..., Ran]

STUDY = """\
job = "round_robin"
title = "Round"

[results]
files = ["two.csv", "l3.cells.csv"]
quantity = "friction"

[columns]
result = "mu"
laboratory = "lab"
level = "material"
"""


def rows(lab: str, start: float) -> str:
    return "".join(
        f"{lab},{material},{run},{start + 0.05 * j + 0.003 * ((7 * run + j) % 4):.4f}\n"
        for j, material in enumerate("AB")
        for run in (1, 2, 3)
    )


def test_a_laboratory_sends_cells_and_takes_part(repeatab: Command, tmp_path: Path) -> None:
    head = "lab,material,run,mu\n"
    (tmp_path / "two.csv").write_text(head + rows("L1", 0.38) + rows("L2", 0.39))
    (tmp_path / "own.csv").write_text(head + rows("L3", 0.40))
    ran = repeatab("cells", "own.csv", "--to", "l3.cells.csv", "--column", "level=material")
    assert ran.returncode == 0, ran.stderr
    assert "2 cells of 6 results by laboratory, level" in ran.stdout
    table = read_cell_file(tmp_path / "l3.cells.csv")
    assert table.cells.count.tolist() == [3, 3]
    assert [file.name for file in table.results] == ["own.csv"]
    assert "0.4000" not in (tmp_path / "l3.cells.csv").read_text()
    (tmp_path / "study.toml").write_text(STUDY)
    checked = repeatab("check", "study.toml")
    assert checked.returncode == 0, checked.stderr
    assert "l3.cells.csv: 2 cells of 6 results" in checked.stdout
    ran = repeatab("run", "study.toml", "--to", "out")
    assert ran.returncode == 0, ran.stderr
    result = json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))
    assert result["numbers"]["A: s_R"] > 0
    assert [file["name"] for file in result["provenance"]["inputs"]] == ["two.csv", "l3.cells.csv"]


def test_a_file_without_a_laboratory_gets_its_code(repeatab: Command, tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("material,mu\nA,0.40\nA,0.41\n")
    command = ("cells", "own.csv", "--to", "l7.csv", "--column", "level=material")
    ran = repeatab(*command)
    assert ran.returncode == 2
    assert "Say which: --laboratory CODE" in ran.stderr
    ran = repeatab(*command, "--laboratory", "L7")
    assert ran.returncode == 0, ran.stderr
    assert list(read_cell_file(tmp_path / "l7.csv").cells.levels_of("laboratory")) == ["L7"]


def test_cells_of_one_result_are_pointed_out(repeatab: Command, tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("lab,rig,mu\nL1,R1,0.40\nL1,R2,0.41\n")
    ran = repeatab("cells", "own.csv", "--to", "c.csv", "--by", "rig")
    assert ran.returncode == 0, ran.stderr
    assert "2 of 2 cells hold one result, and their mean is that result" in ran.stdout


def test_a_file_that_is_no_cell_file_is_not_overwritten(repeatab: Command, tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("lab,mu\nL1,0.40\nL1,0.41\n")
    ran = repeatab("cells", "own.csv", "--to", "own.csv")
    assert ran.returncode == 2
    assert "exists and is no cell file" in ran.stderr
    assert (tmp_path / "own.csv").read_text().startswith("lab,mu")
