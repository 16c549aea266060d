"""What a lab asks before a study: which runs would show what, as frozen values.

In: the question that the study will ask, what is believed of the scatter, what runs cost, what there is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from repeatab.base.errors import StudyError, listed
from repeatab.planning.beliefs import ScatterBelief
from repeatab.planning.cost import HourCosts, Limits
from repeatab.planning.exchange import Criterion

SOURCES = (
    "rig", "operator", "pad_set", "rig_by_pad_set", "rig_by_operator", "operator_by_pad_set", "visit",
    "rig_by_visit", "repeatability",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionBelief:
    """What is believed of one section: its level, in the unit of the result, and the scatter by source."""

    level: float
    scatter: Mapping[str, ScatterBelief]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBeliefs:
    """What is believed of the sections: one belief for all, and others where a section differs.

    correlation : between what a set or a run brings to two sections, 0 to 1. told : where the values come from.
    """

    common: SectionBelief
    sections: Mapping[str, SectionBelief] = field(default_factory=dict)
    correlation: float = 0.5
    told: str = "stated in the study file"

    def __post_init__(self) -> None:
        if not 0 <= self.correlation <= 1:
            raise StudyError(f"plan.correlation: found {self.correlation}, expected a value from 0 to 1.")
        for belief in (self.common, *self.sections.values()):
            unknown = [name for name in belief.scatter if name not in SOURCES]
            if unknown:
                raise StudyError(
                    f"plan.scatter: found {listed(unknown)}, expected sources among {listed(SOURCES)}."
                )
            if not any(one.sd > 0 for one in belief.scatter.values()):
                raise StudyError(
                    "plan.scatter: no source has a standard deviation above zero. State at least that of pad sets or "
                    "of repeatability; the report of an earlier study holds both."
                )

    def of(self, section: str) -> SectionBelief:
        """The belief about a section."""
        return self.sections.get(section, self.common)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetForm:
    """How the study will read the run sheet.

    columns : role -> the study's own column; the role's own name where none is given. wide : section -> its column,
    where the study reads a table with a column for each section. stops : section -> stops of a run, where it reads
    stops.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    wide: Mapping[str, str] = field(default_factory=dict)
    stops: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOptions:
    """What a plan may cost and what it should reach.

    target : wanted probability of a verdict, expected over the uncertainty of the scatter, if there is no offset.
    seconds : about how long the simulation may take (counted in work, so that results do not depend on the machine).
    operators : who runs. rigs : for studies whose question names none. most_sets : largest number of sets tried.
    widest : of a round robin, how well s_R has to be known, as a share of itself.
    form : of the run sheet. criterion : what the free search makes small.
    """

    costs: HourCosts
    limits: Limits = field(default_factory=Limits)
    target: float = 0.80
    seconds: float = 3.0
    operators: tuple[str, ...] = ()
    rigs: tuple[str, ...] = ()
    runs_per_day: int = 2
    most_sets: int = 24
    widest: float | None = None
    form: SheetForm = field(default_factory=SheetForm)
    criterion: Criterion = Criterion.CONTRASTS


def believed(sd: float, low: float | None, high: float | None) -> ScatterBelief:
    """An estimate with its interval as a belief; without a usable interval, as if from two results."""
    if low is not None and high is not None and 0 < low <= sd <= high:
        return ScatterBelief.ranged(sd, low, high)
    return ScatterBelief(sd=sd, df=1.0)


def beliefs_by_section(
    found: Iterable[tuple[str, str, float, float | None, float | None]], level: float
) -> dict[str, SectionBelief]:
    """What earlier studies found, as (section, source, sd, low, high); sources that planning does not know are left."""
    scatter: dict[str, dict[str, ScatterBelief]] = {}
    for section, source, sd, low, high in found:
        name = source.split(" with ")[-1].replace(" × ", "_by_").replace(" ", "_")
        if name in SOURCES:
            scatter.setdefault(section, {})[name] = believed(sd, low, high)
    return {section: SectionBelief(level=level, scatter=one) for section, one in scatter.items()}
