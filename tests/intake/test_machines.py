"""Files read on several machines give what one machine gives; a machine that dies costs nothing but its time.

In the ordinary suite the machines are threads of this process; in the long form they are processes of their own, one
of which is killed at work.
"""

from __future__ import annotations

import dataclasses
import gc
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from repeatab.base.errors import InputError
from repeatab.cell_files import cells_to_share, merged_to_share, read_cell_file
from repeatab.cells import Cells
from repeatab.cli import app
from repeatab.intake import dividing, large_files, large_store
from repeatab.intake.aliases import Aliases
from repeatab.intake.exclusions import Exclusion
from repeatab.intake.machines import Machines, on_machines
from repeatab.intake.options import ReadOptions
from repeatab.intake.reading import read_results
from repeatab.intake.results import Results
from repeatab.intake.spread import Order, read_on_machines
from repeatab.run import read_study, run_results, study_results
from repeatab.study.loading import load_study

pytest.importorskip("dask.dataframe")
distributed = pytest.importorskip("distributed")

PROJECT = Path(__file__).parents[2]
TESTS = PROJECT / "tests"
COLUMNS = {
    "result": "mu", "laboratory": "Lab", "level": "Material", "section": "Section", "temperature": "T",
}  # fmt: skip
STUDY = """\
job = "correlation_check"
title = "R2 against R1"
rig = "R2"
reference_rig = "R1"

[results]
files = "stops/*.csv"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
pad_set = "set"
run = "run"
stop = "stop"
section = "section"

[sections.characteristic]
margin = "5 %"
statistic = "mean"

[sections.fade]
margin = "8 %"
statistic = "minimum"
"""


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None, scheduler_port=0
    ) as made:
        yield made


@pytest.fixture(scope="module")
def machines(cluster: Any) -> Machines:
    return Machines(cluster.scheduler_address)


