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
from repeatab.intake.roles import (
    DESCRIBING_ROLES,
    SOURCE_FILE,
    SOURCE_ROW,
    STOPS,
    WITHIN_RUN_ROLES,
    Role,
)
from repeatab.intake.run_gaps import (
    conditions_missing,
    ends_early,
    order_changes,
    stops_missing,
    too_few_stops,
)
from repeatab.intake.statistics import LastStops, Mean, MeanOverConditions, Minimum, Statistic
from repeatab.outcome.outcome import DataFinding

RESULT, SECTION, STOP = Role.RESULT.value, Role.SECTION.value, Role.STOP.value
RUN, CONDITION, TIME = Role.RUN.value, Role.CONDITION.value, Role.TIME.value
RUN_ORDER, POSITION = Role.RUN_ORDER.value, Role.POSITION_IN_LOT.value
_WITHIN_RUN = tuple(role.value for role in WITHIN_RUN_ROLES)
_DESCRIBING = tuple(role.value for role in DESCRIBING_ROLES)
_PLACE = "place in the run"
_LEVELS = "conditions found"


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
        runs, found = _condensed(rows, keys, statistic, results, part=part)
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


def run_keys(results: Results) -> tuple[str, ...]:
    """The factors that tell one run (and section) from another."""
    not_keys = {*_WITHIN_RUN, POSITION}
    if RUN in results.factors:
        not_keys.add(RUN_ORDER)
    return tuple(name for name in results.factors if name not in not_keys)


def holds_stops(results: Results) -> bool:
    """Whether several rows can belong to one run; else each row is a run."""
    return any(name in results.factors for name in (RUN, STOP, CONDITION))


def _ordered(results: Results) -> Lazy:
    """The table with its rows numbered, if its engine keeps an order."""
    native = nw.from_native(results.frame)
    frame: Lazy = native.lazy()
    if frame.implementation.is_pyarrow():
        # Arrow tables know no windows.
        frame = frame.collect(backend="pandas").lazy()
    if isinstance(native, nw.LazyFrame):
        return frame
    return frame.collect().with_row_index(_PLACE).lazy()


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


def _condensed(
    rows: Lazy, keys: Sequence[str], statistic: Statistic, results: Results, *, part: bool
) -> tuple[nw.DataFrame[Any], list[DataFinding]]:
    match statistic:
        case Mean() | Minimum():
            value = nw.col(RESULT).mean() if isinstance(statistic, Mean) else nw.col(RESULT).min()
            runs = _aggregate(rows, keys, value, results)
            short = [] if part else stops_missing(runs, keys)
            return _finished(runs), [*short, *order_changes(rows, keys)]
        case LastStops(count=count):
            runs, findings = _last_stops(rows, keys, count, results)
            findings += too_few_stops(runs.filter(nw.col(STOPS) < count), keys, count)
            return _finished(runs.filter(nw.col(STOPS) == count)), [*findings, *order_changes(rows, keys)]
        case MeanOverConditions(conditions=conditions):
            runs, incomplete = _over_conditions(rows, keys, conditions, results, part=part)
            findings = conditions_missing(incomplete, keys, conditions)
            return _finished(runs), [*findings, *order_changes(rows, keys)]


def _aggregate(rows: Lazy, keys: Sequence[str], value: nw.Expr, results: Results) -> nw.DataFrame[Any]:
    """One row per key: the value, the number of stops, and what the run carries along."""
    if not (holds_stops(results) and keys):
        return _each_row(rows)
    names = names_of(rows)
    carried = [nw.col(name).mean() for name in _numbers_beside(results, names)]
    firsts = [
        name
        for name in (RUN_ORDER, POSITION, TIME, SOURCE_FILE, SOURCE_ROW)
        if name in names and name not in keys
    ]
    first = [nw.col(name).min() for name in firsts]
    count = nw.len().alias(STOPS)
    return rows.group_by(*keys).agg(value.alias(RESULT), count, *carried, *first).collect()


def _each_row(rows: Lazy) -> nw.DataFrame[Any]:
    names = [name for name in names_of(rows) if name not in (*_DESCRIBING, _PLACE)]
    return rows.select(*names).collect().with_columns(nw.lit(1).alias(STOPS))


def _numbers_beside(results: Results, names: Sequence[str]) -> list[str]:
    stated = Role.STATED_UNCERTAINTY.value
    return [*results.covariates, *([stated] if stated in names else [])]


