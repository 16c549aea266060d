"""Run results: the stops of one run and section become one number, by the statistic of the section.

In: Results with a row per stop.  Out: Results with a row per run and section; the ones put in are unchanged.
Stops of one run are not replicates, so every job infers from run results.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError, listed, nearest
from repeatab.intake.engine import Lazy, names_of, nowhere
from repeatab.intake.full_digits import FINE
from repeatab.intake.results import Results
from repeatab.intake.roles import Role
from repeatab.intake.run_statistics import PLACE, runs_by
from repeatab.intake.run_statistics import holds_stops as holds_stops
from repeatab.intake.run_statistics import run_keys as run_keys
from repeatab.intake.statistics import Mean, Statistic
from repeatab.outcome.outcome import DataFinding

SECTION, TIME = Role.SECTION.value, Role.TIME.value
RUN_ORDER, POSITION = Role.RUN_ORDER.value, Role.POSITION_IN_LOT.value


def condense(
    results: Results, statistics: Mapping[str, Statistic] | Statistic, *, part: bool = False
) -> Results:
    """One result per run and section.

    A run is identified by every factor except stop, condition and time (and except the run order, where a run
    column tells the runs apart). Where the table has no run, stop or condition, each row is a run already.

    Parameters
    ----------
    statistics : one for all sections, or section -> statistic; a section without one is left out with a
        finding.
    part : whether these are some of the results only, so that a section or a condition may be absent, and what has to
        be seen over all runs is left to whoever joins them.

    Returns
    -------
    Results with a column `stops` (how many stops each number rests on), the means of the covariates over the
    same stops, and the first time, row number and run order of the run. A run that lacks what its statistic
    needs (stops, or a condition) gives no result and a finding. Rows are in the order of the keys.

    Raises
    ------
    InputError
        A statistic names a section that is not there, needs stops or conditions that the table does not tell,
        or no run gives a result for a section.
    """
    frame = _ordered(results)
    keys = run_keys(results)
    if holds_stops(results) and not keys:
        raise InputError(
            "The stops belong to runs, but no column says to which. Name at least the run, the pad set or "
            "the rig under [columns]."
        )
    if part:
        frame, statistics = _of_part(frame, statistics)
    by_section = _by_section(frame, statistics)
    parts: list[nw.DataFrame[Any]] = []
    findings: list[DataFinding] = []
    for statistic, sections in by_section.items():
        rows = frame if sections is None else _of_sections(frame, sections)
        runs, found = runs_by(rows, keys, statistic, results, part=part)
        if not part:
            _refuse_empty(runs, sections, statistic, found)
        parts.append(runs)
        findings += found
    if not part:
        findings += _left_out(frame, by_section)
    runs = nw.concat(parts, how="vertical")
    runs = nw.maybe_reset_index(runs.sort(*keys) if keys else runs)
    carried = [name for name in (RUN_ORDER, POSITION, TIME) if name in results.factors and name not in keys]
    told = [] if part else [_told(statistic, sections) for statistic, sections in by_section.items()]
    kept = FINE in runs.columns
    if results.nominal is not None and not kept:
        text = "The run results are formed from the results in double precision and hold no more digits than these."
        findings.append(DataFinding(check="digits of the result", text=text))
    return replace(
        results,
        nominal=results.nominal if kept else None,
        frame=runs.to_native(),
        factors=(*keys, *carried),
        findings=(*results.findings, *findings),
        detected=(*results.detected, *told),
    )


def _ordered(results: Results) -> Lazy:
    """The table with its rows numbered, if its engine keeps an order."""
    native = nw.from_native(results.frame)
    frame: Lazy = native.lazy()
    if frame.implementation.is_pyarrow():
        # Arrow tables know no windows.
        frame = frame.collect(backend="pandas").lazy()
    if isinstance(native, nw.LazyFrame):
        return frame
    return frame.collect().with_row_index(PLACE).lazy()


def _by_section(
    frame: Lazy, statistics: Mapping[str, Statistic] | Statistic
) -> dict[Statistic, tuple[str, ...] | None]:
    """Statistic -> the sections it applies to (None: all there are)."""
    if not isinstance(statistics, Mapping):
        return {statistics: None}
    if SECTION not in names_of(frame):
        raise InputError(
            "Statistics are declared per section, but no column is named for the section. Add section = "
            "'<column>' under [columns], or declare one statistic for all."
        )
    present = [str(level) for level in frame.select(SECTION).unique().collect()[SECTION].to_list()]
    grouped: dict[Statistic, tuple[str, ...] | None] = {}
    for section, statistic in statistics.items():
        if section not in present:
            raise InputError(
                f"[sections] declares '{section}', which no usable row has. The data have "
                f"{listed(sorted(present))}.{nearest(section, present)} Correct it, or give the name found "
                "under [aliases]."
            )
        grouped[statistic] = (*(grouped.get(statistic) or ()), section)
    if not grouped:
        raise InputError("No section is declared, expected at least one under [sections].")
    return grouped


def _of_sections(frame: Lazy, sections: Sequence[str]) -> Lazy:
    return frame.filter(nw.col(SECTION).cast(nw.String).is_in(list(sections)))


def _of_part(
    frame: Lazy, statistics: Mapping[str, Statistic] | Statistic
) -> tuple[Lazy, Mapping[str, Statistic] | Statistic]:
    """The statistics of the sections that are there; where there is none of them, no row either."""
    if not isinstance(statistics, Mapping) or SECTION not in names_of(frame):
        return frame, statistics
    present = {str(level) for level in frame.select(SECTION).unique().collect()[SECTION].to_list()}
    there = {section: way for section, way in statistics.items() if section in present}
    return (frame, there) if there else (frame.filter(nowhere(SECTION)), Mean())


def _left_out(frame: Lazy, by_section: Mapping[Statistic, tuple[str, ...] | None]) -> list[DataFinding]:
    if None in by_section.values():
        return []
    declared = {section for sections in by_section.values() for section in sections or ()}
    present = {str(level) for level in frame.select(SECTION).unique().collect()[SECTION].to_list()}
    return left_out(present, declared)


def left_out(present: set[str], declared: set[str]) -> list[DataFinding]:
    """The finding on sections that are in the data and not declared, if there are any."""
    rest = sorted(present - declared)
    if not rest:
        return []
    verb = "is in the data but" if len(rest) == 1 else "are in the data but"
    text = f"Section {listed(rest)} {verb} not declared under [sections]; left out of the study."
    return [DataFinding(check="section not declared", text=text)]


def _refuse_empty(
    runs: nw.DataFrame[Any],
    sections: Sequence[str] | None,
    statistic: Statistic,
    findings: Sequence[DataFinding],
) -> None:
    have = {str(section) for section in runs[SECTION].to_list()} if sections is not None else set()
    empty = [section for section in sections or () if section not in have]
    if empty or len(runs) == 0:
        where = f"section {listed(empty)}" if empty else "any section"
        why = f" {findings[0].text}" if findings else ""
        raise InputError(
            f"No run gives a result for {where} by the statistic '{statistic}'.{why} Complete the data, or "
            "declare another statistic under [sections]."
        )


def ways_in_words(statistics: Mapping[str, Statistic]) -> list[str]:
    """How the sections' run results are formed."""
    grouped: dict[Statistic, tuple[str, ...]] = {}
    for section, statistic in statistics.items():
        grouped[statistic] = (*grouped.get(statistic, ()), section)
    return [_told(statistic, sections) for statistic, sections in grouped.items()]


def _told(statistic: Statistic, sections: Sequence[str] | None) -> str:
    where = "every section" if sections is None else f"section {', '.join(sections)}"
    return f"run result of {where}: {statistic}"
