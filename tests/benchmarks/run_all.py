"""Run all: every benchmark, side by side in one run, as a table of ratios.

`python tests/benchmarks/run_all.py [WORD ...]` runs those whose name holds a word, all if none is given; `--rows N`
sets the size of the archive (10^8 unless given). R with lme4 and pbkrtest (Debian: r-cran-lme4,
r-cran-pbkrtest) is used where it is installed, and the comparison is left out where it is not.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from designs import RANDOM, TABLES, write_archive
from measure import PROJECT, Side, busy_ratio, compare, python_task, r_task, ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What is compared with what; `least` is the ratio theirs / ours that the project aims at."""

    name: str
    ours: list[str]
    theirs: list[str]
    against: str
    least: float
    turns: int = 3
    whole: bool = False
    limit: float = 900.0
    threads: int = 1
    byte_code: Path | None = None


FITS = {"small": 20.0, "three_way": 15.0, "large": 1000.0, "sparse": 20.0}


def formula(table: str, fixed: str = "1") -> str:
    parts = ["(1|" + (term if isinstance(term, str) else ":".join(term)) + ")" for term in RANDOM[table]]
    return f"mu ~ {fixed} + " + " + ".join(parts)


def fits(folder: Path) -> Iterator[Comparison]:
    """REML with the reduction to cells and the intervals, against fits alone."""
    for table, least in FITS.items():
        TABLES[table]().to_csv(folder / f"{table}.csv", index=False)
        few = 1 if table == "large" else 3
        theirs = r_task("fit", str(folder / f"{table}.csv"), formula(table))
        yield Comparison(
            name=f"REML {table}", ours=python_task("fit", table), theirs=theirs, against="lme4",
            least=least, turns=few,
        )  # fmt: skip
        yield Comparison(
            name=f"REML {table}", ours=python_task("fit", table), theirs=python_task("mixedlm", table),
            against="MixedLM", least=50, turns=1, limit=300,
        )  # fmt: skip


def contrasts(folder: Path) -> Iterator[Comparison]:
    """A Kenward-Roger contrast, fit included, against the test of a finished fit."""
    for table, least in (("lots_470", 15.0), ("lots_4700", 100.0)):
        TABLES[table]().to_csv(folder / f"{table}.csv", index=False)
        theirs = r_task("contrast", str(folder / f"{table}.csv"), formula(table, "lot"))
        yield Comparison(
            name=f"contrast {table}", ours=python_task("contrast", table), theirs=theirs,
            against="pbkrtest", least=least, turns=1 if table == "lots_4700" else 3,
        )  # fmt: skip


def groups() -> Iterator[Comparison]:
    """10,000 studies in one pass; the loop is timed over 100 of them and counted a hundredfold."""
    for source, least in (("table", 2000.0), ("cells", 4000.0)):
        yield Comparison(
            name=f"characteristics from {source}", ours=python_task("characteristics", source, "10000"),
            theirs=python_task("loop_of_anova", "100"), against="pingouin loop", least=least,
        )  # fmt: skip


def archive(folder: Path, rows: int) -> Iterator[Comparison]:
    """Cells of a Parquet archive against the engine's own grouped variance; two threads."""
    path = folder / "archive.parquet"
    write_archive(path, rows)
    yield Comparison(
        name=f"archive, cells of {rows:.0e} rows", ours=python_task("archive_cells", str(path)),
        theirs=python_task("archive_query", str(path)), against="DuckDB", least=1 / 1.3, turns=3, threads=2,
    )  # fmt: skip


def draws() -> Iterator[Comparison]:
    """100,000 draws of a generalised interval against their chi-squares alone."""
    yield Comparison(
        name="interval draws", ours=python_task("pivotal", "100000"),
        theirs=python_task("chi_squares", "100000"), against="draws alone", least=1 / 1.5,
    )  # fmt: skip