@pytest.fixture
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every file is a piece of its own."""
    monkeypatch.setattr(dividing, "MOST_TOGETHER", 1)


def write_runs(folder: Path, files: int = 5) -> None:
    rng = np.random.default_rng(4)
    for at in range(files):
        rows = 60
        table = pd.DataFrame(
            {
                "Lab": rng.choice(["L1", "L2", "L3"], rows), "Material": rng.choice(["A", "B"], rows),
                "Section": "fade", "mu": 0.4 + 0.01 * rng.standard_normal(rows), "T": 100 + rng.standard_normal(rows),
            }
        )  # fmt: skip
        table.to_csv(folder / f"part{at}.csv", index=False)


def write_stops(folder: Path) -> None:
    """Six sets on each of two rigs, five stops in two sections; one run continues in a second file."""
    (folder / "stops").mkdir()
    rng = np.random.default_rng(5)
    rows = [
        (f"R{rig}", f"{rig}-{s}", f"run {rig}{s}", section, stop, 0.4 + 0.01 * rng.standard_normal())
        for rig in (1, 2) for s in range(6) for section in ("characteristic", "fade") for stop in range(1, 6)
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=["rig", "set", "run", "section", "stop", "mu"])
    for at, cut in enumerate(np.split(np.arange(len(table)), [24, 65, 90])):
        table.iloc[cut].to_csv(folder / "stops" / f"{at}.csv", index=False)
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")


def order(make: object, base: Path, **changes: object) -> Order:
    known = {
        "columns": COLUMNS, "options": ReadOptions(), "aliases": Aliases(), "exclude": (), "base": base,
        "quantity": read_results.__kwdefaults__["quantity"], "make": make,
    }  # fmt: skip
    return Order(**{**known, **changes})


def rows_of(results: Results) -> int:
    return results.row_count


def alike(found: Cells, want: Cells) -> None:
    found = found.shifted_to(want.shift)
    assert [list(labels) for labels in found.levels] == [list(labels) for labels in want.levels]
    assert (found.count == want.count).all()
    np.testing.assert_allclose(found.mean, want.mean, rtol=0, atol=1e-14)
    np.testing.assert_allclose(found.cross, want.cross, rtol=1e-12)


@pytest.mark.usefixtures("small_parcels")
def test_cells_and_findings_are_those_of_one_machine(tmp_path, machines):
    write_runs(tmp_path)
    with (tmp_path / "part2.csv").open("a") as stream:
        stream.write("L1,A,fade,,99\nl 2,A,fade,0.41,99\nL9,A,fade,0.40,99\n")
    exclude = (Exclusion(match={"laboratory": "L3", "level": "B"}, reason="wrong discs"),)
    whole = read_results(tmp_path, columns=COLUMNS, exclude=exclude, relative_to=tmp_path)
    seen: list[tuple[str, int, int]] = []
    found = read_on_machines(
        tmp_path, order(cells_to_share, tmp_path, exclude=exclude), machines,
        progress=lambda *step: seen.append(step),
    )  # fmt: skip
    assert len(found.made) == 5
    alike(merged_to_share(found.made), cells_to_share(whole))
    assert found.results.inputs == whole.inputs
    assert [f.check for f in found.results.findings] == [f.check for f in whole.findings]
    assert {f.check for f in whole.findings} >= {"missing result", "near-duplicate names", "level seen once"}
    spelled = [
        f.text for results in (found.results, whole) for f in results.findings if "look like" in f.text
    ]
    assert spelled[0].partition(": ")[2] == spelled[1].partition(": ")[2]
    assert sum(e.count for e in found.results.excluded) == sum(e.count for e in whole.excluded)
    assert (seen[0][1:], seen[-1][1:]) == ((0, 5), (5, 5))


@pytest.mark.usefixtures("small_parcels")
def test_the_run_results_of_a_study_are_those_of_one_machine(tmp_path, machines):
    from dataclasses import replace

    write_stops(tmp_path)
    study = load_study(tmp_path / "study.toml")
    shared = replace(study, machines=machines)
    here, there = (run_results(s, study_results(s)).to_frame() for s in (study, shared))
    keys = ["rig", "pad_set", "run", "section"]
    here, there = (t.sort_values(keys, ignore_index=True) for t in (here, there))
    for name in (*keys, "stops"):
        assert (here[name].astype(str) == there[name].astype(str)).all()
    np.testing.assert_allclose(here["result"], there["result"], rtol=1e-15)
    assert (here["stops"] == 5).all()
    assert [file.name for file in study_results(shared).inputs] == [f"stops/{at}.csv" for at in range(4)]
    assert read_study(shared).splitlines()[0].startswith("24 ")


def test_the_study_file_names_the_scheduler(tmp_path):
    write_stops(tmp_path)
    text = (tmp_path / "study.toml").read_text() + '\n[engine]\nscheduler = "tcp://rig-hall:8786"\n'
    (tmp_path / "study.toml").write_text(text)
    study = load_study(tmp_path / "study.toml")
    assert study.machines == Machines("tcp://rig-hall:8786")
    assert not any("rig-hall" in value for _, value in study.settings)
    (tmp_path / "study.toml").write_text(text.replace("tcp://rig-hall:8786", "rig hall"))
    with pytest.raises(ValueError, match=r"engine.scheduler.*'rig hall'.*expected the address"):
        load_study(tmp_path / "study.toml")


@pytest.mark.usefixtures("small_parcels")
def test_what_one_file_refuses_is_refused(tmp_path, machines):
    write_runs(tmp_path)
    with (tmp_path / "part3.csv").open("a") as stream:
        stream.write("L1,A,fade,rejected,99\n")
    with pytest.raises(InputError, match=r"part3.csv, row 62, column 'mu': found 'rejected'"):
        read_on_machines(tmp_path, order(rows_of, tmp_path), machines)
    write_runs(tmp_path)
    exclude = (Exclusion(match={"level": "Z"}, reason="none"),)
    with pytest.raises(InputError, match="matches no row"):
        read_on_machines(tmp_path, order(rows_of, tmp_path, exclude=exclude), machines)


@pytest.mark.usefixtures("small_parcels")
def test_the_command_writes_the_cells_of_all_machines(tmp_path, machines):
    write_runs(tmp_path, files=2)
    words = [
        "cells",
        str(tmp_path / "part*.csv"),
        "--to",
        str(tmp_path / "c.csv"),
        "--column",
        "level=Material",
    ]
    ran = CliRunner().invoke(app, [*words, "--engine", machines.scheduler])
    assert ran.exit_code == 0, ran.output
    assert "of 120 results by laboratory, level, section" in ran.output
    written = read_cell_file(tmp_path / "c.csv")
    columns = {name: column for name, column in COLUMNS.items() if name != "temperature"}
    whole = cells_to_share(read_results(str(tmp_path / "part*.csv"), columns=columns))
    alike(written.cells, whole)
    assert [file.name for file in written.results] == ["part0.csv", "part1.csv"]
    refused = CliRunner().invoke(app, [*words, "--engine", "rig hall"])
    assert refused.exit_code == 2
    assert "expected the address of a scheduler" in refused.output


@pytest.mark.usefixtures("small_parcels")
def test_nothing_stays_on_a_machine(tmp_path, machines, monkeypatch):
    """Pieces too large to hold are read from the machine's temporary folder, which is empty afterwards."""
    pytest.importorskip("duckdb")
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr(large_store.tempfile, "tempdir", str(place))
    monkeypatch.setattr(large_files, "MOST_BYTES", 10)
    write_runs(tmp_path, files=2)
    (tmp_path / "part2.csv").write_text("Lab,Material,Section,mu,T\nL1,A,fade,,100\n")
    found = read_on_machines(tmp_path, order(rows_of, tmp_path), machines)
    assert sorted(found.made) == [0, 60, 60]
    assert [f.check for f in found.results.findings].count("missing result") == 1
    gc.collect()
    assert list(place.iterdir()) == []


