"""Tables of states and signals of a control chart.

In: states, signals, series.  Out: Table values.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repeatab.jobs.charts.columns import DATE, NUMBER, TEXT, change_kind, column
from repeatab.jobs.charts.data import Key, ReferenceData, Visits
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.signals import ChartSignal
from repeatab.jobs.charts.states import RigState
from repeatab.jobs.charts.words import of_what, section_name, side_word, times
from repeatab.outcome.tables import Column, Table, Value

_MOST_SIGNALS = 500
_RATIO = "SD within a visit, times that before"


def states_table(states: Sequence[RigState], visits: Mapping[str, Visits], scale: Scale) -> Table:
    """Rig and section with state, since when, and when it probably began."""
    rows: list[tuple[Value, ...]] = []
    for state in states:
        mine = visits[state.rig]
        for part in state.sections:
            began, scatter = part.began, part.scatter_began
            when = began or scatter
            first = part.open[0] if part.open else None
            rows.append(
                (
                    state.rig, section_name(part.section), part.verdict.value, part.decides,
                    mine.when(first.at) if first else None,
                    mine.when(when.visit) if when else None,
                    mine.when(when.first) if when else None,
                    mine.when(when.last) if when else None,
                    scale.change(began.now) if began and not began.changes else None,
                    scatter.ratio if scatter else None,
                    "; ".join(dict.fromkeys(signal.rule for signal in part.open)) or None,
                )
            )  # fmt: skip
    columns: tuple[Column, ...] = (
        column("rig", "rig", TEXT), column("section", "section", TEXT), column("state", "state", TEXT),
        column("decides", "decides", TEXT), column("since", "signals since", DATE),
        column("began", "probably began", DATE), column("began_from", "from", DATE),
        column("began_to", "to", DATE), column("change", "change by now", change_kind(scale), scale.change_unit),
        column("scatter", _RATIO, NUMBER), column("given_by", "given by", TEXT),
    )  # fmt: skip
    columns, shown = _where_told(columns, rows, ("scatter",))
    return Table(
        key="states",
        caption="The state of each rig and section, and since when it signals",
        columns=columns,
        rows=shown,
    )


def _where_told(
    columns: Sequence[Column], rows: Sequence[tuple[Value, ...]], keys: Sequence[str]
) -> tuple[tuple[Column, ...], tuple[tuple[Value, ...], ...]]:
    """Without those of the named columns that would be empty in every row."""
    told = [
        i for i, one in enumerate(columns) if one.key not in keys or any(row[i] is not None for row in rows)
    ]
    return tuple(columns[i] for i in told), tuple(tuple(row[i] for i in told) for row in rows)


def signals_table(
    signals: Sequence[ChartSignal],
    data: ReferenceData,
    series: Mapping[Key, Series],
    scale: Scale,
    level: float,
) -> Table | None:
    """Every signal, closed ones too, with its points and what else happened then."""
    if not signals:
        return None
    rows: list[tuple[Value, ...]] = []
    ordered = sorted(signals, key=lambda s: (not s.open, s.rig, s.at, s.section))
    for one in ordered[:_MOST_SIGNALS]:
        mine = data.visits[one.rig]
        when, scatter = one.began or one.scatter_began, one.scatter_began
        what = of_what(series.get((one.rig, one.section or data.sections[0])), data)
        rows.append(
            (
                one.rig, section_name(one.section), what, one.given_by.value, one.rule, side_word(one.side),
                mine.when(one.at), ", ".join(mine.labels[i] for i in one.points), mine.when(one.until),
                mine.when(when.visit) if when else None,
                f"{mine.when(when.first)} to {mine.when(when.last)}" if when else None,
                scale.change(one.began.now) if one.began and not one.began.changes else None,
                scatter.ratio if scatter else None,
                f"{times(scatter.lower)} to {times(scatter.upper)}" if scatter else None,
                "; ".join(str(event) for event in one.nearby) or None,
                _driven_by(one, scale), one.closed or "open",
            )
        )  # fmt: skip
    columns: tuple[Column, ...] = (
        column("rig", "rig", TEXT), column("section", "section", TEXT),
        column("what", "is", TEXT), column("chart", "chart", TEXT),
        column("rule", "rule", TEXT), column("side", "side", TEXT), column("since", "given since", DATE),
        column("points", "by the visits", TEXT), column("until", "given until", DATE),
        column("began", "probably began", DATE), column("range", f"between ({level:.0%})", TEXT),
        column("change", "change", change_kind(scale), scale.change_unit),
        column("scatter", _RATIO, NUMBER), column("scatter_range", f"limits of that ({level:.0%})", TEXT),
        column("events", "what else changed then", TEXT), column("drivers", "driven by", TEXT),
        column("closed", "closed by", TEXT),
    )  # fmt: skip
    rest = len(ordered) - len(rows)
    remarks = (f"{rest} further signals are not shown.",) if rest else ()
    columns, shown = _where_told(columns, rows, ("scatter", "scatter_range"))
    return Table(
        key="signals", caption="Signals, open ones first", columns=columns, rows=shown, remarks=remarks
    )


def _driven_by(signal: ChartSignal, scale: Scale) -> str | None:
    """The sections that drive a joint signal, each with its change by now."""
    changes = dict(signal.began.changes) if signal.began else {}
    return (
        ", ".join(
            f"{name} ({scale.change_text(changes[name])})" if name in changes else name
            for name in signal.drivers
        )
        or None
    )
