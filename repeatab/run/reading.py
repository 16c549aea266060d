"""Reading a study without asking its question: what its files hold and what the checks found.

In: a Study.  Out: text.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from repeatab.base.progress import Progress, silent
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.run.control import read_control_study
from repeatab.run.results import run_results, study_results
from repeatab.study.loading import Study

if TYPE_CHECKING:
    pass


def read_study(study: Study, *, progress: Progress = silent) -> str:
    """What the files of a study hold and what the checks found, in words; the question is not asked.

    Raises
    ------
    RepeatabError
        See `run_study`.
    """
    if isinstance(study.question, RoundRobin):
        from repeatab.study.round_sources import round_sources

        sources = round_sources(study, lambda raw: run_results(raw, study_results(raw, progress=progress)))
        read = [] if sources.results is None else [str(sources.results)]
        return "\n".join([*read, *(f"{table.name}: {table.cells}" for table in sources.shared)])
    if isinstance(study.question, ControlChart):
        return read_control_study(study, study.question, progress)
    results = study_results(study, progress=progress)
    runs = run_results(study, results)
    return str(replace(results, findings=runs.findings, detected=runs.detected))
