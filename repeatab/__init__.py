"""repeatab: measurement assurance for friction test rigs.

The public names are loaded when they are first used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from repeatab.base.margin import Margin as Margin
    from repeatab.base.margin import MarginUnit as MarginUnit
    from repeatab.cell_files import read_cell_file as read_cell_file
    from repeatab.cell_files import summary_cells as summary_cells
    from repeatab.control.charts import Cusum as Cusum
    from repeatab.control.charts import Ewma as Ewma
    from repeatab.control.charts import Shewhart as Shewhart
    from repeatab.control.factors import chart_factors as chart_factors
    from repeatab.control.rules import RunRule as RunRule
    from repeatab.control.run_length import average_run_length as average_run_length
    from repeatab.estimation.components import fit_components as fit_components
    from repeatab.estimation.robust import algorithm_a as algorithm_a
    from repeatab.intake.condense import condense as condense
    from repeatab.intake.events import Event as Event
    from repeatab.intake.exclusions import Exclusion as Exclusion
    from repeatab.intake.options import ReadOptions as ReadOptions
    from repeatab.intake.reading import read_results as read_results
    from repeatab.intake.statistics import LastStops as LastStops
    from repeatab.intake.statistics import Mean as Mean
    from repeatab.intake.statistics import MeanOverConditions as MeanOverConditions
    from repeatab.intake.statistics import Minimum as Minimum
    from repeatab.interlab.consensus import consensus as consensus
    from repeatab.jobs.charts.from_python import control_chart as control_chart
    from repeatab.jobs.charts.question import BasePeriod as BasePeriod
    from repeatab.jobs.charts.question import JointWatch as JointWatch
    from repeatab.jobs.charts.question import StatedLimits as StatedLimits
    from repeatab.jobs.correlation_check import compare_rigs as compare_rigs
    from repeatab.jobs.lot_comparison import compare_lots as compare_lots
    from repeatab.jobs.plan_runs import plan_runs as plan_runs
    from repeatab.jobs.questions import Analysis as Analysis
    from repeatab.jobs.questions import Tolerance as Tolerance
    from repeatab.jobs.requalifying.from_python import requalify as requalify
    from repeatab.jobs.round_robin import round_robin as round_robin
    from repeatab.report.figures.draw import draw as draw
    from repeatab.report.write import write_report as write_report
    from repeatab.run import run_study as run_study
    from repeatab.study.loading import load_study as load_study

__version__ = "0.1.0"

_WHERE = {
    "Analysis": "repeatab.jobs.questions",
    "BasePeriod": "repeatab.jobs.charts.question",
    "Cusum": "repeatab.control.charts",
    "Event": "repeatab.intake.events",
    "Ewma": "repeatab.control.charts",
    "Exclusion": "repeatab.intake.exclusions",
    "JointWatch": "repeatab.jobs.charts.question",
    "LastStops": "repeatab.intake.statistics",
    "Margin": "repeatab.base.margin",
    "MarginUnit": "repeatab.base.margin",
    "Mean": "repeatab.intake.statistics",
    "MeanOverConditions": "repeatab.intake.statistics",
    "Minimum": "repeatab.intake.statistics",
    "ReadOptions": "repeatab.intake.options",
    "RunRule": "repeatab.control.rules",
    "Shewhart": "repeatab.control.charts",
    "StatedLimits": "repeatab.jobs.charts.question",
    "Tolerance": "repeatab.jobs.questions",
    "algorithm_a": "repeatab.estimation.robust",
    "average_run_length": "repeatab.control.run_length",
    "chart_factors": "repeatab.control.factors",
    "compare_lots": "repeatab.jobs.lot_comparison",
    "compare_rigs": "repeatab.jobs.correlation_check",
    "condense": "repeatab.intake.condense",
    "consensus": "repeatab.interlab.consensus",
    "control_chart": "repeatab.jobs.charts.from_python",
    "draw": "repeatab.report.figures.draw",
    "fit_components": "repeatab.estimation.components",
    "load_study": "repeatab.study.loading",
    "plan_runs": "repeatab.jobs.plan_runs",
    "read_cell_file": "repeatab.cell_files",
    "read_results": "repeatab.intake.reading",
    "requalify": "repeatab.jobs.requalifying.from_python",
    "round_robin": "repeatab.jobs.round_robin",
    "run_study": "repeatab.run",
    "summary_cells": "repeatab.cell_files",
    "write_report": "repeatab.report.write",
}

__all__ = ["__version__", *_WHERE]


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module 'repeatab' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted(__all__)