def _nap(_: int) -> None:
    time.sleep(0.05)


def test_stopping_takes_the_rest_back(cluster, machines):
    def stop(_step: str, done: int, _total: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    began = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        on_machines(machines, _nap, range(400), progress=stop, step="")
    while cluster.scheduler.tasks and time.monotonic() - began < 8:
        time.sleep(0.02)
    # All of it would take ten seconds.
    assert not cluster.scheduler.tasks


def test_a_scheduler_that_is_not_there(monkeypatch):
    monkeypatch.setattr("repeatab.intake.machines._SECONDS", 0.3)
    with pytest.raises(InputError, match=r"tcp://127.0.0.1:9 cannot be reached.*leave the engine out"):
        on_machines(Machines("tcp://127.0.0.1:9"), str, [1], progress=lambda *_: None, step="")


def test_dask_is_not_installed(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"Dask is not installed.*repeatab\[engines\]"):
        on_machines(Machines("tcp://rig-hall:8786"), str, [1], progress=lambda *_: None, step="")


def _slow_rows(results: Results) -> tuple[int, int]:
    """The process that did it and the rows, slowly enough to be killed at it."""
    time.sleep(0.4)
    return os.getpid(), results.row_count


@contextmanager
def processes(folder: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and three workers in processes of their own: its address, and the workers."""
    path = [str(PROJECT), str(TESTS / "intake"), str(TESTS / "cells")]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(path)}
    started: list[subprocess.Popen[bytes]] = []

    def start(*words: str) -> subprocess.Popen[bytes]:
        process = subprocess.Popen([sys.executable, "-m", *words], env=environment, stderr=subprocess.DEVNULL)
        started.append(process)
        return process

    try:
        known = folder / "scheduler.json"
        where = ("--scheduler-file", str(known))
        start("distributed.cli.dask_scheduler", *where, "--port", "0", "--no-dashboard")
        workers = [
            start("distributed.cli.dask_worker", *where, "--nthreads", "1", "--no-nanny", "--no-dashboard")
            for _ in range(3)
        ]
        address = _address(known)
        with distributed.Client(address) as client:
            client.wait_for_workers(3, timeout=60)
        yield address, workers
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()


def killing(worker: subprocess.Popen[bytes]) -> Any:
    """Who is told of the work, and kills a worker after two pieces."""

    def told(_step: str, done: int, _total: int) -> None:
        if done == 2:
            os.kill(worker.pid, signal.SIGKILL)

    return told


@pytest.mark.full
@pytest.mark.usefixtures("small_parcels")
def test_a_worker_that_is_killed_at_work(tmp_path, monkeypatch):
    """Some files each."""
    write_runs(tmp_path, files=12)
    # The function's module is known to the workers by its file's name.
    monkeypatch.syspath_prepend(str(TESTS / "intake"))
    from test_machines import _slow_rows as slow

    with processes(tmp_path) as (address, workers):
        whole = read_results(tmp_path, columns=COLUMNS)
        found = read_on_machines(
            tmp_path, order(slow, tmp_path), Machines(address), progress=killing(workers[0])
        )
        assert sum(rows for _, rows in found.made) == whole.row_count
        workers[0].wait(timeout=30)
        assert {process for process, _ in found.made} <= {w.pid for w in workers}
        cells = read_on_machines(tmp_path, order(cells_to_share, tmp_path), Machines(address))
        alike(merged_to_share(cells.made), cells_to_share(whole))
    assert sorted(path.name for path in tmp_path.iterdir() if path.suffix != ".csv") in (
        [],
        ["scheduler.json"],
    )


@pytest.mark.full
@pytest.mark.parametrize("kind", ["shared_parquet", "shared_text"])
def test_a_worker_that_is_killed_at_a_piece_of_one_file(tmp_path, monkeypatch, kind):
    """The table of cases of all engines, against exact arithmetic, from one file in pieces."""
    monkeypatch.syspath_prepend(str(TESTS / "cells"))
    import test_engines as engines

    with processes(tmp_path) as (address, workers):
        for at, case in enumerate(engines.CASES):
            shared = getattr(engines, kind)(engines.table(case), tmp_path, address)
            if at == 0:
                slow = dataclasses.replace(shared, seconds=0.4)
                engines.assert_exact(slow.cells(engines.FACTORS, killing(workers[0])), case)
                workers[0].wait(timeout=30)
            else:
                engines.assert_exact(shared.cells(engines.FACTORS), case)


def _address(known: Path) -> str:
    import json

    for _ in range(600):
        try:
            return str(json.loads(known.read_text())["address"])
        except (OSError, ValueError):
            time.sleep(0.1)
    raise AssertionError("the scheduler did not start")
