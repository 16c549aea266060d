"""The command line: words and the files they name; valid, bent, and run in this process."""

from __future__ import annotations

import io
import json
import os
import random
import re
import sys
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import hostile_text
from cases import DEMO, STUDIES, Case, head_of
from ledger_inputs import ledgers
from written_inputs import bent_study


def _result() -> bytes:
    """A result.json as small as one can be; its study and results lie beside it."""
    from repeatab.outcome.outcome import Outcome, Provenance
    from repeatab.outcome.serialise import to_json_bytes
    from repeatab.outcome.tables import Column, ColumnKind, Table
    from repeatab.outcome.verdict import Judgement, Verdict

    undecided = Judgement(subject="cold", verdict=Verdict.UNDECIDED, reason="too few sets")
    column = Column(key="offset", caption="offset", kind=ColumnKind.RESULT)
    table = Table(key="offsets", caption="Offsets", columns=(column,), rows=((0.01,), (None,)))
    made = Provenance(settings=(("study file", "s.toml"),), seed=1)
    outcome = Outcome(
        job="correlation_check",
        title="Check",
        headline=undecided,
        judgements=(undecided,),
        evidence=("six sets",),
        tables=(table,),
        provenance=made,
    )
    return to_json_bytes(outcome)


@cache
def commands() -> tuple[Case, ...]:
    results = {"a.csv": head_of("crossover_correlation.csv"), "r.csv": head_of("reference_history.csv", 12)}
    study = re.sub(
        r"\.\./demo_data/\w+\.csv",
        "a.csv",
        (STUDIES / "crossover_correlation.toml").read_text(encoding="utf-8"),
    )
    files = {
        **results,
        "s.toml": study.encode(),
        "e.csv": (DEMO / "reference_events.csv").read_bytes(),
        **ledgers()[0].files,
        "result.json": _result(),
    }
    lines = (
        "check a.csv",
        "check s.toml",
        "check a.csv --column result=mu --column rig=rig --separator comma --decimal point",
        "check e.csv --column result=date",
        "start gauge_study --to g.toml",
        "start round_robin --to -",
        "start control-chart",
        "cells a.csv --to c.csv --laboratory L1",
        "cells s.toml --to c.csv --laboratory L1 --by rig",
        "history list lab.sqlite --all",
        "history show lab.sqlite 1",
        "history export lab.sqlite x.csv --what reference",
        "history export lab.sqlite x.json",
        "history verify lab.sqlite",
        "history event lab.sqlite --kind repair --day 2026-01-01 --text pump --rig R1 --by A",
        "history import lab.sqlite r.csv --by A",
        "history import lab.sqlite e.csv --events --by A",
        "history correction lab.sqlite --rig R2 --reference-rig R1 --section cold --value 0.01 --uncertainty 0.002 "
        "--valid-from 2026-01-01 --expires 2026-12-31 --by A",
        "history withdraw lab.sqlite 1 --reason slip --by A",
        "history adopt lab.sqlite 1 --by A",
        "run s.toml --to out --ledger lab.sqlite",
        "plan s.toml --to out",
        "verify result.json",
        "--version",
        "--help",
    )
    return tuple(Case(files=files, words={"line": line.split()}) for line in lines)


def bent_command(case: Case, chance: random.Random) -> Case:
    words, files = list(case.words["line"]), dict(case.files)
    if "run" in words and chance.random() < 0.8:
        words = ["check", "s.toml"]  # a study takes a second, most others a hundredth of it
    if chance.random() < 0.7:
        words = hostile_text.bent_words(words, chance)
    if chance.random() < 0.6:
        name = chance.choice([name for name in files if any(name in word for word in words)] or list(files))
        if name.endswith(".toml"):
            files[name] = bent_study(Case(files={"study.toml": files[name]}), chance).files["study.toml"]
        elif name.endswith(".csv"):
            files[name] = hostile_text.bent_text_file(files[name], chance)
        elif name.endswith(".json"):
            files[name] = _bent_json(files[name], chance)
        else:
            files[name] = hostile_text.bent_bytes(files[name], chance)
    return replace(case, files=files, words={"line": words})


def _bent_json(raw: bytes, chance: random.Random) -> bytes:
    with suppress(ValueError, RecursionError, AttributeError):
        if chance.random() < 0.8:
            return json.dumps(hostile_text.bent_content(json.loads(raw), chance), default=str).encode()
    return hostile_text.bent_bytes(raw, chance)


def run_command(case: Case, folder: Path) -> None:
    """Run the command in the folder; a refusal is raised as what it says, so that it is judged like any other."""
    from repeatab.base.errors import RepeatabError
    from repeatab.cli import main

    out, err = io.StringIO(), io.StringIO()
    status = 0
    with (
        _standing_in(folder),
        _arguments(["repeatab", *case.words["line"]]),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as error:
            status = error.code if isinstance(error.code, int) else 1
    # 3: `verify` found another value than the stored one.
    if "Traceback" in err.getvalue() or status not in (0, 2, 3):
        raise AssertionError(f"status {status}: {err.getvalue()[-300:]}")
    if status != 0:
        raise RepeatabError(err.getvalue())


@contextmanager
def _standing_in(folder: Path) -> Any:
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


@contextmanager
def _arguments(words: list[str]) -> Any:
    before, sys.argv = sys.argv, words
    try:
        yield
    finally:
        sys.argv = before
