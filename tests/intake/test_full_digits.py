"""Results read from text with all their digits, against NIST's certified analyses of variance.

Source: NIST/ITL StRD, Analysis of Variance (www.itl.nist.gov/div898/strd); Simon & Lesage (1989), Comput. Stat. Data
Anal. 8, 325-332. The files are carried in SciPy's test data. NIST certifies 15 digits of F; doubles that hold the
printed values keep four of them on the hardest sets.
"""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction
from importlib import resources
from math import log10
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import repeatab as rb
from repeatab.base.quantity import FRICTION
from repeatab.cells import merged, reduce_to_cells
from repeatab.intake import dividing, spread
from repeatab.intake.aliases import Aliases
from repeatab.intake.full_digits import FINE, digits_lost, less_nominal, nominal_near
from repeatab.intake.machines import Machines
from repeatab.intake.options import ReadOptions

# Digits of F by the way of the text (seen: 15.07 and more); doubles hold 4 on the last three, 10 on the rest.
DIGITS = dict.fromkeys(("SmLs04", "SmLs05", "SmLs06", "SmLs07", "SmLs08", "SmLs09"), 14.5)


def lines_of(name: str) -> list[str]:
    file = resources.files("scipy.stats") / "tests" / "data" / "nist_anova" / f"{name}.dat"
    if not file.is_file():
        pytest.skip(f"this SciPy was installed without its test data (no {file})")
    return file.read_text(encoding="ascii").splitlines()


def write_set(name: str, path: Path, *, decimal: str = ".") -> Fraction:
    """The set as a text table; returns the certified F."""
    lines = lines_of(name)
    first, last = map(int, re.search(r"Data +\(lines (\d+) to (\d+)\)", "\n".join(lines[:10])).groups())
    rows = [line.split() for line in lines[first - 1 : last]]
    body = "".join(f"T{group};{value.replace('.', decimal)}\n" for group, value in rows)
    path.write_text("treatment;response\n" + body, encoding="utf-8")
    (certified,) = [line.split()[-1] for line in lines if line.startswith("Between ")]
    return Fraction(certified)


def digits(found: float, certified: Fraction) -> float:
    error = abs(Fraction(found) / certified - 1)
    return -log10(error) if error else 16.0


def f_of(data: object, **options: object) -> float:
    fit = rb.fit_components(data, random=["treatment"], **options)
    return float(fit.anova.set_index("source").loc["treatment", "f"])


COLUMNS = {"result": "response", "treatment": "treatment"}
OWN = ReadOptions(factors=("treatment",))


@pytest.mark.parametrize("name", DIGITS)
def test_f_has_the_certified_digits(name, tmp_path):
    certified = write_set(name, tmp_path / "a.csv")
    results = rb.read_results(tmp_path / "a.csv", columns=COLUMNS, options=OWN)
    assert digits(f_of(results), certified) >= DIGITS[name]


def test_a_decimal_comma_and_a_wide_archive_of_files(tmp_path):
    """The same digits by a decimal comma, and by cells of parts that have nominal values of their own."""
    certified = write_set("SmLs07", tmp_path / "a.csv", decimal=",")
    whole = rb.read_results(tmp_path / "a.csv", columns=COLUMNS, options=OWN)
    assert digits(f_of(whole), certified) >= 14
    rows = (tmp_path / "a.csv").read_text().splitlines()
    parts = []
    for at in range(3):
        (tmp_path / f"part{at}.csv").write_text("\n".join([rows[0], *rows[1 + at :: 3]]) + "\n")
        part = rb.read_results(tmp_path / f"part{at}.csv", columns=COLUMNS, options=OWN)
        parts.append(reduce_to_cells(part, result="result", factors=["treatment"]))
    assert digits(f_of(merged(parts)), certified) >= 14


def test_a_file_in_pieces_on_several_machines(tmp_path, monkeypatch):
    """One nominal value for all pieces, and cells that are merged at its level without loss. Seen: 15.8 digits."""
    for module in (dividing, spread):
        monkeypatch.setattr(
            module, "on_machines", lambda _, work, items, **__: [work(item) for item in items]
        )
    monkeypatch.setattr(dividing, "MOST_BYTES", 1500)
    certified = write_set("SmLs08", tmp_path / "a.csv")

    def cells(results):
        return reduce_to_cells(results, result="result", factors=["treatment"])

    order = spread.Order(
        columns=COLUMNS, options=OWN, aliases=Aliases(), exclude=(), quantity=FRICTION, base=None, make=cells
    )
    shared = spread.read_on_machines(tmp_path / "a.csv", order, Machines("tcp://here:1"))
    assert len(shared.made) > 3
    assert digits(f_of(merged(shared.made)), certified) >= 14
    (finding,) = [f for f in shared.results.findings if f.check == "digits of the result"]
    assert "which keeps all" in finding.text


def test_the_finding_says_what_would_be_lost_and_what_was_done(tmp_path):
    write_set("SmLs07", tmp_path / "a.csv")
    results = rb.read_results(tmp_path / "a.csv", columns=COLUMNS, options=OWN)
    (finding,) = [f for f in results.findings if f.check == "digits of the result"]
    for part in ("near 1e+12", "differ by about 0.2", "keep 3 digits", "less 1000000000000, which keeps all"):
        assert part in finding.text
    assert results.nominal == 1e12
    rest = results.to_frame()[FINE]
    assert rest.iloc[0] == 0.4
    table = pd.read_csv(tmp_path / "a.csv", sep=";")
    held = rb.read_results(table, columns=COLUMNS, options=OWN)
    (finding,) = [f for f in held.findings if f.check == "digits of the result"]
    assert "the table holds no more. Results given as text (CSV) are read in full." in finding.text
    assert held.nominal is None


@pytest.mark.parametrize(
    "mu", [[0.4123, 0.4201, 0.3998], [912.4, 911.0, 915.3], [0.41234567890123456, 0.4], [5.0, 5.0]]
)
def test_ordinary_results_go_the_ordinary_way(tmp_path, mu):
    rows = "".join(f"R{at},{value!r}\n" for at, value in enumerate(mu))
    (tmp_path / "a.csv").write_text(f"rig,mu\n{rows}")
    results = rb.read_results(tmp_path / "a.csv", columns={"rig": "rig", "result": "mu"})
    assert results.nominal is None
    assert FINE not in results.to_frame().columns
    assert not [f for f in results.findings if f.check == "digits of the result"]


def test_the_rest_is_the_decimal_difference_rounded_once():
    texts = ["1000000000000.4", "999999999999.95", "1e12", "-0.1", "nan", None]
    found = less_nominal(texts, 1e12).to_pylist()
    wanted = [
        float(Fraction(Decimal(text)) - 10**12) if text not in ("nan", None) else None for text in texts
    ]
    assert found == wanted
    assert found[0] == 0.4
    small = nominal_near(0.123456789)
    (rest,) = less_nominal(["0.1234567890000001"], small).to_pylist()
    assert rest == float(Fraction("0.1234567890000001") - Fraction(small))


def test_digits_kept_follow_from_rounding_and_steps():
    """Half a unit in the last place of 1e6 is 5.8e-11 (2^-34): eleven digits are left of steps of 10, not of 5."""
    assert 1e6 > 2.0**19
    assert digits_lost(np.array([1e6, 1e6 + 10, 1e6])) is None
    lost = digits_lost(np.array([1e6, 1e6 + 5, 1e6]))
    assert lost is not None
    assert lost.kept == 10
    assert digits_lost(np.array([0.0, 0.0])) is None
