"""The commands from a person's side: what they print, what they write, how they end."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from repeatab import __version__
from repeatab.study.loading import load_study

Ran = subprocess.CompletedProcess[str]
Command = Callable[..., Ran]
Lab = Callable[..., Path]
STUDIES = Path(__file__).parents[2] / "studies"
REPORT = {"report.html", "result.json", "tables.xlsx", "figures"}


def test_run_prints_the_verdict_and_where_the_report_lies(repeatab: Command, lab: Lab) -> None:
    folder = lab()
    ran = repeatab("run", "study.toml")
    assert ran.returncode == 0, ran.stderr
    assert ran.stderr == ""  # no progress in a pipe
    assert "R2 against R1" in ran.stdout
    assert "EQUIVALENT" in ran.stdout
    assert "out/study/report.html" in ran.stdout
    assert {path.name for path in (folder / "out" / "study").iterdir()} >= REPORT


def test_the_same_input_gives_the_same_bytes(repeatab: Command, lab: Lab) -> None:
    folder = lab()
    for name in ("one", "two"):
        assert repeatab("run", "study.toml", "--to", name).returncode == 0
    one, two = ((folder / name / "result.json").read_bytes() for name in ("one", "two"))
    assert one == two
    assert str(folder).encode() not in one


@pytest.mark.parametrize(
    ("name", "verdict"),
    [
        ("monthly_correlation", "different"),
        ("crossover_correlation", "different"),
        # Six times the true R&R of 0.0091 (characteristic) is 45 % of the tolerance in either.
        ("gauge_study", "not acceptable"),
        ("gauge_study_balanced", "not acceptable"),
        ("round_robin", "described"),
    ],
)
def test_the_demo_studies_end_to_end(repeatab: Command, tmp_path: Path, name: str, verdict: str) -> None:
    ran = repeatab("run", str(STUDIES / f"{name}.toml"))
    assert ran.returncode == 0, ran.stderr
    result = json.loads((tmp_path / "out" / name / "result.json").read_text(encoding="utf-8"))
    # The right answers are in demo_data/*.truth.json.
    assert result["headline"]["verdict"] == verdict
    assert result["provenance"]["inputs"][0]["name"].startswith("../demo_data/")
    assert result["provenance"]["versions"]["repeatab"] == __version__
    assert "/" not in dict(result["provenance"]["settings"])["study file"]


def test_the_study_file_shown_in_the_readme_is_in_order(tmp_path: Path) -> None:
    text = (STUDIES.parent / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    assert shown
    for number, study in enumerate(shown):
        path = tmp_path / f"{number}.toml"
        path.write_text(study, encoding="utf-8")
        assert load_study(path).job in study


def test_check_of_a_result_file_shows_how_it_was_read_and_what_comes_next(
    repeatab: Command, lab: Lab
) -> None:
    lab()
    ran = repeatab("check", "march.csv")
    assert ran.returncode == 0, ran.stderr
    for part in ("12 results", "rig: R1, R2", "comma between values", 'pad_set = "set"', "correlation_check"):
        assert part in ran.stdout


def test_check_of_a_study_file_reads_as_the_study_says(repeatab: Command, lab: Lab) -> None:
    lab()
    ran = repeatab("check", "study.toml")
    assert ran.returncode == 0, ran.stderr
    assert "12 results" in ran.stdout
    assert "repeatab run study.toml" in ran.stdout


def test_check_takes_the_ways_of_reading(repeatab: Command, tmp_path: Path) -> None:
    (tmp_path / "export.txt").write_text("Prüfstand;Reibwert\nR1;0,401\nR2;0,404\n", encoding="cp1252")
    ran = repeatab(
        "check", "export.txt", "--column", "result=Reibwert", "--column", "rig=Prüfstand",
        "--separator", "semicolon", "--decimal", "comma", "--encoding", "cp1252",
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    assert "2 results" in ran.stdout


def test_start_writes_a_study_file_or_prints_it(repeatab: Command, tmp_path: Path) -> None:
    ran = repeatab("start", "correlation-check")
    assert ran.returncode == 0, ran.stderr
    assert "correlation_check.toml" in ran.stdout
    written = (tmp_path / "correlation_check.toml").read_text(encoding="utf-8")
    assert repeatab("start", "correlation_check", "--to", "-").stdout == written
    again = repeatab("start", "correlation_check")
    assert again.returncode == 2
    assert "exists already" in again.stderr


def test_names_cannot_steer_the_terminal(repeatab: Command, lab: Lab) -> None:
    lab(table="rig,set,section,mu\n\x1b[31mR1,S1,characteristic,0.4\nR2,S2,characteristic,0.41\n")
    ran = repeatab("check", "march.csv")
    assert ran.returncode == 0, ran.stderr
    assert "\x1b" not in ran.stdout
    assert "[31mR1" in ran.stdout


def test_an_output_that_knows_no_greek(lab: Lab, environment: dict[str, str]) -> None:
    folder = lab()
    command = [sys.executable, "-m", "repeatab.cli", "check", "march.csv"]
    narrow = {**environment, "PYTHONIOENCODING": "cp1252"}
    ran = subprocess.run(command, cwd=folder, env=narrow, capture_output=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert b"12 results of friction ?" in ran.stdout


def test_version_and_help(repeatab: Command) -> None:
    assert repeatab("--version").stdout == f"repeatab {__version__}\n"
    shown = repeatab("--help").stdout
    assert all(command in shown for command in ("run", "check", "start"))


def test_a_defect_says_so_and_how_to_see_more(lab: Lab, environment: dict[str, str]) -> None:
    folder = lab()
    broken = (
        "import repeatab.run, repeatab.cli, sys\n"
        "def fails(*args, **kwargs): raise KeyError('oops')\n"
        "repeatab.run.answer_study = fails\n"
        "repeatab.cli.main()\n"
    )
    ran = python(folder, environment, broken, "run", "study.toml")
    assert ran.returncode == 1
    assert "defect of repeatab, not of your input" in ran.stderr
    assert "--traceback" in ran.stderr
    assert "Traceback (most" not in ran.stderr
    ran = python(folder, environment, broken, "--traceback", "run", "study.toml")
    assert ran.returncode == 1
    assert "Traceback (most recent call last)" in ran.stderr
    assert "╭" not in ran.stderr
    assert not (folder / "out").exists()


def python(folder: Path, environment: dict[str, str], code: str, *words: str) -> Ran:
    command = [sys.executable, "-c", code, *words]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.skipif(sys.platform == "win32", reason="signals of another kind")
def test_stopping_leaves_nothing_behind(lab: Lab, environment: dict[str, str]) -> None:
    folder = lab()
    slow = (
        "import repeatab.run, repeatab.cli, time\n"
        "def waits(*args, **kwargs): print('waiting', flush=True); time.sleep(60)\n"
        "repeatab.run.answer_study = waits\n"
        "repeatab.cli.main()\n"
    )
    before = sorted(folder.iterdir())
    process = subprocess.Popen(
        [sys.executable, "-c", slow, "run", "study.toml"],
        cwd=folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "waiting\n"
    time.sleep(0.1)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=30)
    assert process.returncode == 130
    assert errors.strip() == "Stopped. Nothing was written."
    assert sorted(folder.iterdir()) == before
