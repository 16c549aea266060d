"""The study file of a correlation check between rigs.

In: parsed TOML.  Out: the question CorrelationCheck.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, PlainValidator, model_validator

from repeatab.base.errors import StudyError
from repeatab.intake.roles import Role
from repeatab.jobs.questions import CorrelationCheck, Section
from repeatab.study.levels import check_margin, names_from
from repeatab.study.parts import CostPart
from repeatab.study.study_file import SectionPart, StudyFile
from repeatab.study.values import MarginText

MARGIN_MEANING = (
    "The margin is the largest offset between the rigs that would change nobody's decision. Laboratories "
    "choose it before the runs, with the customer: a fraction of the customer's tolerance, or what pads of "
    'one lot differ by anyway. Write margin = "5 %" (of the reference rig) or margin = 0.02 (in the unit of '
    "the result)."
)


def _rigs(value: object) -> tuple[str, ...]:
    return names_from(value, such_as='["R2", "R3"]')


RigNames = Annotated[tuple[str, ...], PlainValidator(_rigs)]


class ComparedSection(SectionPart):
    """[sections.NAME] of a correlation check."""

    margin: MarginText | None = Field(default=None, description=MARGIN_MEANING)


class CorrelationCheckFile(StudyFile):
    """A study file with job = "correlation_check"."""

    needs: ClassVar = {
        Role.RESULT: "the measured value",
        Role.RIG: "the rig",
        Role.PAD_SET: "the pad set: two runs of one set are not two sets",
    }

    job: Literal["correlation_check"]
    rig: RigNames = Field(
        description="Name the rig that is checked, or a list of them, as the results write it."
    )
    reference_rig: str | None = None
    looks: tuple[int, ...] = ()
    overall_margin: MarginText | None = None
    correction_valid_days: int | None = None
    cost: CostPart = CostPart()
    sections: dict[str, ComparedSection] = Field(
        description="Name each section that counts, with its margin."
    )

    @property
    def parts_by_section(self) -> Mapping[str, ComparedSection]:
        """The sections by name."""
        return self.sections

    def question(self) -> CorrelationCheck:
        """The job's question."""
        return CorrelationCheck(
            rigs=self.rig,
            reference_rig=self.reference_rig,
            sections=tuple(
                Section(name=name, margin=part.margin, decides=part.decides)
                for name, part in self.sections.items()
            ),
            confidence=self.confidence,
            analysis=self.analysis,
            looks=self.looks,
            overall_margin=self.overall_margin,
            correction_valid_days=self.correction_valid_days,
            as_of=self.as_of,
            cost=self.cost.cost(),
            covariates=self.covariates,
            seed=self.seed,
        )

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if len(self.rig) == 1 and self.reference_rig is None:
            raise StudyError(
                f"reference_rig: is missing. Name the rig that '{self.rig[0]}' is compared with: offsets and percent "
                "margins refer to it. To compare every pair, name several under rig."
            )
        for name, part in self.sections.items():
            check_margin(
                f"sections.{name}.margin", part.margin, decides=part.decides, quantity=self.results.quantity,
                meaning=MARGIN_MEANING,
            )  # fmt: skip
        if self.overall_margin is not None:
            check_margin(
                "overall_margin", self.overall_margin, decides=False, quantity=self.results.quantity,
                meaning=MARGIN_MEANING,
            )  # fmt: skip
        self.question()
        return self
