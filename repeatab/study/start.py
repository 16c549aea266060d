"""Commented study files to begin with.

In: a job's name.  Out: the text of a study file, or the file itself.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from repeatab.base.errors import StudyError
from repeatab.study.known_jobs import JOBS


def template(job: str) -> str:
    """The commented study file of a job: its own settings, the plan, then those of the result files.

    Raises
    ------
    StudyError
        No such job.
    """
    if job not in JOBS:
        raise StudyError.unknown_choice("job", job, allowed=JOBS)
    folder = resources.files("repeatab.study").joinpath("templates")
    return "".join(
        folder.joinpath(f"{part}.toml").read_text(encoding="utf-8") for part in (job, "plan", "results")
    )


def write_template(job: str, path: Path) -> None:
    """Write the commented study file of a job; a file that is there already stays as it is.

    Raises
    ------
    StudyError
        No such job, the file exists, or its folder cannot be written.
    """
    text = template(job)
    try:
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        raise StudyError(
            f"{path}: exists already and is not overwritten. Choose another name with --to."
        ) from None
    except OSError as error:
        raise StudyError(
            f"{path}: cannot be written ({error.strerror or error}). Choose another place with --to."
        ) from None
