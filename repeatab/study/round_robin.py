"""The study file of a round robin.

In: parsed TOML.  Out: the question RoundRobin, and the further results that its organiser names.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from enum import Enum
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, PlainValidator, model_validator

from repeatab.base.errors import StudyError
from repeatab.intake.columns import RESULT, SECTION
from repeatab.intake.options import DecimalMark, ReadOptions, Separator
from repeatab.intake.roles import Role
from repeatab.interlab.consensus import ConsensusMethod
from repeatab.interlab.precision import LIMIT_FACTOR
from repeatab.interlab.scores import AssignedBasis
from repeatab.jobs.rounds.question import (
    ProficiencySpread,
    RoundRobin,
    Scoring,
    SetKind,
    SingleResults,
    StatedValue,
    Travelling,
)
from repeatab.study.parts import Part, paths_from
from repeatab.study.study_file import SectionPart, StudyFile
from repeatab.study.values import in_words

ONE_SECTION = "all results"
_PERCENT = re.compile(r"(\d+(?:\.\d+)?)\s*%")
_SIGMA = (
    "sigma_pt is the standard deviation that participants are held to: a result 2 sigma_pt off is a warning, 3 an "
    "action signal. Organisers take it from what the measurement is for, from earlier rounds, or from a prescribed "
    'reproducibility. Write sigma_pt = "4 %" (of the assigned value) or 0.015 (in the unit of the result).'
)


class BasisWord(Enum):
    """Where the assigned value comes from, as a study file says it."""

    ROBUST = "robust consensus"
    WEIGHTED = "weighted consensus"
    REFERENCE = "reference laboratory"
    STATED = "stated value"


_BASIS = {
    BasisWord.ROBUST: AssignedBasis.ROBUST_CONSENSUS,
    BasisWord.WEIGHTED: AssignedBasis.WEIGHTED_CONSENSUS,
    BasisWord.REFERENCE: AssignedBasis.REFERENCE_LABORATORY,
    BasisWord.STATED: AssignedBasis.STATED,
}


class SetWord(Enum):
    """How the sets came to the laboratories, as a study file says it."""

    TRAVELLING = SetKind.TRAVELLING.value
    DISTRIBUTED = SetKind.DISTRIBUTED.value


def spread_from(value: Any) -> ProficiencySpread:
    """sigma_pt from "4 %" or 0.015.

    Raises
    ------
    StudyError
    """
    if isinstance(value, int | float) and not isinstance(value, bool):
        return ProficiencySpread(size=float(value))
    match = _PERCENT.fullmatch(value.strip()) if isinstance(value, str) else None
    if match:
        return ProficiencySpread(size=float(match[1]), percent=True)
    raise StudyError(
        f'found {in_words(value)}, expected "4 %" (of the assigned value) or 0.015 (in the unit of the result, '
        "without quotes)."
    )


SpreadText = Annotated[ProficiencySpread, PlainValidator(spread_from)]


class LevelPart(Part):
    """[levels.NAME]: what holds for one level; levels that are not named take part too."""

    sigma_pt: SpreadText | None = None
    assigned_value: float | None = None
    standard_uncertainty: float | None = Field(default=None, ge=0)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.assigned_value is None) != (self.standard_uncertainty is None):
            raise StudyError(
                "assigned_value and standard_uncertainty belong together: state both (0 where it is exact)."
            )
        return self

    def stated(self) -> StatedValue | None:
        """The stated value, if there is one."""
        if self.assigned_value is None or self.standard_uncertainty is None:
            return None
        return StatedValue(value=self.assigned_value, standard_uncertainty=self.standard_uncertainty)


class ScoresPart(Part):
    """[scores]: how participants are scored."""

    assigned_value: BasisWord = Field(
        description="Say where the assigned value comes from: 'robust consensus', 'weighted consensus', 'reference "
        "laboratory' or 'stated value'."
    )
    sigma_pt: SpreadText | None = Field(default=None, description=_SIGMA)
    consensus: ConsensusMethod = ConsensusMethod.MANDEL_PAULE
    reference_laboratory: str | None = None


class TravellingPart(Part):
    """[travelling]: sets that go from laboratory to laboratory."""

    pilot: str = Field(
        description="Name the pilot laboratory, at which the sets ran before and again after the others."
    )
    take_out: bool = False


class ParticipantsPart(Part):
    """[participants]: the pages that can be sent out."""

    code_seed: int = Field(
        ge=0,
        description="State a whole number of your own from which the codes are drawn, and keep it to yourself: with it "
        "anyone can tell who is who.",
    )


class FurtherPart(Part):
    """Results beside those of the round: a table of means, or the organiser's checks of the lot."""

    files: Annotated[tuple[str, ...], PlainValidator(paths_from)] = Field(
        description="Say which files to read."
    )
    columns: dict[str, str] = Field(description="Say which column holds what, as under [columns].")
    separator: Separator = Separator.AUTOMATIC
    decimal: DecimalMark = DecimalMark.AUTOMATIC
    sheet: str | None = None

    def options(self, *, numbers: tuple[str, ...] = ()) -> ReadOptions:
        """How to read the files; `numbers` are the own columns that hold numbers."""
        return ReadOptions(
            separator=self.separator, decimal=self.decimal, sheet=self.sheet, covariates=numbers
        )


