"""The same result, byte by byte, wherever it is made: other languages, time zones, no home folder, no network.

Here the cell file of a small study is made twice, once in the oddest surroundings; in the full form a whole study is
run in each of them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]
NAMES = ("Prüfung μ.csv", "prüf.toml")

# Languages that the machine does not have are taken for C; the odd ones matter: dotless i, decimal comma, no UTF-8.
SURROUNDINGS: dict[str, dict[str, str | None]] = {
    "German, decimal comma": {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"},
    "Turkish, dotless i": {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
    "C, ASCII only": {"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"},
    "POSIX": {"LC_ALL": "POSIX", "LANG": None},
    "no home folder": {
        "HOME": "/dev/null/none",
        "XDG_CONFIG_HOME": None,
        "XDG_CACHE_HOME": None,
        "MPLCONFIGDIR": None,
    },
    "home not set": {"HOME": None, "USER": None, "LOGNAME": None, "MPLCONFIGDIR": None},
    "settings of the drawing library not writable": {"MPLCONFIGDIR": "/dev/null/none"},
    "14 hours ahead": {"TZ": "Pacific/Kiritimati"},
    "a zone that is none": {"TZ": "XXX-24:59:59"},
    "a zone that is a path": {"TZ": "../../etc/passwd"},
}
ODDEST: dict[str, str | None] = {
    "LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0", "TZ": "XXX-24:59:59",
    "HOME": "/dev/null/none", "USER": None, "LOGNAME": None,
}  # fmt: skip

# Every word of the machine's settings is taken over, as programs in other languages do at their start.
START = (
    "import locale, sys\n"
    "try: locale.setlocale(locale.LC_ALL, '')\n"
    "except locale.Error: pass\n"
    "from repeatab.cli import main\n"
    "main()\n"
)


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """The demo study with names that ASCII does not have."""
    table = (PROJECT / "demo_data" / "crossover_correlation.csv").read_text(encoding="utf-8")
    study = (PROJECT / "studies" / "crossover_correlation.toml").read_text(encoding="utf-8")
    (tmp_path / NAMES[0]).write_text(table.replace("R1", "Prüfstand İ"), encoding="utf-8")
    study = study.replace("../demo_data/crossover_correlation.csv", NAMES[0]).replace("R1", "Prüfstand İ")
    (tmp_path / NAMES[1]).write_text(study, encoding="utf-8")
    return tmp_path


def run(folder: Path, words: list[str], changed: dict[str, str | None], before: tuple[str, ...] = ()) -> str:
    """Run a command in changed surroundings; what it says on standard error. It must succeed."""
    environment = {**os.environ, "PYTHONPATH": str(PROJECT), "OPENBLAS_NUM_THREADS": "1"}
    environment |= {name: value for name, value in changed.items() if value is not None}
    for name in [name for name, value in changed.items() if value is None]:
        environment.pop(name, None)
    command = [*before, sys.executable, "-c", START, *words]
    ran = subprocess.run(command, cwd=folder, env=environment, capture_output=True, timeout=300, check=False)
    said = ran.stderr.decode("utf-8", "replace")
    assert ran.returncode == 0, said
    return said


def test_a_cell_file_made_in_the_oddest_surroundings(lab: Path) -> None:
    words = ["cells", NAMES[1], "--laboratory", "L1", "--to"]
    assert run(lab, [*words, "a.csv"], {"LC_ALL": "C.UTF-8", "TZ": "UTC"}) == ""
    assert run(lab, [*words, "b.csv"], ODDEST) == ""
    assert (lab / "a.csv").read_bytes() == (lab / "b.csv").read_bytes()
    assert NAMES[0] in (lab / "a.csv").read_text(encoding="utf-8")


@pytest.mark.full
def test_a_study_run_in_all_surroundings(lab: Path) -> None:
    word = ["run", NAMES[1], "--ledger", "lab.sqlite", "--to"]
    assert run(lab, [*word, "plain"], {"LC_ALL": "C.UTF-8", "TZ": "UTC"}) == ""
    expected = (lab / "plain" / "result.json").read_bytes()
    alone = ("unshare", "-n") if shutil.which("unshare") and os.geteuid() == 0 else ()
    cases = [(name, changed, ()) for name, changed in SURROUNDINGS.items()]
    for name, changed, before in [*cases, ("no network", {}, alone)]:
        shutil.rmtree(lab / "out", ignore_errors=True)
        (lab / "lab.sqlite").unlink()
        assert run(lab, [*word, "out"], changed, before) == "", name
        assert (lab / "out" / "result.json").read_bytes() == expected, name


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_standard_output_that_takes_no_more(lab: Path) -> None:
    for words in (["--help"], ["check", NAMES[1]]):
        with Path("/dev/full").open("w") as full:
            ran = subprocess.run(
                [sys.executable, "-m", "repeatab.cli", *words], cwd=lab, stdout=full, stderr=subprocess.PIPE,
                env={**os.environ, "PYTHONPATH": str(PROJECT)}, check=False,
            )  # fmt: skip
        assert ran.returncode == 2, words
        assert b"standard output: cannot be written (No space left on device)" in ran.stderr
        assert ran.stderr.count(b"\n") == 1