def processes(folder: Path) -> Iterator[Comparison]:
    """Whole processes: help, import, a study run, against the least that such a process can cost."""
    code = [sys.executable, "-c"]
    our_help = "import sys; sys.argv = ['repeatab', '--help']; from repeatab.cli import main; main()"
    least_help = "import typer, sys; sys.argv = ['x', '--help']; typer.run(lambda: None)"
    study = PROJECT / "studies" / "monthly_correlation.toml"
    run = f"import sys; sys.argv = ['repeatab', 'run', {str(study)!r}, '--to', {str(folder / 'out')!r}]; "
    run += "from repeatab.cli import main; main()"
    libraries = "import pandas, scipy.stats, statsmodels, pingouin, seaborn"
    for name, ours, theirs, against in (
        ("--help", our_help, least_help, "typer alone"),
        ("import", "import repeatab", "import numpy", "import numpy"),
        ("run", run, libraries, "imports alone"),
    ):
        yield Comparison(
            name=name, ours=[*code, ours], theirs=[*code, theirs], against=against, least=1 / 1.5,
            turns=7, whole=True, byte_code=folder / "byte_code",
        )  # fmt: skip


def comparisons(folder: Path, rows: int, words: list[str]) -> Iterator[Comparison]:
    yield from fits(folder)
    yield from contrasts(folder)
    yield from groups()
    yield from draws()
    yield from processes(folder)
    if not words or any(word in "archive, cells of rows DuckDB" for word in words):
        yield from archive(folder, rows)


def per_unit(side: Side) -> float:
    """What the times of a side are multiplied with to be times of one unit (a group where there are many)."""
    return side.values.get("per_group", 1.0)


def line(case: Comparison, ours: Side, theirs: Side) -> str:
    if ours.failed or theirs.failed:
        return f"| {case.name} | {case.against} | {case.least:.3g} | {ours.failed or theirs.failed} |"
    units = per_unit(theirs) / per_unit(ours)
    found, busy = ratio(ours, theirs) * units, busy_ratio(ours, theirs) * units
    extra = ""
    if "loglik" in ours.values and "loglik" in theirs.values:
        gain = (ours.values["loglik"] - theirs.values["loglik"]) / abs(theirs.values["loglik"])
        extra = f"log-likelihood {gain:+.1e} of its size, gradient {ours.values.get('gradient', float('nan')):.1e}"
    if "df" in ours.values and "df" in theirs.values:
        extra = f"df {ours.values['df']:.6g} and {theirs.values['df']:.6g}"
    return (
        f"| {case.name} | {case.against} | {case.least:.3g} | {found:.3g} | {busy:.3g} | {in_words(ours)} "
        f"| {in_words(theirs)} | {extra} |"
    )


def in_words(side: Side) -> str:
    low, high = side.spread
    return f"{side.median:.4g} s ({low:.3g} to {high:.3g}), {side.peak:.0f} MiB"


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("words", nargs="*")
    asked.add_argument("--rows", type=int, default=100_000_000)
    options = asked.parse_args()
    print(
        "| what | against | at least | measured | by processor time | ours | theirs | |\n"
        "|---|---|---|---|---|---|---|---|"
    )
    seen: dict[str, None] = {}
    with tempfile.TemporaryDirectory() as made:
        for case in comparisons(Path(made), options.rows, options.words):
            title = f"{case.name} {case.against}"
            if options.words and not any(word in title for word in options.words):
                continue
            if case.theirs[0] == "Rscript" and shutil.which("Rscript") is None:
                print(f"| {case.name} | {case.against} | {case.least:.3g} | R is not installed |")
                continue
            ours, theirs = compare(
                case.ours,
                case.theirs,
                turns=case.turns,
                whole=case.whole,
                limit=case.limit,
                threads=case.threads,
                byte_code=case.byte_code,
            )
            print(line(case, ours, theirs), flush=True)
            seen |= dict.fromkeys(v for v in (ours.versions, theirs.versions) if v)
    print("\n" + "\n".join(f"- {version}" for version in seen))


if __name__ == "__main__":
    main()
