"""Reading a study without asking its question: what its files hold and what the checks found.

In: a Study.  Out: text.
"""

from __future__ import annotations

from dataclasses import replace

import narwhals.stable.v2 as nw

from repeatab.base.progress import Progress, silent
from repeatab.intake.roles import STOPS
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.run.control import read_control_study
from repeatab.run.results import run_results, study_results
from repeatab.study.loading import Study


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
    told = str(replace(results, findings=runs.findings, detected=runs.detected))
    stops = int(results.lazy().select(nw.col(STOPS).sum()).collect().item()) if results.has(STOPS) else 0
    if stops > results.row_count:
        told += f"\n- these run results rest on {stops} stops, condensed by the machines that read them"
    return told
