"""The question of a round robin: what the organiser asks, and the numbers only the organiser can decide.

No files, no TOML.  Labels of laboratories and levels are those of the results.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, TypeVar

from repeatab.base.errors import StudyError
from repeatab.interlab.consensus import ConsensusMethod
from repeatab.interlab.precision import LIMIT_FACTOR
from repeatab.interlab.scores import AssignedBasis
from repeatab.jobs.questions import Analysis, check_confidence

_T = TypeVar("_T")


class SingleResults(Enum):
    """What happens to a cell of one result at a level where other cells hold several.

    LEFT_OUT : as the worked example of ISO 5725-2:1994, B.2 does; the report names the cell.
    COUNTED : the result counts in the means.
    """

    LEFT_OUT = "left out"
    COUNTED = "counted"


class SetKind(Enum):
    """How the sets of a level came to the laboratories; the value is the report's word."""

    TRAVELLING = "travelling"
    DISTRIBUTED = "distributed"
    NOT_RECORDED = "not recorded"


def single_results_from(text: SingleResults | str) -> SingleResults:
    """The choice that a word stands for.

    Raises
    ------
    StudyError
    """
    try:
        return SingleResults(text)
    except ValueError:
        allowed = [choice.value for choice in SingleResults]
        raise StudyError.unknown_choice("single_results", str(text), allowed=allowed) from None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProficiencySpread:
    """sigma_pt, the standard deviation for proficiency assessment: `size` in the unit of the result, or in
    percent of the assigned value."""

    size: float
    percent: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.size) and self.size > 0):
            raise StudyError(f"sigma_pt: found {self.size}, expected a positive number.")

    def beside(self, assigned_value: float) -> float:
        """In the unit of the result."""
        return self.size / 100 * abs(assigned_value) if self.percent else self.size


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedValue:
    """A value that the organiser states for a level, with its standard uncertainty (k = 1)."""

    value: float
    standard_uncertainty: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.standard_uncertainty >= 0):
            raise StudyError(
                f"assigned value: found {self.value} with standard uncertainty {self.standard_uncertainty}, "
                "expected a number and an uncertainty of at least 0."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Scoring:
    """How participants are scored.

    basis : where the assigned value comes from. consensus : for a weighted consensus. reference_laboratory : for
    that basis. stated : by level, for stated values. spread : sigma_pt by level; None under a level key stands
    for every level without its own.
    """

    basis: AssignedBasis
    spread: Mapping[Any, ProficiencySpread]
    consensus: ConsensusMethod = ConsensusMethod.MANDEL_PAULE
    reference_laboratory: Any | None = None
    stated: Mapping[Any, StatedValue] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.basis is AssignedBasis.REFERENCE_LABORATORY and self.reference_laboratory is None:
            raise StudyError(
                "reference_laboratory: is missing. Name the laboratory whose results are the assigned values."
            )
        if not self.spread:
            raise StudyError(
                "sigma_pt: is missing. It is the standard deviation that the organiser holds the participants to, "
                "from the purpose of the measurement, an earlier round or a prescribed reproducibility."
            )

    def spread_at(self, level: Any) -> ProficiencySpread:
        """sigma_pt of a level.

        Raises
        ------
        StudyError
            None is stated.
        """
        found = _by_label(self.spread, level) or self.spread.get(None)
        if found is None:
            raise StudyError(
                f"sigma_pt: none is stated for level '{level}'. State one for the level, or one for all."
            )
        return found

    def stated_at(self, level: Any) -> StatedValue:
        """The stated value of a level.

        Raises
        ------
        StudyError
            None is stated.
        """
        found = _by_label(self.stated, level)
        if found is None:
            raise StudyError(
                f"assigned value: the basis is a stated value, but none is stated for level '{level}'."
            )
        return found


def _by_label(values: Mapping[Any, _T], level: Any) -> _T | None:
    """A study file knows labels as text, a frame by its own types."""
    return values[level] if level in values else values.get(str(level))


@dataclass(frozen=True, slots=True, kw_only=True)
class Travelling:
    """Sets that go from laboratory to laboratory and come back.

    pilot : the laboratory at which they ran more than once; its first visit takes part, the later ones are return
    runs. take_out : whether the drift is taken out of the results; otherwise its size enters the uncertainty.
    """

    pilot: Any
    take_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundRobin:
    """How precise is the method across laboratories, and how does each laboratory stand?

    levels : named levels, which must have results and come first; every other level takes part too.
    nested : factors within the laboratory from the outer to the inner, for the intermediate precision; None takes rig,
    operator and day as far as they vary.
    limit_factor : multiplies s_r and s_R to the limits. sets : how the sets came to the laboratories; None takes sets
    whose label stands at several laboratories for travelling ones.
    code_seed : number from which the participants' codes are drawn, known to the organiser only; None writes no
    participants' pages.
    """

    levels: tuple[Any, ...] = ()
    confidence: float = 0.95
    analysis: Analysis = Analysis.DIFFERENCE
    limit_factor: float = LIMIT_FACTOR
    single_results: SingleResults = SingleResults.LEFT_OUT
    nested: tuple[str, ...] | None = None
    scoring: Scoring | None = None
    travelling: Travelling | None = None
    sets: SetKind | None = None
    code_seed: int | None = None
    seed: int = 20260101

    def __post_init__(self) -> None:
        check_confidence(self.confidence)
        if not (math.isfinite(self.limit_factor) and self.limit_factor > 0):
            raise StudyError(
                f"limit_factor: found {self.limit_factor}, expected a positive number such as 2.8."
            )
        if len(set(self.levels)) < len(self.levels):
            raise StudyError("levels: a level is named twice; expected each once.")
