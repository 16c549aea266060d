"""Importing the package and asking for help cost next to nothing: the heavy libraries come when they are used."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

import repeatab

PROJECT = Path(__file__).parents[1]
HEAVY = (
    "pandas", "scipy", "statsmodels", "pingouin", "seaborn", "matplotlib", "numpy", "pydantic", "pyarrow", "rich",
    "narwhals", "sqlalchemy", "psycopg",
)  # fmt: skip
HELP = "import sys; sys.argv = ['repeatab', '--help']; from repeatab.cli import main; main()"
# What a typer program costs that does nothing.
SMALLEST = "import typer, sys; sys.argv = ['x', '--help']; typer.run(lambda: None)"


def loaded_after(code: str) -> set[str]:
    """The heavy modules that a fresh interpreter holds after this code."""
    wrapped = (
        "import atexit, json, sys\n"
        f"heavy = {HEAVY!r}\n"
        "atexit.register(lambda: print('\\n' + json.dumps([name for name in heavy if name in sys.modules])))\n"
        f"{code}\n"
    )
    ran = started(wrapped)
    assert ran.returncode == 0, ran.stderr
    return set(json.loads(ran.stdout.splitlines()[-1]))


def started(code: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(PROJECT)}
    return subprocess.run(
        [sys.executable, "-c", code],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_importing_the_package_loads_nothing_heavy() -> None:
    assert loaded_after("import repeatab; dir(repeatab); repeatab.__version__") == set()


def test_help_loads_nothing_heavy() -> None:
    assert loaded_after(HELP) == set()


def test_the_list_of_heavy_modules_would_show_one() -> None:
    assert "pandas" in loaded_after("import repeatab; repeatab.read_results; import pandas")


def test_help_is_nearly_as_fast_as_the_smallest_typer_program() -> None:
    def fastest(code: str) -> float:
        durations = []
        for _ in range(5):
            begin = time.perf_counter()
            assert started(code).returncode == 0
            durations.append(time.perf_counter() - begin)
        return min(durations)

    # Seen: 0.5, because help without ornament loads less than typer's own.
    assert fastest(HELP) < 1.5 * fastest(SMALLEST)


@pytest.mark.parametrize("name", repeatab.__all__)
def test_every_public_name_is_there_and_documented(name: str) -> None:
    found = getattr(repeatab, name)
    assert name in dir(repeatab)
    assert name == "__version__" or (callable(found) and found.__doc__)


def test_a_name_that_is_not_public_is_refused_in_the_usual_way() -> None:
    with pytest.raises(AttributeError, match="no attribute 'fit_component'"):
        repeatab.fit_component  # noqa: B018
