"""Planning a study: what its runs should be, before there are any.

In: a Study with a [plan].  Out: the Outcome of the plan, with what its beliefs were taken from.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from repeatab.base.errors import StudyError
from repeatab.base.files import fingerprint
from repeatab.base.progress import Progress, silent
from repeatab.outcome.outcome import REACHED, InputFile, Outcome
from repeatab.run.evidence import versions
from repeatab.run.past import no_ledger
from repeatab.study.loading import Study

if TYPE_CHECKING:
    from repeatab.jobs.plans.question import SectionBelief


def plan_study(study: Study, *, ledger: str | Path | None = None, progress: Progress = silent) -> Outcome:
    """What the runs of a study should be, before there are any: its file's [plan].

    Raises
    ------
    StudyError
        The file has no [plan], or no layout can be run under its limits.
    InputError
        The earlier result that it names cannot be read.
    """
    from repeatab.jobs.plan_runs import plan_runs

    if study.plan is None:
        raise StudyError(
            f"{study.file}: 'plan' is missing. Say under [plan] what is believed of the scatter, what a run costs and "
            "what there is; `repeatab start` writes a study file that shows how."
        )
    outcome = plan_runs(
        study.question,
        beliefs=study.plan.beliefs(study.source.folder, _past_beliefs(study, ledger)),
        options=replace(study.plan.options(), form=study.plan.form(study.source, study.sections)),
        title=f"Plan: {study.title}",
        progress=progress,
    )
    settings = (
        *study.settings, ("study file", study.file), ("study file sha256", study.sha256), *_reached(study, ledger),
    )  # fmt: skip
    made = replace(
        outcome.provenance,
        inputs=_earlier_result(study),
        settings=settings,
        versions=versions(),
        as_of=study.as_of,
    )
    return replace(outcome, provenance=made)


def _earlier_result(study: Study) -> tuple[InputFile, ...]:
    """The result.json that a plan takes its beliefs from, as it stood when it was read."""
    assert study.plan is not None
    if study.plan.from_result is None:
        return ()
    path = study.source.folder / study.plan.from_result
    name = Path(os.path.relpath(path, study.source.folder)).as_posix()
    return (InputFile(name=name, sha256=fingerprint(path), rows=1),)


def _reached(study: Study, ledger: str | Path | None) -> tuple[tuple[str, str], ...]:
    """How far the ledger reached from which a plan takes its beliefs; a plan is not recorded in it."""
    assert study.plan is not None
    where = ledger if ledger is not None else study.history.ledger
    if not study.plan.from_ledger or where is None:
        return ()
    from repeatab.ledger.entrance import enter

    return ((REACHED, str(enter(where).head()[0])),)


def _past_beliefs(study: Study, ledger: str | Path | None) -> dict[str, SectionBelief] | None:
    """What gauge studies in the ledger found, where the plan asks for it."""
    assert study.plan is not None
    if not study.plan.from_ledger:
        return None
    where = ledger if ledger is not None else study.history.ledger
    if where is None:
        raise no_ledger(study, "plan.from_ledger")
    from repeatab.jobs.plans.question import beliefs_by_section
    from repeatab.ledger.entrance import enter
    from repeatab.ledger.history import past_components

    found = past_components(enter(where), as_of=study.as_of, sections=study.sections)
    rows = [(one.section, one.source, one.sd, one.lower, one.upper) for one in found]
    return beliefs_by_section(rows, study.plan.level or 0.0)
