"""Whether the times agree with the order of stops and runs.

In: usable rows.  Out: findings on times that go back.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import narwhals.stable.v2 as nw

from repeatab.intake.checks.places import findings_at
from repeatab.intake.engine import Lazy, is_large, names_of
from repeatab.intake.roles import BOOKKEEPING, SOURCE_FILE, SOURCE_ROW, WITHIN_RUN_ROLES, Role
from repeatab.outcome.outcome import DataFinding

if TYPE_CHECKING:
    import pandas as pd

TIME, STOP, RUN, RIG = Role.TIME.value, Role.STOP.value, Role.RUN.value, Role.RIG.value
RUN_ORDER = Role.RUN_ORDER.value
_WITHIN_RUN = frozenset(role.value for role in WITHIN_RUN_ROLES)
# Formats tried for text, all of which can be read in one way only.
FORMATS = ("ISO8601", "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d.%m.%Y")


def check_times(frame: Lazy, factors: Sequence[str], *, part: bool = False) -> list[DataFinding]:
    """Times that go back within a run (by stop, else by row) or from run to run of a rig (by run order).

    part : whether these are some of the rows, so that the runs of a rig are compared elsewhere (`run_times`).
    """
    names = names_of(frame)
    by_stop = STOP in names or (RUN in names and SOURCE_ROW in names)
    if TIME not in names or not (by_stop or RUN_ORDER in names):
        return []
    if is_large(frame):
        text = (
            "The table is so large that it is read piece by piece; the order of the times within runs and rigs was "
            "not checked. Check it in the tables of single runs."
        )
        return [DataFinding(check="times not read", text=text)]
    table = _with_times(frame, factors)
    if table is None:
        return [_not_read()]
    findings: list[DataFinding] = []
    if by_stop:
        run = [name for name in factors if name not in {*_WITHIN_RUN, RUN_ORDER}]
        order = [_stop_order(table)] if STOP in names else []
        late = _going_back(table, [*run, *([SOURCE_FILE] if SOURCE_FILE in names else [])], order)
        what = "the time is before that of the stop before it; check the order of the stops and the clock."
        findings += _at(late, check="times out of order", what=what)
    if RUN_ORDER in names and not part:
        findings += check_run_times(_first_times(table))
    return findings


def run_times(frame: Lazy, factors: Sequence[str]) -> pd.DataFrame | None:
    """The first time of each run order of each rig; None where there are none, or too many rows to see."""
    names = names_of(frame)
    if TIME not in names or RUN_ORDER not in names or is_large(frame):
        return None
    table = _with_times(frame, factors)
    return None if table is None else _first_times(table)


def check_times_of_parts(parts: Sequence[pd.DataFrame]) -> list[DataFinding]:
    """The same from `run_times` of the parts of a table."""
    import pandas as pd

    # A part without any time has not been read one way or the other.
    timed = [part for part in parts if len(part)]
    if len({pd.api.types.is_numeric_dtype(part[TIME]) for part in timed}) > 1:
        return [_not_read()]
    return check_run_times(_first_times(pd.concat(timed, ignore_index=True))) if timed else []


def _not_read() -> DataFinding:
    text = (
        "The times cannot all be read in one way, so their order was not checked; expected ISO 8601 "
        "(2024-03-31 14:05:00), day.month.year or a number."
    )
    return DataFinding(check="times not read", text=text)


def check_run_times(first: pd.DataFrame) -> list[DataFinding]:
    """Times that go back from run to run of a rig, in a table with one time of each."""
    rig = [RIG] if RIG in first.columns else []
    late = _going_back(first, rig, [first[RUN_ORDER]])
    what = "the time is before that of a run with a lower run order on the same rig; check order and clock."
    return _at(late, check="times out of order", what=what)


def _with_times(frame: Lazy, factors: Sequence[str]) -> pd.DataFrame | None:
    kept = [name for name in names_of(frame) if name in (*factors, *BOOKKEEPING)]
    table: pd.DataFrame = frame.select(*kept).collect().to_pandas().reset_index(drop=True)
    times = read_times(table[TIME])
    if times is None:
        return None
    table[TIME] = times
    return table[table[TIME].notna()]


def _first_times(table: pd.DataFrame) -> pd.DataFrame:
    kept = [name for name in (RIG, RUN_ORDER, TIME, *BOOKKEEPING) if name in table.columns]
    rig = [RIG] if RIG in table.columns else []
    return table[kept].sort_values(TIME, kind="stable").drop_duplicates([*rig, RUN_ORDER])


def read_times(times: pd.Series[Any]) -> pd.Series[Any] | None:
    """Times as numbers or timestamps; None where some cell cannot be read with certainty."""
    import pandas as pd

    if pd.api.types.is_numeric_dtype(times) or pd.api.types.is_datetime64_any_dtype(times):
        return times
    text = times.astype("string").str.strip()
    text = text.where(text != "")
    numbers = pd.to_numeric(text.str.replace(",", "."), errors="coerce")
    if _all_read(text, numbers):
        return numbers.astype("float64")
    for pattern in FORMATS:
        try:
            stamps = pd.to_datetime(text, format=pattern, errors="coerce", utc=True)
        except (ValueError, TypeError, OverflowError):
            continue
        if _all_read(text, stamps):
            return stamps
    return None


def _all_read(text: pd.Series[Any], read: pd.Series[Any]) -> bool:
    return bool((read.notna() | text.isna()).all())


def _stop_order(table: pd.DataFrame) -> pd.Series[Any]:
    """Stops by number where all are numbers, else in the order of the rows."""
    import pandas as pd

    numbers = pd.to_numeric(table[STOP], errors="coerce")
    return numbers if numbers.notna().all() else pd.Series(range(len(table)), index=table.index)


def _going_back(table: pd.DataFrame, within: list[str], order: list[pd.Series[Any]]) -> pd.DataFrame:
    """The rows whose time is earlier than that of the row before, within each group."""
    if order:
        table = table.loc[order[0].sort_values(kind="stable").index]
    steps = table.groupby(within, sort=False)[TIME].diff() if within else table[TIME].diff()
    zero = steps.dropna().iloc[:1] * 0
    return table[steps < zero.iloc[0]] if len(zero) else table.iloc[:0]


def _at(late: pd.DataFrame, *, check: str, what: str) -> list[DataFinding]:
    return findings_at(nw.from_native(late, eager_only=True).lazy(), check=check, what=what)
