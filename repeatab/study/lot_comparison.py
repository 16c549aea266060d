"""The study file of a comparison of pad lots.

In: parsed TOML.  Out: the question LotComparison.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, PlainValidator, model_validator

from repeatab.base.errors import StudyError
from repeatab.intake.roles import Role
from repeatab.jobs.lots.question import LotComparison, LotSection, RigsAs, StatedUncertainty
from repeatab.study.gauge_study import TolerancePart
from repeatab.study.levels import check_margin, names_from
from repeatab.study.parts import CostPart, Part
from repeatab.study.study_file import SectionPart, StudyFile
from repeatab.study.values import MarginText

MARGIN_MEANING = (
    "The margin is the largest difference between lots that would change nobody's decision. Laboratories choose it "
    "before the runs, with the customer: a fraction of the customer's tolerance, or what lots in good standing differ "
    'by. Write margin = "5 %" (of the reference lot) or margin = 0.02 (in the unit of the result).'
)


def _lots(value: object) -> tuple[str, ...]:
    return names_from(value, such_as='["P2601", "P2605"]')


class LotSectionPart(SectionPart):
    """[sections.NAME] of a lot comparison."""

    margin: MarginText | None = Field(default=None, description=MARGIN_MEANING)
    specification: TolerancePart | None = None


class GuardBandPart(Part):
    """[guard_band]: what the laboratory knows of its own measurement, in the unit of the result."""

    reproducibility: float | None = None
    repeatability: float | None = None
    standard_uncertainty: float | None = None

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if self.model_fields_set:
            self.stated()
        return self

    def stated(self) -> StatedUncertainty | None:
        """The uncertainty as the job takes it; None if nothing is stated."""
        if not self.model_fields_set:
            return None
        return StatedUncertainty(
            standard_uncertainty=self.standard_uncertainty,
            reproducibility=self.reproducibility,
            repeatability=self.repeatability,
        )


class LotComparisonFile(StudyFile):
    """A study file with job = "lot_comparison"."""

    needs: ClassVar = {
        Role.RESULT: "the measured value",
        Role.PAD_LOT: "the pad lot",
        Role.PAD_SET: "the pad set: two runs of one set are not two sets",
    }

    job: Literal["lot_comparison"]
    lots: Annotated[tuple[str, ...], PlainValidator(_lots)] = Field(
        description="Name the lot that is compared, or a list of lots, as the results write them."
    )
    reference_lot: str | None = None
    rigs: RigsAs = RigsAs.BLOCKS
    blocks: tuple[str, ...] = ()
    remove_wear: bool | None = None
    guard_band: GuardBandPart = GuardBandPart()
    percent_of_reference: float | None = None
    looks: tuple[int, ...] = ()
    cost: CostPart = CostPart()
    sections: dict[str, LotSectionPart] = Field(description="Name each section that counts, with its margin.")

    @property
    def parts_by_section(self) -> Mapping[str, LotSectionPart]:
        """The sections by name."""
        return self.sections

    def question(self) -> LotComparison:
        """The job's question."""
        return LotComparison(
            lots=self.lots,
            reference_lot=self.reference_lot,
            sections=tuple(
                LotSection(
                    name=name,
                    margin=part.margin,
                    decides=part.decides,
                    specification=part.specification.tolerance() if part.specification else None,
                )
                for name, part in self.sections.items()
            ),
            confidence=self.confidence,
            analysis=self.analysis,
            rigs=self.rigs,
            blocks=self.blocks,
            covariates=self.covariates,
            remove_wear=self.remove_wear,
            guard=self.guard_band.stated(),
            percent_of_reference=self.percent_of_reference,
            looks=self.looks,
            cost=self.cost.cost(),
            seed=self.seed,
        )

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if len(self.lots) == 1 and self.reference_lot is None:
            raise StudyError(
                f"reference_lot: is missing. Name the lot that '{self.lots[0]}' is compared with: offsets and percent "
                "margins refer to it. To compare every pair, name several under lots."
            )
        for name in self.blocks:
            if name not in self.names:
                raise StudyError(
                    f"blocks: '{name}' has no column. Name it under [columns], such as {name} = 'column', and under "
                    "results.factors if its labels look like numbers."
                )
        for name, part in self.sections.items():
            check_margin(
                f"sections.{name}.margin", part.margin, decides=part.decides, quantity=self.results.quantity,
                meaning=MARGIN_MEANING,
            )  # fmt: skip
        self.question()
        return self
