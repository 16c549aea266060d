"""All tables of a gauge study, in the order of the page.

In: judged sections, fits and checks.  Out: tables as data. In a ratio analysis standard deviations are in
percent of the level.
"""

from __future__ import annotations

from collections.abc import Sequence

from repeatab.jobs.gauge.check_tables import rigs_table, trend_table
from repeatab.jobs.gauge.checks import GaugeChecks
from repeatab.jobs.gauge.fit import SectionFit
from repeatab.jobs.gauge.ratio_tables import process_table, ratios_table
from repeatab.jobs.gauge.scale import Scale
from repeatab.jobs.gauge.scatter_tables import anova_table, scatter_table, sources_table
from repeatab.jobs.gauge.sections import GaugedSection
from repeatab.jobs.questions import GaugeStudy
from repeatab.outcome.tables import Table


def gauge_tables(
    sections: Sequence[GaugedSection],
    question: GaugeStudy,
    fits: dict[str, SectionFit],
    checks: GaugeChecks,
    scale: Scale,
) -> tuple[Table, ...]:
    """The tables that have something to say."""
    made = (
        ratios_table(sections, question),
        scatter_table(sections, question, scale),
        sources_table(sections, question, scale),
        process_table(sections, question, scale),
        trend_table(checks, question, scale),
        rigs_table(checks, question, scale),
        anova_table(sections, fits),
    )
    return tuple(table for table in made if table is not None)
