"""The stops of each run as one number, by one statistic.

In: rows of stops, and what tells one run from another.  Out: a row per run and section, and what runs lack for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError, listed, nearest
from repeatab.intake.engine import Lazy, names_of
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

RESULT, STOP = Role.RESULT.value, Role.STOP.value
RUN, CONDITION, TIME = Role.RUN.value, Role.CONDITION.value, Role.TIME.value
RUN_ORDER, POSITION = Role.RUN_ORDER.value, Role.POSITION_IN_LOT.value
PLACE = "place in the run"
_WITHIN_RUN = tuple(role.value for role in WITHIN_RUN_ROLES)
_DESCRIBING = tuple(role.value for role in DESCRIBING_ROLES)
_LEVELS = "conditions found"


def run_keys(results: Results) -> tuple[str, ...]:
    """The factors that tell one run (and section) from another."""
    not_keys = {*_WITHIN_RUN, POSITION}
    if RUN in results.factors:
        not_keys.add(RUN_ORDER)
    return tuple(name for name in results.factors if name not in not_keys)


def holds_stops(results: Results) -> bool:
    """Whether several rows can belong to one run; else each row is a run."""
    return any(name in results.factors for name in (RUN, STOP, CONDITION))


def runs_by(
    rows: Lazy, keys: Sequence[str], statistic: Statistic, results: Results, *, part: bool
) -> tuple[nw.DataFrame[Any], list[DataFinding]]:
    """One row per run and section, and what the runs lack.

    part : whether these are some of the rows only, so that a condition may be absent from all of them.

    Raises
    ------
    InputError
        The statistic needs stops or conditions that the table does not tell.
    """
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
    names = [name for name in names_of(rows) if name not in (*_DESCRIBING, PLACE)]
    return rows.select(*names).collect().with_columns(nw.lit(1).alias(STOPS))


def _numbers_beside(results: Results, names: Sequence[str]) -> list[str]:
    stated = Role.STATED_UNCERTAINTY.value
    return [*results.covariates, *([stated] if stated in names else [])]


def _finished(runs: nw.DataFrame[Any]) -> nw.DataFrame[Any]:
    """The columns in a fixed order, helpers gone."""
    names = [
        name for name in runs.columns if name not in (_LEVELS, PLACE, RESULT, STOPS, SOURCE_FILE, SOURCE_ROW)
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
    elif PLACE in names_of(rows):
        order = nw.col(PLACE)
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