def _finished(runs: nw.DataFrame[Any]) -> nw.DataFrame[Any]:
    """The columns in a fixed order, helpers gone."""
    names = [
        name for name in runs.columns if name not in (_LEVELS, _PLACE, RESULT, STOPS, SOURCE_FILE, SOURCE_ROW)
    ]
    tail = [name for name in (RESULT, STOPS, SOURCE_FILE, SOURCE_ROW) if name in runs.columns]
    return runs.select(*names, *tail).with_columns(nw.col(STOPS).cast(nw.Int64))


def _last_stops(
    rows: Lazy, keys: Sequence[str], count: int, results: Results
) -> tuple[nw.DataFrame[Any], list[DataFinding]]:
    if not holds_stops(results):
        raise InputError(
            f"The statistic '{LastStops(count)}' needs several stops per run, but neither a run nor a stop "
            "column is named, so each row counts as a run. Add them under [columns]."
        )
    order = _stop_numbers(rows, results)
    findings: list[DataFinding] = []
    if order is not None:
        ends = rows.with_columns(order.alias(STOP)).group_by(*keys).agg(nw.col(STOP).max()).collect()
        findings = ends_early(ends, keys)
    elif _PLACE in names_of(rows):
        order = nw.col(_PLACE)
    else:
        raise InputError(
            "The last stops of a run cannot be told: the stops have no numbers, and the table keeps no row "
            "order. Name a column of stop numbers under [columns]."
        )
    rank = order.rank("ordinal", descending=True).over(*keys)
    return _aggregate(rows.filter(rank <= count), keys, nw.col(RESULT).mean(), results), findings


def _stop_numbers(rows: Lazy, results: Results) -> nw.Expr | None:
    """The stops as numbers, if every label is one."""
    if STOP not in results.factors:
        return None
    if rows.collect_schema()[STOP].is_numeric():
        return nw.col(STOP).cast(nw.Float64)
    text = nw.col(STOP).cast(nw.String)
    labels = rows.select(text).unique().collect()[STOP].to_list()
    return text.str.strip_chars().cast(nw.Float64) if all(_is_number(label) for label in labels) else None


def _is_number(label: object) -> bool:
    try:
        float(str(label))
    except ValueError:
        return False
    return True


def _over_conditions(
    rows: Lazy, keys: Sequence[str], conditions: Sequence[str], results: Results, *, part: bool
) -> tuple[nw.DataFrame[Any], nw.DataFrame[Any]]:
    """The complete runs, and the incomplete ones with the conditions each of them has."""
    if CONDITION not in results.factors:
        raise InputError(
            "A mean over conditions is declared, but no column is named for the condition. Add condition = "
            "'<column>' under [columns]."
        )
    text = nw.col(CONDITION).cast(nw.String)
    present = sorted(str(c) for c in rows.select(text).unique().collect()[CONDITION].drop_nulls().to_list())
    for condition in conditions:
        if condition not in present and not part:
            raise InputError(
                f"The condition '{condition}' is needed for a mean over conditions, but no row has it. The "
                f"data have {listed(present)}.{nearest(condition, present)} Correct it under [sections]."
            )
    used = rows.with_columns(text.alias(CONDITION)).filter(nw.col(CONDITION).is_in(list(conditions)))
    each = used.group_by(*keys, CONDITION).agg(nw.col(RESULT).mean())
    means = each.group_by(*keys).agg(nw.col(RESULT).mean(), nw.len().alias(_LEVELS)).collect()
    rest = _aggregate(used, keys, nw.col(RESULT).mean(), results)
    runs = rest.drop(RESULT).join(means, on=list(keys), how="inner")
    incomplete = _incomplete(rows, each, keys, len(conditions))
    return runs.filter(nw.col(_LEVELS) == len(conditions)), incomplete


def _incomplete(rows: Lazy, each: Lazy, keys: Sequence[str], wanted: int) -> nw.DataFrame[Any]:
    """(key, condition) rows of the runs that lack a condition; a run with none has a null condition."""
    every = rows.select(*keys).unique()
    found = every.join(each.select(*keys, CONDITION), on=list(keys), how="left").collect()
    counts = (
        found.group_by(*keys).agg(nw.col(CONDITION).count().alias(_LEVELS)).filter(nw.col(_LEVELS) < wanted)
    )
    return found.join(counts.select(*keys), on=list(keys), how="inner").sort(*keys, CONDITION)


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
