"""Every check that the dossier carries out."""

from __future__ import annotations

from repeatab.dossier.chart_checks import chart_checks
from repeatab.dossier.checks import Check
from repeatab.dossier.comparison_checks import comparison_checks
from repeatab.dossier.component_checks import component_checks
from repeatab.dossier.laboratory_checks import laboratory_checks


def all_checks() -> tuple[Check, ...]:
    """In the order of the page."""
    return (*component_checks(), *comparison_checks(), *laboratory_checks(), *chart_checks())
