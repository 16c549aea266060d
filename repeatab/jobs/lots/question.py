"""The question of a lot comparison, as frozen values: which lots, against what, and with what in mind.

In: what the laboratory states.  Out: LotComparison.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import combinations
from typing import Any

from repeatab.base.errors import StudyError, listed
from repeatab.base.margin import Margin
from repeatab.jobs.questions import Analysis, RunCost, Section, Tolerance, check_confidence

# UN Regulation 90, annex 3, 2.2.3: the deceleration at equal pressure lies within 15 % of the original lining's.
R90_PERCENT = 15.0
_COST = RunCost()


class RigsAs(Enum):
    """Whether the verdict is about these rigs, or about rigs of which these are a sample."""

    BLOCKS = "blocks"
    RANDOM = "random"


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSection:
    """A section with its margin and, where there is one, the specification that each lot has to meet."""

    name: str
    margin: Margin | None = None
    decides: bool = True
    specification: Tolerance | None = None

    @property
    def section(self) -> Section:
        """What the comparison needs of it."""
        return Section(name=self.name, margin=self.margin, decides=self.decides)


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedUncertainty:
    """What the laboratory knows of its own measurement, in the unit of the result.

    reproducibility, repeatability : s_R and s_r of a single result. With both, their share in a mean of n results
        is sqrt(s_R² - s_r² (1 - 1/n)), since only the repeatability averages out; with s_R alone it is s_R, whatever
        the number of results.
    standard_uncertainty : of a lot's mean, from what s_R does not cover (calibration, bias); all of it where no s_R is
        stated. The two are added in squares (ISO 21748:2017, clause 7).
    """

    standard_uncertainty: float | None = None
    reproducibility: float | None = None
    repeatability: float | None = None

    def __post_init__(self) -> None:
        if self.standard_uncertainty is None and self.reproducibility is None:
            raise StudyError(
                "guard_band: expected reproducibility (s_R of a single result), or standard_uncertainty (of a lot's "
                "mean), or both."
            )
        for name in ("standard_uncertainty", "reproducibility", "repeatability"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise StudyError(f"guard_band.{name}: found {value}, expected a positive number.")
        if self.repeatability is None:
            return
        if self.reproducibility is None or self.repeatability > self.reproducibility:
            raise StudyError(
                f"guard_band.repeatability: found {self.repeatability:g}, expected a value up to the reproducibility "
                "s_R, which contains it; state both."
            )

    def of_mean(self, results: int) -> float:
        """Standard uncertainty of a mean of so many independent results."""
        averaged = (self.repeatability or 0.0) ** 2 * (1 - 1 / results)
        covered = (self.reproducibility or 0.0) ** 2 - averaged
        return math.sqrt(covered + (self.standard_uncertainty or 0.0) ** 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotComparison:
    """Is a difference between pad lots real? An offset is a lot against the reference lot, or their ratio.

    lots : the lots that are compared with `reference_lot`; without a reference, every pair of them.
    rigs : as blocks, or as a sample of rigs.
    blocks : further columns whose levels the lots share, such as the disc batch.
    remove_wear : whether a trend with the runs of a set is taken out; None where the lots' runs lie unequally.
    guard : what the guard band at the specification limits is made of; needed where a section has a specification.
    percent_of_reference : the percentage of a comparison in the manner of UN Regulation 90; None where not asked.
    looks : the declared numbers of pad sets per lot at which there may be a verdict; () for one look.
    """

    lots: tuple[Any, ...]
    reference_lot: Any | None
    sections: tuple[LotSection, ...]
    confidence: float = 0.95
    analysis: Analysis = Analysis.DIFFERENCE
    rigs: RigsAs = RigsAs.BLOCKS
    blocks: tuple[str, ...] = ()
    covariates: tuple[str, ...] = ()
    remove_wear: bool | None = None
    guard: StatedUncertainty | None = None
    percent_of_reference: float | None = None
    looks: tuple[int, ...] = ()
    cost: RunCost = _COST
    seed: int = 20260101

    def __post_init__(self) -> None:
        check_confidence(self.confidence)
        self._check_lots()
        self._check_looks()
        reserved = {"rig", "pad_lot", "pad_set", "section", "result", "run"} & set(self.blocks)
        if reserved:
            raise StudyError(
                f"blocks: found {listed(sorted(reserved))}; expected columns beside rig, pad_lot, pad_set, section and "
                "run, such as the disc batch."
            )
        both = set(self.blocks) & set(self.covariates)
        if both:
            raise StudyError(
                f"blocks: {listed(sorted(both))} is a covariate too. A covariate is a number with a straight-line "
                "effect, a block is a label; name it in one of the two."
            )
        self._check_specification()

    @property
    def named(self) -> tuple[Any, ...]:
        """All lots of the question, the reference last."""
        return (*self.lots, *(() if self.reference_lot is None else (self.reference_lot,)))

    def _check_lots(self) -> None:
        named = self.named
        if len(set(named)) < len(named):
            raise StudyError(f"lots: {listed(named)} names a lot twice; expected different lots.")
        if len(named) < 2:
            raise StudyError(f"lots: found {listed(named) or 'none'}, expected at least two lots to compare.")

    def _check_looks(self) -> None:
        if any(look < 2 for look in self.looks) or list(self.looks) != sorted(set(self.looks)):
            raise StudyError(
                f"looks: found {list(self.looks)}, expected rising numbers of sets per lot from 2, such as [4, 6, 8]."
            )

    def _check_specification(self) -> None:
        limited = [section.name for section in self.sections if section.specification is not None]
        if limited and self.guard is None:
            raise StudyError(
                f"guard_band: is missing, and {listed(limited)} has a specification. Near a limit the measurement's "
                "own uncertainty decides, so a verdict there needs it: take s_R from the laboratory's gauge study or "
                "round robin, as [guard_band] reproducibility = s_R (and repeatability = s_r, so that several sets "
                "count), or state the standard_uncertainty of a lot's mean there."
            )
        percent = self.percent_of_reference
        if percent is None:
            return
        if not 0 < percent < 100:
            raise StudyError(f"percent_of_reference: found {percent}, expected a percentage such as 15.")
        if self.reference_lot is None:
            raise StudyError(
                "percent_of_reference: needs a reference_lot, the original lining that the others are set against."
            )

    @property
    def pairs(self) -> tuple[tuple[Any, Any], ...]:
        """The comparisons: each lot against the reference, or every pair."""
        return pairs_of(self.lots, self.reference_lot)


def pairs_of(levels: Sequence[Any], reference: Any | None) -> tuple[tuple[Any, Any], ...]:
    """Each level against the reference, or every pair, the later one against the earlier."""
    if reference is not None:
        return tuple((level, reference) for level in levels)
    return tuple((later, earlier) for earlier, later in combinations(levels, 2))
