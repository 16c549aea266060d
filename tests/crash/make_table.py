"""Crash and concurrency in the full form, and the dated table of what came of it.

    python tests/crash/make_table.py

In: a seed.  Out: tests/assurance/crash_and_concurrency.md. The tests that are run here are those of the suite and its
full form; what they hold is told in their own words.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import tempfile
from datetime import date
from pathlib import Path

PROJECT = Path(__file__).parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(PROJECT)]

from killed_reports import kill_writers, two_versions  # noqa: E402

SEED, TIMES = 20261128, 200
TABLE = PROJECT / "tests" / "assurance" / "crash_and_concurrency.md"
WAYS = {
    "swap": "report, two folders swapped by the system's own call",
    "renames": "report, where the system cannot swap (three renames)",
}
SUITE = (
    ("ledger, SQLite: killed at random moments 200 times", "ledger/test_crashes.py", "two_hundred and sqlite"),
    ("ledger, PostgreSQL: killed at random moments 200 times", "ledger/test_crashes.py", "two_hundred and postgresql"),
    ("ledger: killed at each of its statements", "ledger/test_crashes.py", "each_of_its_statements"),
    ("ledger: four processes at once, each also making it", "ledger/test_crashes.py", "write_at_once"),
    ("ledger: full disk, bound of pages, files that may not grow", "ledger/test_crashes.py", "full or grow"),
    ("report: three processes at once into one folder", "crash/test_report_crashes.py", "at_once"),
    ("report: full disk, read-only disk, files that may not grow", "crash/test_report_crashes.py", "disk or grow"),
    ("the same result.json in eleven surroundings", "crash/test_surroundings.py", "all_surroundings"),
    ("standard output that takes no more", "crash/test_surroundings.py", "takes_no_more"),
)  # fmt: skip
HEAD = """\
# Crash and concurrency

{day}, seed {seed}, {system}, Python {python}; repeatab {ours}. Made by `python tests/crash/make_table.py`.

Writers killed (SIGKILL) at random moments while they make and write old and new in turn; after each kill every file of
the folder is compared, byte by byte. A file of somebody else stood in the folder throughout.

| writer | killed | the report from before | the new report | without its name, given back by the next | between |
|---|---|---|---|---|---|
{rows}

Where the folder itself has to stay (it is a mount point, belongs to somebody else, or a program stands in it) its files
are replaced one by one: each is whole at any moment, and the next report mends what a kill left
(tests/base/test_files.py).

| what is held | outcome |
|---|---|
{suite}
"""


def killed(way: str) -> str:
    """The row of one way of writing; an AssertionError if anything stood between old and new."""
    with tempfile.TemporaryDirectory() as folder:
        found = kill_writers(TIMES, Path(folder) / "out", two_versions(drawn=True), SEED, way=way)
    return f"| {WAYS[way]} | {TIMES} | {found['old']} | {found['new']} | {found['lost']} | 0 |"


def outcome(file: str, chosen: str) -> str:
    """What pytest says of the chosen tests of a file, long forms too."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", f"tests/{file}", "-k", chosen]
    ran = subprocess.run(
        [*command, "-m", "full or not full"], cwd=PROJECT, capture_output=True, text=True, check=False
    )
    lines = ran.stdout.strip().splitlines()
    last = lines[-1] if lines else "nothing"
    return "held" if ran.returncode == 0 and "skipped" not in ran.stdout else f"not held or not run: {last}"


def main() -> None:
    import repeatab

    rows = [killed(way) for way in WAYS]
    print("\n".join(rows), flush=True)
    suite = []
    for words, file, chosen in SUITE:
        suite.append(f"| {words} | {outcome(file, chosen)} |")
        print(suite[-1], flush=True)
    text = HEAD.format(
        day=date.today(), seed=SEED, system=platform.system(), python=platform.python_version(),
        ours=repeatab.__version__, rows="\n".join(rows), suite="\n".join(suite),
    )  # fmt: skip
    TABLE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
