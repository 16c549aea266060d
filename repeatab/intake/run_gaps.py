"""What runs lack for the statistic of their section: stops, conditions, one run order.

In: runs with their number of stops, or the rows of runs.  Out: findings that name the runs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import narwhals.stable.v2 as nw

from repeatab.base.errors import listed
from repeatab.intake.checks.places import MOST_ROWS
from repeatab.intake.engine import Lazy, names_of
from repeatab.intake.roles import SOURCE_FILE, SOURCE_ROW, STOPS, Role
from repeatab.outcome.outcome import DataFinding

SECTION, STOP, CONDITION = Role.SECTION.value, Role.STOP.value, Role.CONDITION.value
RUN_ORDER = Role.RUN_ORDER.value
_MOST_NAMED = 3

Runs = nw.DataFrame[Any]


def stops_missing(runs: Runs, keys: Sequence[str]) -> list[DataFinding]:
    """Runs with fewer stops in a section than most runs have there."""
    findings = []
    by = [SECTION] if SECTION in keys else []
    for section, part in _parts(runs, by):
        usual = _commonest(part[STOPS].to_list())
        short = part.filter(nw.col(STOPS) < usual).sort(*keys) if keys else part.head(0)
        if len(short):
            found = _numbers(short[STOPS].to_list())
            text = (
                f"{_where(section)}{_named(short, keys)}: {found} instead of the usual {usual:g} stops; the "
                "result rests on fewer stops than that of the other runs."
            )
            findings.append(_finding("stops missing", text, short))
    return findings


def too_few_stops(short: Runs, keys: Sequence[str], wanted: int) -> list[DataFinding]:
    """Runs that have fewer stops than the last-stops statistic needs."""
    if len(short) == 0:
        return []
    short = short.sort(*keys)
    text = (
        f"{_named(short, keys)}: {_numbers(short[STOPS].to_list())} stops where the last {wanted} are asked "
        "for; no result."
    )
    return [_finding("too few stops", text, short)]


def ends_early(ends: Runs, keys: Sequence[str]) -> list[DataFinding]:
    """Runs whose last stop has a lower number than in most runs; `ends` has it in the column "stop"."""
    findings = []
    for section, part in _parts(ends, [SECTION] if SECTION in keys else []):
        usual = _commonest(part[STOP].to_list())
        early = part.filter(nw.col(STOP) < usual).sort(*keys)
        if len(early):
            text = (
                f"{_where(section)}{_named(early, keys)}: the last stop there is number "
                f"{_numbers(early[STOP].to_list())}, in most runs {usual:g}; the last stops are others than "
                "those of the other runs."
            )
            findings.append(DataFinding(check="last stops missing", text=text))
    return findings


def conditions_missing(found: Runs, keys: Sequence[str], wanted: Sequence[str]) -> list[DataFinding]:
    """Runs without every condition; `found` has a row per run and condition present (null for none)."""
    present: dict[tuple[Any, ...], set[str]] = {}
    for row in found.select(*keys, CONDITION).rows():
        present.setdefault(row[:-1], set()).add(str(row[-1]))
    lacking: dict[tuple[str, ...], list[tuple[Any, ...]]] = {}
    for key, conditions in present.items():
        missing = tuple(condition for condition in wanted if condition not in conditions)
        lacking.setdefault(missing, []).append(key)
    return [
        DataFinding(
            check="condition missing",
            text=f"{_of_keys(runs, keys)}: the condition {listed(missing)} is missing, and the mean over "
            "conditions needs every one; no result.",
        )
        for missing, runs in lacking.items()
    ]


def order_changes(rows: Lazy, keys: Sequence[str]) -> list[DataFinding]:
    """Runs whose rows have different run orders, where a run column tells the runs apart."""
    if RUN_ORDER not in names_of(rows) or RUN_ORDER in keys or not keys:
        return []
    counted = rows.group_by(*keys).agg(nw.col(RUN_ORDER).n_unique().alias(RUN_ORDER))
    several = counted.filter(nw.col(RUN_ORDER) > 1).collect()
    if len(several) == 0:
        return []
    text = f"{_named(several.sort(*keys), keys)}: several run orders within one run; the first is taken."
    return [DataFinding(check="run order changes", text=text)]


def _parts(runs: Runs, by: Sequence[str]) -> list[tuple[str, Runs]]:
    if not by:
        return [("", runs)]
    sections = sorted(runs[SECTION].unique().to_list(), key=str)
    return [(str(section), runs.filter(nw.col(SECTION) == section)) for section in sections]


def _commonest(counts: Sequence[float]) -> float:
    """The number most runs have; of two equally common ones the larger."""
    found = Counter(counts)
    return max(found, key=lambda count: (found[count], count))


def _numbers(counts: Sequence[float]) -> str:
    return " or ".join(f"{count:g}" for count in sorted(set(counts)))


def _where(section: str) -> str:
    return f"Section '{section}', " if section else ""


def _named(runs: Runs, keys: Sequence[str]) -> str:
    return _of_keys(runs.select(*keys).rows(), keys)


def _of_keys(runs: Sequence[tuple[Any, ...]], keys: Sequence[str]) -> str:
    shown = [", ".join(f"{key} '{level}'" for key, level in zip(keys, run, strict=True)) for run in runs]
    named = "; ".join(shown[:_MOST_NAMED])
    rest = f"; and {len(shown) - _MOST_NAMED} more" if len(shown) > _MOST_NAMED else ""
    return f"{'run' if len(shown) == 1 else f'{len(shown)} runs'} ({named}{rest})"


def _finding(check: str, text: str, runs: Runs) -> DataFinding:
    if SOURCE_FILE not in runs.columns:
        return DataFinding(check=check, text=text)
    files = runs[SOURCE_FILE].unique().to_list()
    numbered = SOURCE_ROW in runs.columns
    rows = tuple(sorted(int(row) for row in runs[SOURCE_ROW].to_list())[:MOST_ROWS]) if numbered else ()
    return DataFinding(
        check=check,
        text=text,
        file=str(files[0]) if len(files) == 1 else "",
        rows=rows if len(files) == 1 else (),
    )