_SUMMARY = (Role.LABORATORY.value, "count", "mean", "sd")


class RoundRobinFile(StudyFile):
    """A study file with job = "round_robin"."""

    needs: ClassVar = {
        Role.RESULT: "the measured value",
        Role.LABORATORY: "the laboratory (or the rig, where rigs of one house take part)",
    }

    job: Literal["round_robin"]
    limit_factor: float = Field(default=LIMIT_FACTOR, gt=0)
    single_results: SingleResults = SingleResults.LEFT_OUT
    nested: tuple[str, ...] | None = None
    sets: SetWord | None = None
    sections: dict[str, SectionPart] = Field({}, description="Name the sections that count; each is a level.")
    levels: dict[str, LevelPart] = Field({}, description="What holds for single levels.")
    scores: ScoresPart | None = None
    travelling: TravellingPart | None = None
    participants: ParticipantsPart | None = None
    summary: FurtherPart | None = None
    homogeneity: FurtherPart | None = None
    stability: FurtherPart | None = None

    @property
    def parts_by_section(self) -> Mapping[str, SectionPart]:
        """The sections by name; one for all where none is named."""
        return self.sections or {ONE_SECTION: SectionPart()}

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if SECTION in self.names and not self.sections:
            raise StudyError(
                "sections: is empty, and a column of sections is named. Name those that count, such as "
                '[sections."fade 1"]; each of them is a level.'
            )
        if self.covariates:
            raise StudyError(
                "covariates: a round robin takes none out. Leave them away, or correct the results before."
            )
        if self.summary is not None:
            for name in _SUMMARY:
                if name not in self.summary.columns:
                    raise StudyError(f"summary.columns.{name}: is missing. Say which column holds it.")
        self._check_scores()
        self.question()
        return self

    def _check_scores(self) -> None:
        if self.scores is None:
            stated = [name for name, part in self.levels.items() if part != LevelPart()]
            if stated:
                raise StudyError(
                    f"levels.{stated[0]}: states numbers for scores, but there is no [scores]. Add it, or leave them "
                    "out."
                )
            return
        if self.scores.sigma_pt is None:
            lacking = [name for name, part in self.levels.items() if part.sigma_pt is None]
            if lacking or not self.levels:
                key = f"levels.{lacking[0]}.sigma_pt" if lacking else "scores.sigma_pt"
                raise StudyError(f"{key}: is missing. {_SIGMA}")
        if self.scores.assigned_value is BasisWord.STATED:
            for name, part in self.levels.items():
                if part.assigned_value is None:
                    raise StudyError(
                        f"levels.{name}.assigned_value: is missing, and the assigned value is to be a stated one."
                    )

    def question(self) -> RoundRobin:
        """The job's question."""
        return RoundRobin(
            levels=tuple(self.levels),
            confidence=self.confidence,
            analysis=self.analysis,
            limit_factor=self.limit_factor,
            single_results=self.single_results,
            nested=self.nested,
            scoring=self._scoring(),
            travelling=None
            if self.travelling is None
            else Travelling(pilot=self.travelling.pilot, take_out=self.travelling.take_out),
            sets=None if self.sets is None else SetKind(self.sets.value),
            code_seed=None if self.participants is None else self.participants.code_seed,
            seed=self.seed,
        )

    def _scoring(self) -> Scoring | None:
        if self.scores is None:
            return None
        spread: dict[str | None, ProficiencySpread] = {
            name: part.sigma_pt for name, part in self.levels.items() if part.sigma_pt is not None
        }
        if self.scores.sigma_pt is not None:
            spread[None] = self.scores.sigma_pt
        stated = {name: part.stated() for name, part in self.levels.items()}
        return Scoring(
            basis=_BASIS[self.scores.assigned_value],
            spread=spread,
            consensus=self.scores.consensus,
            reference_laboratory=self.scores.reference_laboratory,
            stated={name: value for name, value in stated.items() if value is not None},
        )

    def further(self) -> dict[str, tuple[tuple[str, ...], dict[str, str], ReadOptions]]:
        """Results beside those of the round, by the name of their table: files, columns, options."""
        found = {}
        if self.summary is not None:
            columns = {RESULT if role == "mean" else role: c for role, c in self.summary.columns.items()}
            found["summary"] = (self.summary.files, columns, self.summary.options(numbers=("count", "sd")))
        for name, part in (("homogeneity", self.homogeneity), ("stability", self.stability)):
            if part is not None:
                found[name] = (part.files, dict(part.columns), part.options())
        return found
