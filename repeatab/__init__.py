"""repeatab: measurement assurance for friction test rigs.

The public names are loaded when they are first used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from repeatab.estimation.components import fit_components as fit_components
    from repeatab.intake.reading import read_results as read_results
    from repeatab.jobs.correlation_check import compare_rigs as compare_rigs
    from repeatab.jobs.lot_comparison import compare_lots as compare_lots
    from repeatab.jobs.requal_from_python import requalify as requalify
    from repeatab.report.write import write_report as write_report
    from repeatab.run import run_study as run_study
    from repeatab.study.loading import load_study as load_study

__version__ = "0.1.0"

_WHERE = {
    "compare_lots": "repeatab.jobs.lot_comparison",
    "compare_rigs": "repeatab.jobs.correlation_check",
    "fit_components": "repeatab.estimation.components",
    "load_study": "repeatab.study.loading",
    "read_results": "repeatab.intake.reading",
    "requalify": "repeatab.jobs.requal_from_python",
    "run_study": "repeatab.run",
    "write_report": "repeatab.report.write",
}

__all__ = ["__version__", *_WHERE]


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module 'repeatab' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted(__all__)
