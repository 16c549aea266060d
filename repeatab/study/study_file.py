"""What the study files of all jobs have in common; each job's schema adds its own keys.

In: parsed TOML.  Out: a validated StudyFile, which knows its job's question and how to read its results.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Self

from pydantic import Field, model_validator

from repeatab.base.errors import StudyError, listed, nearest
from repeatab.intake.columns import RESULT, SECTION
from repeatab.intake.events import EventSource
from repeatab.intake.options import ReadOptions, Shape
from repeatab.intake.roles import Role
from repeatab.intake.run_files import NamePattern
from repeatab.intake.statistics import Statistic
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.lots.question import LotComparison
from repeatab.jobs.questions import Analysis, CorrelationCheck, GaugeStudy
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.rounds.question import RoundRobin
from repeatab.study.parts import AliasesPart, EnginePart, ExcludePart, HistoryPart, Part, ResultsPart
from repeatab.study.plan_part import PlanPart
from repeatab.study.values import DateText, StatisticText

Question = CorrelationCheck | GaugeStudy | LotComparison | Requalification | RoundRobin | ControlChart
"""The question of any job; a later job adds its own."""

DEFAULT_CONFIDENCE = 0.95
DEFAULT_SEED = 20260101
_ROLES = tuple(role.value for role in Role)


@dataclass(frozen=True, slots=True, kw_only=True)
class FromLedger:
    """What a study takes from the ledger beside the past that is shown: its results, and limits set before."""

    results: bool = False
    limits: bool = False


NOTHING_FROM_LEDGER = FromLedger()


class SectionPart(Part):
    """[sections.NAME]: what every job wants to know of a section."""

    statistic: StatisticText | None = None
    decides: bool = True


class StudyFile(Part):
    """The keys of every study file. A subclass names its job, its sections and its needed roles."""

    needs: ClassVar[Mapping[Role, str]] = {}
    """The roles without which the question cannot be answered, and what each is for."""

    job: str
    title: str = Field(description="Give the study a title; it heads the report.")
    as_of: DateText | None = None
    confidence: float = Field(default=DEFAULT_CONFIDENCE)
    analysis: Analysis = Analysis.DIFFERENCE
    covariates: tuple[str, ...] = ()
    seed: int = Field(default=DEFAULT_SEED, ge=0)
    results: ResultsPart = Field(description="Say which result files to read and how they are written.")
    columns: dict[str, str] = Field(
        {}, description="Say which column holds what: role = 'column', such as result = 'mu'."
    )
    aliases: AliasesPart = AliasesPart()
    exclude: tuple[ExcludePart, ...] = ()
    history: HistoryPart = HistoryPart()
    engine: EnginePart = EnginePart()
    plan: PlanPart | None = None

    @property
    @abstractmethod
    def parts_by_section(self) -> Mapping[str, SectionPart]:
        """The sections by name."""

    @abstractmethod
    def question(self) -> Question:
        """The job's question."""

    def further(self) -> dict[str, tuple[tuple[str, ...], dict[str, str], ReadOptions]]:
        """Results beside those of the study, by name: files, columns and how to read them; none in most jobs."""
        return {}

    @property
    def event_source(self) -> EventSource | None:
        """Where events are read from, where the job takes some and the study names a file."""
        return None

    @property
    def from_ledger(self) -> FromLedger:
        """What the job takes from the ledger, where the study says so."""
        return NOTHING_FROM_LEDGER

    @property
    def base_days(self) -> tuple[str | None, str | None]:
        """First and last day of a base period that is taken from the ledger, where the job takes one."""
        return None, None

    @property
    def statistics(self) -> dict[str, Statistic]:
        """The statistic of each section that states one."""
        stated = {name: part.statistic for name, part in self.parts_by_section.items()}
        return {name: statistic for name, statistic in stated.items() if statistic is not None}

    @property
    def names(self) -> tuple[str, ...]:
        """The roles and own names that the results will have."""
        pattern = self.results.name_pattern
        fields = NamePattern(pattern).fields if pattern else ()
        wide = (RESULT, SECTION) if self.results.shape is Shape.WIDE else ()
        return (*self.columns, *self.results.header_values, *fields, *wide)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if not self.title.strip():
            raise StudyError("title: is empty. Give the study a title; it heads the report.")
        self._refuse_misspelt_roles()
        for role, use in self.needs.items():
            if role.value not in self.names:
                raise StudyError(
                    f"columns.{role.value}: is missing. Say which column holds {use}: "
                    f"{role.value} = 'column' under [columns]."
                )
        self._refuse_no_deciding_section()
        if len(self.parts_by_section) > 1 and SECTION not in self.names:
            raise StudyError(
                "columns.section: is missing. Several sections are named, so say which column holds the "
                "section: section = 'column' under [columns]."
            )
        return self

    def _refuse_misspelt_roles(self) -> None:
        """An own name may be anything, but one that is almost a role is a slip that changes the layout."""
        own = {*self.covariates, *self.results.factors}
        for name in self.columns:
            meant = nearest(name, _ROLES, cutoff=0.8)
            if name not in _ROLES and name not in own and meant:
                raise StudyError(
                    f"columns.{name}: is not a role.{meant} Roles are {listed(_ROLES, most=30)}. If it is a "
                    "factor or covariate of your own, name it under results.factors or covariates too."
                )

    def _refuse_no_deciding_section(self) -> None:
        parts = self.parts_by_section
        if not parts:
            raise StudyError(
                'sections: is empty. Name each section that counts, such as [sections."fade 1"], with its '
                "settings."
            )
        if not any(part.decides for part in parts.values()):
            raise StudyError("sections: every section only informs; at least one has to decide.")
