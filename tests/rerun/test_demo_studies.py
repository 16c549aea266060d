"""Every study of the demo laboratory comes out again, with one thread of linear algebra and with two."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]
STUDIES = sorted((PROJECT / "studies").glob("*.toml"))

pytestmark = pytest.mark.full


def repeatab(folder: Path, *words: str, threads: int) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(PROJECT), "PYTHONIOENCODING": "utf-8"}
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        environment[name] = str(threads)
    return subprocess.run(
        [sys.executable, "-m", "repeatab.cli", *words], cwd=folder, env=environment, capture_output=True, text=True,
        encoding="utf-8", timeout=600, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("study", STUDIES, ids=lambda path: path.stem)
def test_a_demo_study_comes_out_again_with_any_number_of_threads(study: Path, tmp_path: Path) -> None:
    command = "plan" if study.stem.startswith("plan_") else "run"
    ran = repeatab(tmp_path, command, str(study), "--to", "report", threads=1)
    assert ran.returncode == 0, ran.stderr
    for threads in (1, 2):
        ran = repeatab(tmp_path, "verify", "report", "--study", str(study), threads=threads)
        assert ran.returncode == 0, ran.stdout + ran.stderr
        assert "Reproduced: " in ran.stdout
        assert "Versions: the same." in ran.stdout
