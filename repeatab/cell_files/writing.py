"""What a cell file looks like, and its bytes.

A cell file is text: a line with the version, a line of JSON that says what the columns are and where the numbers come
from, then a table with commas. A fingerprint of the table refuses a file that was changed after it was written. A label
that a spreadsheet would take for a formula stands behind an apostrophe, which reading takes off again.

Numbers have 17 significant digits, so they come back exactly. A mean has so many beyond its nominal value, a whole
number that the JSON names: at a level of 1e12 17 digits alone would leave four of the differences. The nominal value is
near the mean of all results and none of them.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Sequence
from decimal import Context, Decimal
from pathlib import Path
from typing import Any

import numpy as np

from repeatab.base.errors import InputError
from repeatab.base.shielded import shielded
from repeatab.cells import Cells
from repeatab.outcome.outcome import InputFile

VERSION = 2
READ_VERSIONS = (1, 2)
"""Version 1 has no nominal values: its means have 17 digits in all."""

BEGIN = "# repeatab cells, version "
# Enough for the exact decimal value of sums and differences of any doubles.
EXACT = Context(prec=1100)


def is_cell_file(path: Path) -> bool:
    """Whether the file begins as a cell file does, of whatever version."""
    try:
        with path.open("rb") as stream:
            return stream.read(200).decode("utf-8-sig", "replace").lstrip('"').startswith(BEGIN)
    except OSError:
        return False


def cell_file_bytes(cells: Cells, *, quantity: str, results: Sequence[InputFile] = ()) -> bytes:
    """The bytes of a cell file.

    Parameters
    ----------
    cells : labels must be text or whole numbers.
    quantity : key of what was measured, such as "friction".
    results : the raw files behind the cells, for their fingerprints.

    Raises
    ------
    InputError
        A label is neither text nor a whole number.
    """
    whole = [name for name, labels in zip(cells.factors, cells.levels, strict=True) if _whole(name, labels)]
    stream = io.StringIO()
    # With "\r\n" the writer quotes both characters; a bare "\r" in a label would begin a new row.
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(header_of(cells.factors, cells.variables))
    upper = np.triu_indices(len(cells.variables))
    nominal = _nominal_values(cells)
    for i in range(len(cells)):
        labels = [_in_csv(levels[code]) for levels, code in zip(cells.levels, cells.codes[i], strict=True)]
        means = map(_mean_in_digits, cells.mean[i].tolist(), cells.shift.tolist(), nominal)
        cross = (f"{number:.17g}" for number in cells.cross[i][upper])
        writer.writerow([*labels, int(cells.count[i]), *means, *cross])
    table = stream.getvalue().replace("\r\n", "\n")
    about = {
        "factors": list(cells.factors),
        "values": list(cells.variables),
        "whole_numbers": whole,
        "nominal": nominal,
        "quantity": quantity,
        "results": [{"name": r.name, "sha256": r.sha256, "rows": r.rows} for r in results],
        "table_sha256": digest(table),
    }
    return f"{BEGIN}{VERSION}\n# {json.dumps(about, ensure_ascii=False)}\n{table}".encode()


def _nominal_values(cells: Cells) -> list[float]:
    """A whole number near the mean of each value's results; 0 where that lies below 1."""
    with np.errstate(over="ignore", invalid="ignore"):
        means = np.average(cells.mean + cells.shift, axis=0, weights=cells.count)
    return [float(round(mean)) if np.isfinite(mean) and abs(mean) >= 1 else 0.0 for mean in means.tolist()]


def _mean_in_digits(mean: float, shift: float, nominal: float) -> str:
    """A mean in decimal, with 17 digits of what it differs by from the nominal value."""
    total = EXACT.add(Decimal(mean), Decimal(shift))
    beyond = f"{float(EXACT.subtract(total, Decimal(nominal))):.17g}"
    return f"{EXACT.add(Decimal(beyond), Decimal(nominal)):f}" if nominal else beyond


def _in_csv(label: object) -> object:
    return shielded(label) if isinstance(label, str) else label


def header_of(factors: Sequence[str], values: Sequence[str]) -> list[str]:
    """The columns of the table."""
    pairs = [f"cross {a} {b}" for i, a in enumerate(values) for b in values[i:]]
    return [*(shielded(name) for name in factors), "count", *(f"mean {name}" for name in values), *pairs]


def _whole(factor: str, labels: Sequence[object] | np.ndarray[Any, Any]) -> bool:
    whole = [isinstance(label, int | np.integer) and not isinstance(label, bool) for label in labels]
    if all(whole) and len(whole):
        return True
    for label in labels:
        if not isinstance(label, str):
            raise InputError(
                f"cells: the label '{label}' of '{factor}' is no text and no whole number, expected text, or whole "
                "numbers throughout. Make the column text."
            )
    return False


def digest(table: str) -> str:
    """The fingerprint of the table, whatever the line ends."""
    return hashlib.sha256(table.replace("\r\n", "\n").encode("utf-8")).hexdigest()
