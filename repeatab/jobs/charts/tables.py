"""All tables of a control chart, in the order of the page.

In: what was charted, the steps between references.  Out: Table values.
"""

from __future__ import annotations

from collections.abc import Sequence

from repeatab.jobs.charts.charted import Charted
from repeatab.jobs.charts.length_tables import effects_table, lengths_table
from repeatab.jobs.charts.limit_tables import frozen_table, limits_table, neighbours_table
from repeatab.jobs.charts.links import Step
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.reference_tables import links_table, wear_table
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.screening_table import screening_table
from repeatab.jobs.charts.signal_tables import signals_table, states_table
from repeatab.outcome.tables import Table


def chart_tables(
    question: ControlChart, charted: Charted, steps: Sequence[Step], scale: Scale
) -> tuple[Table, ...]:
    """The tables that have something to say; `steps` are those over which a series runs on."""
    data, series, watched = charted.data, charted.series, charted.watched
    level = question.confidence
    made = (
        states_table(charted.states, data.visits, scale),
        signals_table(charted.signals, data, series, scale, level),
        lengths_table(charted.lengths),
        effects_table(charted.effects, question.shewhart.limit),
        limits_table(series, watched, scale),
        links_table(steps, scale, level),
        screening_table(series, watched, charted.joint, data.visits, scale),
        neighbours_table(watched),
        wear_table(charted.wear, scale, level),
        frozen_table(question, data, series, watched),
    )
    return tuple(table for table in made if table is not None)
