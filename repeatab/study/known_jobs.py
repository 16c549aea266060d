"""The jobs that a study file can name, each with its schema; a new job adds one line here.

In: the word behind `job`.  Out: the schema, loaded when it is needed.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from repeatab.base.errors import StudyError

if TYPE_CHECKING:
    from repeatab.study.study_file import StudyFile

_SCHEMAS = {
    "correlation_check": "CorrelationCheckFile",
    "gauge_study": "GaugeStudyFile",
    "requalification": "RequalificationFile",
    "lot_comparison": "LotComparisonFile",
    "round_robin": "RoundRobinFile",
    "control_chart": "ControlChartFile",
}
"""Job -> its schema; the module and the template are named after the job."""

JOBS = tuple(_SCHEMAS)


def schema_of(job: object, *, file: str) -> type[StudyFile]:
    """The schema of this job's study files.

    Raises
    ------
    StudyError
        No such job.
    """
    if job is None:
        raise StudyError(
            f"{file}: 'job' is missing. Say which question the study asks: job = one of "
            f"{', '.join(JOBS)}. Make a study file with: repeatab start JOB"
        )
    if not isinstance(job, str) or job not in _SCHEMAS:
        raise StudyError.unknown_choice(f"{file}: job", str(job), allowed=JOBS)
    schema: type[StudyFile] = getattr(import_module(f"repeatab.study.{job}"), _SCHEMAS[job])
    return schema
