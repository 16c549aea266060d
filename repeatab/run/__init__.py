"""Running a study: results are read, the question is put, the outcome is held against what reading found.

In: a Study, and a ledger if there is one.  Out: an Outcome.
Not here: writing the report (report/), drawing progress (cli.py).
"""

from repeatab.run.answer import answer_study, run_study, study_ledger
from repeatab.run.evidence import versions
from repeatab.run.plan import plan_study
from repeatab.run.reading import read_study
from repeatab.run.results import run_results, study_results

__all__ = [
    "answer_study",
    "plan_study",
    "read_study",
    "run_results",
    "run_study",
    "study_ledger",
    "study_results",
    "versions",
]
