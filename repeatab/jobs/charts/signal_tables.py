"""Tables of states and signals of a control chart.

In: states, signals, series.  Out: Table values.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repeatab.jobs.charts.columns import DATE, TEXT, change_kind, column
from repeatab.jobs.charts.data import Key, ReferenceData, Visits
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.states import RigState
from repeatab.jobs.charts.watch import ChartSignal
from repeatab.jobs.charts.words import of_what, section_name, side_word
from repeatab.outcome.tables import Table, Value

_MOST_SIGNALS = 500


def states_table(states: Sequence[RigState], visits: Mapping[str, Visits], scale: Scale) -> Table:
    """Rig and section with state, since when, and when it probably began."""
    rows: list[tuple[Value, ...]] = []
    for state in states:
        mine = visits[state.rig]
        for part in state.sections:
            began = part.began
            first = part.open[0] if part.open else None
            rows.append(
                (
                    state.rig, section_name(part.section), part.verdict.value, part.decides,
                    mine.when(first.at) if first else None,
                    mine.when(began.visit) if began else None,
                    mine.when(began.first) if began else None,
                    mine.when(began.last) if began else None,
                    scale.change(began.now) if began and not began.changes else None,
                    "; ".join(dict.fromkeys(signal.rule for signal in part.open)) or None,
                )
            )  # fmt: skip
    columns = (
        column("rig", "rig", TEXT), column("section", "section", TEXT), column("state", "state", TEXT),
        column("decides", "decides", TEXT), column("since", "signals since", DATE),
        column("began", "probably began", DATE), column("began_from", "from", DATE),
        column("began_to", "to", DATE), column("change", "change by now", change_kind(scale), scale.change_unit),
        column("given_by", "given by", TEXT),
    )  # fmt: skip
    return Table(
        key="states",
        caption="The state of each rig and section, and since when it signals",
        columns=columns,
        rows=tuple(rows),
    )


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
        what = of_what(series.get((one.rig, one.section or data.sections[0])), data)
        rows.append(
            (
                one.rig, section_name(one.section), what, one.given_by.value, one.rule, side_word(one.side),
                mine.when(one.at), ", ".join(mine.labels[i] for i in one.points), mine.when(one.until),
                mine.when(one.began.visit) if one.began else None,
                f"{mine.when(one.began.first)} to {mine.when(one.began.last)}" if one.began else None,
                scale.change(one.began.now) if one.began and not one.began.changes else None,
                "; ".join(str(event) for event in one.nearby) or None,
                _driven_by(one, scale), one.closed or "open",
            )
        )  # fmt: skip
    columns = (
        column("rig", "rig", TEXT), column("section", "section", TEXT),
        column("what", "is", TEXT), column("chart", "chart", TEXT),
        column("rule", "rule", TEXT), column("side", "side", TEXT), column("since", "given since", DATE),
        column("points", "by the visits", TEXT), column("until", "given until", DATE),
        column("began", "probably began", DATE), column("range", f"between ({level:.0%})", TEXT),
        column("change", "change", change_kind(scale), scale.change_unit),
        column("events", "what else changed then", TEXT), column("drivers", "driven by", TEXT),
        column("closed", "closed by", TEXT),
    )  # fmt: skip
    rest = len(ordered) - len(rows)
    remarks = (f"{rest} further signals are not shown.",) if rest else ()
    return Table(
        key="signals", caption="Signals, open ones first", columns=columns, rows=tuple(rows), remarks=remarks
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
