"""Study files and cell files as input: valid, bent, and read."""

from __future__ import annotations

import json
import random
import re
import tomllib
from contextlib import suppress
from dataclasses import replace
from functools import cache
from pathlib import Path

import hostile_text
from cases import STUDIES, Case


@cache
def studies() -> tuple[Case, ...]:
    from repeatab.study.known_jobs import JOBS
    from repeatab.study.start import template

    found = [path.read_bytes() for path in sorted(STUDIES.glob("*.toml"))]
    return tuple(
        Case(files={"study.toml": raw}) for raw in (*found, *(template(job).encode() for job in JOBS))
    )


def bent_study(case: Case, chance: random.Random) -> Case:
    raw = case.files["study.toml"]
    if chance.random() < 0.7:
        with suppress(ValueError, RecursionError):  # bent before, beyond what can be taken apart
            bent = hostile_text.bent_content(tomllib.loads(raw.decode("utf-8")), chance)
            return replace(case, files={"study.toml": hostile_text.toml_bytes(bent)})
    if chance.random() < 0.5:
        text = raw.decode("utf-8", "replace").split("\n")
        at = chance.randrange(len(text))
        key, mark, _ = text[at].partition("=")
        text[at] = f"{key}{mark} {chance.choice(hostile_text.CELLS[:120])}"
        return replace(case, files={"study.toml": "\n".join(text).encode("utf-8", "surrogatepass")})
    return replace(case, files={"study.toml": hostile_text.bent_bytes(raw, chance)})


def load(_case: Case, folder: Path) -> None:
    from repeatab.study.loading import load_study

    study = load_study(folder / "study.toml")
    assert study.title.strip()
    str(study).encode("utf-8")


@cache
def cell_files() -> tuple[Case, ...]:
    import pandas as pd

    from repeatab.cell_files import cell_file_bytes
    from repeatab.cells import reduce_to_cells

    table = pd.DataFrame(
        {
            "laboratory": ["L1", "L1", "L2", "L2"] * 2,
            "level": [1] * 4 + [2] * 4,
            "result": [0.4 + i / 100 for i in range(8)],
            "run_order": [float(i) for i in range(8)],
        }
    )
    both = reduce_to_cells(table, result="result", factors=["laboratory", "level"], covariates=["run_order"])
    one = reduce_to_cells(table, result="result", factors=["laboratory"], covariates=[])
    return tuple(Case(files={"a.csv": cell_file_bytes(cells, quantity="friction")}) for cells in (both, one))


def bent_cells(case: Case, chance: random.Random) -> Case:
    import hashlib

    first, _, rest = case.files["a.csv"].partition(b"\n")
    second, _, table = rest.partition(b"\n")
    match chance.randrange(6):
        case 0:
            return replace(case, files={"a.csv": hostile_text.bent_bytes(case.files["a.csv"], chance)})
        case 1 | 2:
            with suppress(ValueError, RecursionError):
                about = hostile_text.bent_content({"about": json.loads(second.removeprefix(b"#"))}, chance)
                second = b"# " + json.dumps(about.get("about"), default=str).encode()
        case _:
            table = hostile_text.bent_text_file(table, chance)
    if chance.random() < 0.9:
        # The right fingerprint, so that what comes after its check is reached.
        text = table.decode("utf-8", "replace").replace("\r\n", "\n")
        digest = hashlib.sha256(text.encode()).hexdigest().encode()
        second = re.sub(rb'(?<="table_sha256": ")[0-9a-f]*', digest, second)
    return replace(case, files={"a.csv": b"\n".join((first, second, table))})


def read_cells(_case: Case, folder: Path) -> None:
    import numpy as np

    from repeatab.cell_files import cell_file_bytes, read_cell_file

    table = read_cell_file(folder / "a.csv")
    assert (table.cells.count >= 1).all()
    assert np.isfinite(table.cells.mean).all()
    assert np.isfinite(table.cells.cross).all()
    # What was accepted can be written again.
    cell_file_bytes(table.cells, quantity=table.quantity, results=table.results)
