"""The generator makes the stored files, and its check notices a change."""

import json
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).resolve().parents[2] / "demo_data" / "make_demo_data.py"


def run_check(folder: Path) -> subprocess.CompletedProcess:
    command = [sys.executable, str(SCRIPT), "--check", "--folder", str(folder)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_stored_files_are_what_the_generator_makes(demo):
    found = run_check(demo.folder)
    assert found.returncode == 0, found.stdout + found.stderr


def test_check_names_a_changed_and_a_missing_file(tmp_path):
    subprocess.run([sys.executable, str(SCRIPT), "--folder", str(tmp_path)], check=True)
    assert run_check(tmp_path).returncode == 0
    changed = tmp_path / "relocation.csv"
    changed.write_bytes(changed.read_bytes().replace(b"RL08-201", b"RL08-999", 1))
    (tmp_path / "gauge_study.xlsx").unlink()
    found = run_check(tmp_path)
    assert found.returncode == 1
    assert [line.split(":")[0] for line in found.stdout.splitlines()] == [
        "gauge_study.xlsx",
        "relocation.csv",
    ]


def test_every_data_file_is_named_in_a_truth_file(demo):
    named = {
        name
        for path in demo.folder.glob("*.truth.json")
        for name in json.loads(path.read_text("utf-8"))["data"]
    }
    data = [*demo.folder.glob("*.csv"), *demo.folder.glob("*.xlsx"), *demo.folder.glob("runs/*")]
    assert named == {path.relative_to(demo.folder).as_posix() for path in data}
