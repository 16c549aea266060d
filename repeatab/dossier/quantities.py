"""All quantities that reports print.

In: nothing.  Out: Quantity values. Definitions are sentences; everything that is a figure comes from checks and rates.
"""

from __future__ import annotations

from repeatab.dossier.chart_and_plan_quantities import CHART_AND_PLAN_QUANTITIES
from repeatab.dossier.comparison_quantities import COMPARISON_QUANTITIES
from repeatab.dossier.component_quantities import COMPONENT_QUANTITIES
from repeatab.dossier.laboratory_quantities import LABORATORY_QUANTITIES
from repeatab.dossier.quantity import QuantityEntry


def quantities() -> tuple[QuantityEntry, ...]:
    """In the order of the page."""
    return (
        *COMPONENT_QUANTITIES,
        *COMPARISON_QUANTITIES,
        *LABORATORY_QUANTITIES,
        *CHART_AND_PLAN_QUANTITIES,
    )
