"""From a study file to a Study: the job's question and the way to its results.

In: the path of a TOML file.  Out: Study, in which nothing of TOML is left.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

from pydantic import ValidationError

from repeatab.base.errors import RepeatabError, StudyError
from repeatab.base.quantity import Quantity
from repeatab.intake.aliases import Aliases
from repeatab.intake.columns import plan_columns
from repeatab.intake.events import EventSource
from repeatab.intake.exclusions import Exclusion
from repeatab.intake.machines import Machines
from repeatab.intake.options import ReadOptions
from repeatab.intake.statistics import Statistic
from repeatab.study.faults import study_error
from repeatab.study.known_jobs import schema_of
from repeatab.study.plan_part import PlanPart
from repeatab.study.settings import Settings, settings_of
from repeatab.study.study_file import NOTHING_FROM_LEDGER, FromLedger, Question, StudyFile
from repeatab.study.toml_text import StudyText, read_study_text


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultSource:
    """Where the results of a study are and how they are read.

    files : as the study file names them; relative ones start from `folder`, the study file's own.
    """

    files: tuple[str, ...]
    folder: Path
    columns: Mapping[str, str]
    options: ReadOptions
    aliases: Aliases
    exclusions: tuple[Exclusion, ...]
    quantity: Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Where the past is kept: a ledger's file (already found from the study file's folder) or address, if any.

    base_since, base_until : first and last day of the base period that is taken from it.  takes : what else is.
    """

    ledger: str | None = None
    base_since: str | None = None
    base_until: str | None = None
    takes: FromLedger = NOTHING_FROM_LEDGER


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study as its file states it.

    file : the study file's name without folders. sections : every section that counts, in the file's order.
    statistics : by section, how the stops of a run become one number, where stated. settings : every setting
    as text, stated or default. sha256 : of the study file. machines : that share the reading, if any.
    """

    file: str
    job: str
    title: str
    question: Question
    sections: tuple[str, ...]
    source: ResultSource
    statistics: Mapping[str, Statistic]
    settings: Settings = ()
    sha256: str = ""
    as_of: str | None = None
    history: History = History()
    further: Mapping[str, ResultSource] = field(default_factory=dict)
    events: EventSource | None = None
    plan: PlanPart | None = None
    machines: Machines | None = None

    @property
    def name(self) -> str:
        """The file's name without its ending."""
        return Path(self.file).stem

    def __str__(self) -> str:
        lines = [f"{self.title} ({self.job.replace('_', ' ')})"]
        lines += [f"  {key}: {text}" for key, text in self.settings]
        return "\n".join(lines)


def load_study(path: str | Path) -> Study:
    """Load a study file.

    Raises
    ------
    StudyError
        The file cannot be read, is not valid TOML, names an unknown job or key, misses a number that only the
        laboratory can choose, or holds a value of the wrong type. The message names file and key, or file,
        line and column.
    """
    where = Path(path)
    text = read_study_text(where)
    try:
        return _study(text, _checked(text), folder=where.parent)
    except StudyError:
        raise
    except RepeatabError as error:
        raise StudyError(f"{text.file}: {error}") from None


def _checked(text: StudyText) -> StudyFile:
    schema = schema_of(text.content.get("job"), file=text.file)
    # By way of JSON, because there the strict schema takes lists for tuples and words for enums; the dates of
    # TOML become their ISO text.
    content = json.dumps(text.content, default=str)
    try:
        return schema.model_validate_json(content)
    except ValidationError as error:
        raise study_error(error, schema, file=text.file) from None


def _study(text: StudyText, file: StudyFile, *, folder: Path) -> Study:
    source = ResultSource(
        files=file.results.files,
        folder=folder,
        columns=MappingProxyType(dict(file.columns)),
        options=file.results.options(file.covariates),
        aliases=file.aliases.aliases(),
        exclusions=tuple(part.exclusion() for part in file.exclude),
        quantity=file.results.quantity,
    )
    # What the mapping itself gets wrong is said before any result file is opened.
    if source.files:
        plan_columns(source.columns, source.options, source.exclusions)
    return Study(
        file=text.file,
        job=file.job,
        title=file.title,
        question=file.question(),
        source=source,
        statistics=MappingProxyType(file.statistics),
        settings=settings_of(file, folder=folder),
        sha256=text.sha256,
        as_of=file.as_of,
        sections=tuple(file.parts_by_section),
        history=_history(file, folder),
        further=_further(file, source),
        events=file.event_source,
        plan=file.plan,
        machines=None if file.engine.scheduler is None else Machines(file.engine.scheduler),
    )


def _further(file: StudyFile, source: ResultSource) -> Mapping[str, ResultSource]:
    """Results beside those of the study, by the table of the study file that names them."""
    return MappingProxyType(
        {
            name: replace(
                source, files=files, columns=MappingProxyType(columns), options=options, exclusions=()
            )
            for name, (files, columns, options) in file.further().items()
        }
    )


def _history(file: StudyFile, folder: Path) -> History:
    ledger = file.history.ledger
    if ledger is not None and "://" not in ledger:
        ledger = str(folder / ledger)
    since, until = file.base_days
    return History(ledger=ledger, base_since=since, base_until=until, takes=file.from_ledger)
