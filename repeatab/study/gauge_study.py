"""The study file of a gauge study.

In: parsed TOML.  Out: the question GaugeStudy.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator

from repeatab.intake.roles import Role
from repeatab.jobs.questions import (
    AcceptanceBands,
    GaugeStudy,
    GaugeStudySection,
    ProcessUncertainty,
    Tolerance,
)
from repeatab.study.parts import Part
from repeatab.study.study_file import SectionPart, StudyFile

_BANDS = (
    "The bands say up to which percentage of R&R the measurement is acceptable, and up to which "
    "conditionally so. The automotive measurement-systems handbook names 10 and 30; take those unless your "
    "customer or your own procedure sets others: [bands] with acceptable = 10 and conditional = 30."
)


class TolerancePart(Part):
    """tolerance = { lower = 0.35, upper = 0.45 }; one of the two may be left out."""

    lower: float | None = None
    upper: float | None = None

    @model_validator(mode="after")
    def _usable(self) -> Self:
        self.tolerance()
        return self

    def tolerance(self) -> Tolerance:
        """The tolerance as the job takes it."""
        return Tolerance(lower=self.lower, upper=self.upper)


class GaugedSection(SectionPart):
    """[sections.NAME] of a gauge study."""

    tolerance: TolerancePart | None = None


class BandsPart(Part):
    """[bands]: percent of R&R."""

    acceptable: float = Field(description=_BANDS)
    conditional: float = Field(description=_BANDS)
    # The limits of ISO 22514-7 for its two ratios.
    system: float = 15.0
    process: float = 30.0

    @model_validator(mode="after")
    def _usable(self) -> Self:
        self.bands()
        return self

    def bands(self) -> AcceptanceBands:
        """The bands as the job takes them."""
        return AcceptanceBands(
            acceptable=self.acceptable,
            conditional=self.conditional,
            system=self.system,
            process=self.process,
        )


class ProcessPart(Part):
    """[process]: standard uncertainties from outside the study, in the unit of the result."""

    resolution: float | None = Field(default=None, ge=0)
    calibration: float | None = Field(default=None, ge=0)
    linearity: float | None = Field(default=None, ge=0)
    reference_repeatability: float | None = Field(default=None, ge=0)
    bias: float | None = None
    drift: float | None = Field(default=None, ge=0)
    other: float | None = Field(default=None, ge=0)

    def process(self) -> ProcessUncertainty:
        """The uncertainties as the job takes them."""
        return ProcessUncertainty(
            resolution=self.resolution,
            calibration=self.calibration,
            linearity=self.linearity,
            reference_repeatability=self.reference_repeatability,
            bias=self.bias,
            drift=self.drift,
            other=self.other,
        )


class GaugeStudyFile(StudyFile):
    """A study file with job = "gauge_study"."""

    needs: ClassVar = {
        Role.RESULT: "the measured value",
        Role.PAD_SET: "the pad set (the part that is measured)",
    }

    job: Literal["gauge_study"]
    multiplier: float = Field(default=6.0, gt=0)
    bands: BandsPart = Field(description=_BANDS)
    process: ProcessPart = ProcessPart()
    remove_wear: bool = False
    sections: dict[str, GaugedSection] = Field(
        description="Name each section that counts, with its tolerance if it has one."
    )

    @property
    def parts_by_section(self) -> Mapping[str, GaugedSection]:
        """The sections by name."""
        return self.sections

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        self.question()
        return self

    def question(self) -> GaugeStudy:
        """The job's question."""
        return GaugeStudy(
            sections=tuple(
                GaugeStudySection(
                    name=name,
                    tolerance=part.tolerance.tolerance() if part.tolerance else None,
                    decides=part.decides,
                )
                for name, part in self.sections.items()
            ),
            confidence=self.confidence,
            multiplier=self.multiplier,
            bands=self.bands.bands(),
            process=self.process.process(),
            remove_wear=self.remove_wear,
            analysis=self.analysis,
            covariates=self.covariates,
            seed=self.seed,
        )
