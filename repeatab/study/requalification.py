"""The study file of a requalification: a rig that was moved, rebuilt or recalibrated.

In: parsed TOML.  Out: the question Requalification.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator

from repeatab.base.errors import StudyError, nearest
from repeatab.base.margin import Margin, MarginUnit
from repeatab.intake.roles import Role
from repeatab.jobs.requalifying.question import (
    CHECKS,
    Burden,
    Burdens,
    Check,
    CheckResult,
    Requalification,
    RequalSection,
    StatedDrift,
)
from repeatab.study.parts import CostPart, Part
from repeatab.study.study_file import SectionPart, StudyFile
from repeatab.study.values import DateText, MarginText

_BURDENS = (
    "'must be shown': the runs have to show that all is well; 'must not be contradicted': it is enough that they do "
    "not show the opposite. Laboratories choose the first where a wrong number would release a bad lot, the second "
    "where the sets at hand can never show it."
)
MARGIN_MEANING = (
    "The margin is the largest shift of the moved rig that would change nobody's decision. Laboratories choose it "
    'before the runs, with the customer. Write margin = "5 %" (of the level before) or margin = 0.02 (in the unit of '
    "the result)."
)
SISTER_MEANING = (
    "The sister_margin is the largest offset of the moved rig against its sister that would change nobody's decision, "
    'such as the one of the monthly correlation check: "5 %" of the sister rig, or 0.02 in the unit of the result.'
)


class MovedSection(SectionPart):
    """[sections.NAME] of a requalification."""

    margin: MarginText | None = Field(default=None, description=MARGIN_MEANING)
    sister_margin: MarginText | None = Field(default=None, description=SISTER_MEANING)
    ordinary_drift: float | None = Field(default=None, ge=0)


class BurdensPart(Part):
    """[burdens]: what has to be shown, and what must only not be contradicted."""

    level: Burden = Field(description=f"Say who carries the burden on the level. {_BURDENS}")
    repeatability: Burden = Field(description=f"Say who carries the burden on the repeatability. {_BURDENS}")
    sister: Burden | None = None


class CheckPart(Part):
    """[checklist.ITEM]: one check of the rig as the laboratory made it."""

    value: str | None = None
    date: DateText | None = None
    result: CheckResult = Field(description="Say how the check ended: 'passed' or 'failed'.")


class RequalificationFile(StudyFile):
    """A study file with job = "requalification"."""

    needs: ClassVar = {
        Role.RESULT: "the measured value",
        Role.RIG: "the rig",
        Role.PHASE: "the phase, before or after the move",
        Role.PAD_SET: "the pad set: two runs of one set are not two sets",
    }

    job: Literal["requalification"]
    moved_rig: str = Field(
        description="Name the rig that was moved, rebuilt or recalibrated, as the results write it."
    )
    control_rigs: tuple[str, ...] = ()
    sister_rig: str | None = None
    before: str = Field(description="Say how the phase column writes the time before the move.")
    after: str = Field(description="Say how the phase column writes the time after the move.")
    base_since: DateText | None = None
    base_until: DateText | None = None
    nothing_else_changed: str = ""
    repeatability_limit: float = Field(
        description="Say how many times worse than before the rig may repeat: the largest ratio of standard deviations "
        "after / before that would do, above 1. Laboratories often take 1.5 to 2; few sets can only meet a wide limit, "
        "and the report prints the smallest one that these numbers of sets could meet."
    )
    ordinary_drift_df: float | None = Field(default=None, gt=0)
    burdens: BurdensPart = Field(description="Say which burden each question carries.")
    looks: tuple[int, ...] = ()
    cost: CostPart = CostPart()
    checklist: dict[str, CheckPart] = Field({})
    sections: dict[str, MovedSection] = Field(description="Name each section that counts, with its margin.")

    @property
    def parts_by_section(self) -> Mapping[str, MovedSection]:
        """The sections by name."""
        return self.sections

    @property
    def base_days(self) -> tuple[str | None, str | None]:
        """First and last day of the time before the move, where its results come from the ledger."""
        return self.base_since, self.base_until

    def question(self) -> Requalification:
        """The job's question."""
        return Requalification(
            moved_rig=self.moved_rig,
            control_rigs=self.control_rigs,
            sister_rig=self.sister_rig,
            before=self.before,
            after=self.after,
            nothing_else_changed=self.nothing_else_changed,
            repeatability_limit=self.repeatability_limit,
            burdens=Burdens(
                level=self.burdens.level,
                repeatability=self.burdens.repeatability,
                sister=self.burdens.sister,
            ),
            sections=tuple(self._section(name, part) for name, part in self.sections.items()),
            looks=self.looks,
            checklist=tuple(
                Check(item=item, value=part.value, date=part.date, result=part.result)
                for item, part in self.checklist.items()
            ),
            confidence=self.confidence,
            analysis=self.analysis,
            cost=self.cost.cost(),
            covariates=self.covariates,
            seed=self.seed,
        )

    def _section(self, name: str, part: MovedSection) -> RequalSection:
        drift = None
        if part.ordinary_drift is not None:
            drift = StatedDrift(sd=part.ordinary_drift, df=self.ordinary_drift_df)
        return RequalSection(
            name=name,
            margin=part.margin,
            sister_margin=part.sister_margin,
            decides=part.decides,
            drift=drift,
        )

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        for name, part in self.sections.items():
            self._check_margin(f"sections.{name}.margin", part.margin, MARGIN_MEANING, needed=part.decides)
            asked = self.sister_rig is not None and part.decides
            self._check_margin(
                f"sections.{name}.sister_margin", part.sister_margin, SISTER_MEANING, needed=asked
            )
        for item in self.checklist:
            meant = nearest(item, CHECKS, cutoff=0.75)
            if item not in CHECKS and meant:
                raise StudyError(
                    f"checklist.{item}: is not one of the usual items.{meant} An item of your own needs another name."
                )
        self.question()
        return self

    def _check_margin(self, key: str, margin: Margin | None, meaning: str, *, needed: bool) -> None:
        low, high = self.results.quantity.plausible
        if margin is None:
            if needed:
                raise StudyError(
                    f"{key}: is missing. {meaning} A section without a margin can only inform: decides = false."
                )
        elif margin.unit is MarginUnit.ABSOLUTE and margin.size >= high - low:
            raise StudyError(
                f"{key}: found {margin.size:g} in the unit of {self.results.quantity.name}, where no two plausible "
                f'results differ by more than {high - low:g}. For percent write "{margin.size:g} %".'
            )
