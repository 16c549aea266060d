"""The study file of a control chart on reference pads.

In: parsed TOML.  Out: the question ControlChart, and where the events are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, PlainValidator, model_validator

from repeatab.base.errors import StudyError, nearest
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.design import cusum_for, ewma_for, ewma_limit
from repeatab.control.rules import PUBLISHED_RULES, RunRule, rule_from_words
from repeatab.control.scatter import ScatterMethod
from repeatab.intake.events import EVENT_COLUMNS, EventSource
from repeatab.intake.roles import Role
from repeatab.jobs.charts.question import (
    CLOSING,
    RESTARTING,
    BasePeriod,
    ChartedSection,
    ControlChart,
    JointWatch,
    Plotted,
    Reference,
    Residuals,
    StatedLimits,
)
from repeatab.jobs.questions import Analysis
from repeatab.study.parts import Part, ResultsPart, paths_from
from repeatab.study.study_file import FromLedger, SectionPart, StudyFile
from repeatab.study.values import DateText, in_words

_SCATTER = {
    "moving range": ScatterMethod.MOVING_RANGE,
    "standard deviation": ScatterMethod.STANDARD_DEVIATION,
    "median distance": ScatterMethod.MEDIAN_DEVIATION,
}
_SHIFT = (
    "Say which shift the charts shall find, in standard deviations of the plotted points: the smallest "
    "change of a rig "
    "that would change somebody's decision, over the standard deviation of a visit's mean. 1 to 1.5 is usual."
)
_IN_CONTROL = (
    "Say how many visits a sound rig shall run, on average, until a chart gives a false alarm in a section. 370 is "
    "that of 3-sigma limits; fewer find a change sooner."
)


_FILES = (
    "Say which result files to read (a path, a list of paths, a pattern or a folder), or take the reference results "
    "from the ledger: results.from_ledger = true."
)
_OF_LEDGER = tuple(
    role.value
    for role in (Role.RESULT, Role.RIG, Role.SECTION, Role.VISIT, Role.TIME, Role.PAD_LOT, Role.PAD_SET)
)


def rule_from(value: object) -> RunRule:
    """A run rule from its words.

    Raises
    ------
    StudyError
    """
    if isinstance(value, str):
        return rule_from_words(value)
    known = ", ".join(f'"{words}"' for words in PUBLISHED_RULES)
    raise StudyError(f"found {in_words(value)}, expected a rule in words: {known}.")


def scatter_from(value: object) -> ScatterMethod:
    """How the scatter of single results is taken.

    Raises
    ------
    StudyError
    """
    if isinstance(value, str) and value in _SCATTER:
        return _SCATTER[value]
    found = value if isinstance(value, str) else in_words(value)
    raise StudyError.unknown_choice("scatter", found, allowed=list(_SCATTER))


class ChartPart(Part):
    """[chart]: what is plotted and judged."""

    points: Plotted | None = None
    limit: float = Field(default=3.0, gt=0)
    rules: tuple[Annotated[RunRule, PlainValidator(rule_from)], ...] = ()
    shift: float = Field(gt=0, description=_SHIFT)
    in_control: float = Field(default=370.0, gt=2, description=_IN_CONTROL)
    scatter: Annotated[ScatterMethod, PlainValidator(scatter_from)] = ScatterMethod.MOVING_RANGE
    robust: bool = False
    screening: bool = False
    residuals: Residuals = Residuals.WHEN_NEEDED

    def shewhart(self) -> Shewhart:
        """The chart of single points with its rules."""
        return Shewhart(limit=self.limit, rules=self.rules)


class ChartResultsPart(ResultsPart):
    """[results] of a control chart: files, the ledger, or both."""

    files: Annotated[tuple[str, ...], PlainValidator(paths_from)] = ()
    from_ledger: bool = False


class BasePart(Part):
    """[base]: the base period."""

    from_ledger: bool = False
    start: DateText | None = None
    until: DateText | None = None
    visits: int | None = None
    after_restart: int = 12

    def base(self) -> BasePeriod:
        """The base period as the job takes it."""
        return BasePeriod(
            start=self.start, until=self.until, visits=self.visits, after_restart=self.after_restart
        )


class EventsPart(Part):
    """[events]: what happened to the rigs and the reference."""

    file: str | None = None
    columns: dict[str, str] = Field(default={})
    restart_at: tuple[str, ...] = RESTARTING
    closing: tuple[str, ...] = CLOSING

    @model_validator(mode="after")
    def _known(self) -> Self:
        for name in self.columns:
            if name not in EVENT_COLUMNS:
                raise StudyError(
                    f"events.columns: found '{name}', expected {', '.join(EVENT_COLUMNS)}."
                    f"{nearest(name, EVENT_COLUMNS)}"
                )
        return self


class EwmaPart(Part):
    """[ewma]: a moving average beside the points; what is not stated follows from chart.shift and in_control."""

    weight: float | None = Field(default=None, gt=0, le=1)
    limit: float | None = Field(default=None, gt=0)
    starting_limits: bool = False

    def chart(self, shift: float, in_control: float) -> Ewma:
        """The chart as stated, or the one that finds the shift soonest at that rate of false alarms."""
        if self.weight is None:
            if self.limit is not None:
                raise StudyError("ewma.weight: is missing. State it with the limit, or neither of them.")
            chosen = ewma_for(shift=shift, in_control=in_control, starting_limits=self.starting_limits).chart
            assert isinstance(chosen, Ewma)
            # Nothing is lost by two digits of the weight, and a laboratory can quote them.
            return self._with_weight(float(f"{chosen.weight:.2g}"), None, in_control)
        return self._with_weight(self.weight, self.limit, in_control)

    def _with_weight(self, weight: float, limit: float | None, in_control: float) -> Ewma:
        if limit is None:
            exact = ewma_limit(weight=weight, in_control=in_control, starting_limits=self.starting_limits)
            limit = float(f"{exact:.4g}")
        return Ewma(weight=weight, limit=limit, starting_limits=self.starting_limits)


class CusumPart(Part):
    """[cusum]: cumulative sums beside the points; what is not stated follows from chart.shift and in_control."""

    reference: float | None = Field(default=None, ge=0)
    decision: float | None = Field(default=None, gt=0)
    head_start: bool = False

    def chart(self, shift: float, in_control: float) -> Cusum:
        """The chart as stated, or the one that finds the shift soonest at that rate of false alarms."""
        if self.reference is None and self.decision is None:
            chosen = cusum_for(shift=shift, in_control=in_control, head_start=self.head_start).chart
            assert isinstance(chosen, Cusum)
            decision = float(f"{chosen.decision:.4g}")
            return replace(chosen, decision=decision, head_start=decision / 2 if self.head_start else 0.0)
        if self.reference is None or self.decision is None:
            raise StudyError("cusum: state reference and decision together, or neither of them.")
        start = self.decision / 2 if self.head_start else 0.0
        return Cusum(reference=self.reference, decision=self.decision, head_start=start)


class JointPart(Part):
    """[joint]: all sections of a visit together."""

    false_alarm: float | None = 0.0027
    weight: float | None = None


class LimitsPart(Part):
    """[[limits]]: frozen limits of one rig and section, set before."""

    rig: str = Field(description="Name the rig that these limits are for.")
    section: str = Field(description="Name the section that these limits are for.")
    centre: float = Field(description="State the centre line.")
    sd: float = Field(gt=0, description="State the standard deviation of a plotted point.")
    base: int | None = None
    within_sd: float | None = Field(default=None, gt=0)
    reference: str | None = None

    def limits(self, analysis: Analysis) -> StatedLimits:
        """The limits as the job takes them; for ratios standard deviations are stated in percent."""
        centre, sd, within = self.centre, self.sd, self.within_sd
        if analysis is Analysis.RATIO:
            if not centre > 0:
                raise StudyError(
                    f"limits of {self.rig}, {self.section}: found centre {centre:g}, expected above 0, since ratios "
                    "are analysed."
                )
            centre, sd = math.log(centre), math.log1p(sd / 100)
            within = None if within is None else math.log1p(within / 100)
        return StatedLimits(
            rig=self.rig, section=self.section, centre=centre, sd=sd, base=self.base, within_sd=within,
            reference=self.reference,
        )  # fmt: skip


class ControlChartFile(StudyFile):
    """A study file with job = "control_chart"."""

    needs: ClassVar = {Role.RESULT: "the measured value", Role.RIG: "the rig"}

    job: Literal["control_chart"]
    rigs: tuple[str, ...] = ()
    reference: Reference = Reference.LOT
    chart: ChartPart = Field(description=f"Say what the charts shall find. {_SHIFT}")
    base: BasePart | None = None
    events: EventsPart = EventsPart()
    ewma: EwmaPart | None = None
    cusum: CusumPart | None = None
    joint: JointPart | None = None
    limits: tuple[LimitsPart, ...] = ()
    sections: dict[str, SectionPart] = Field(description="Name each section that is watched.")
    results: ChartResultsPart = Field(
        description="Say which result files to read and how they are written, or take the results from the ledger: "
        "from_ledger = true."
    )

    @property
    def names(self) -> tuple[str, ...]:
        """The roles and own names that the results will have; a ledger names its columns itself."""
        named = super().names
        return named if self.results.files else (*named, *_OF_LEDGER)

    @property
    def from_ledger(self) -> FromLedger:
        """What is taken from the ledger."""
        return FromLedger(results=self.results.from_ledger, limits=bool(self.base and self.base.from_ledger))

    @property
    def parts_by_section(self) -> Mapping[str, SectionPart]:
        """The sections by name."""
        return self.sections

    @property
    def event_source(self) -> EventSource | None:
        """Where the events are, if the study names a file."""
        if self.events.file is None:
            return None
        return EventSource(file=self.events.file, columns=dict(self.events.columns))

    def question(self) -> ControlChart:
        """The job's question."""
        shift, in_control = self.chart.shift, self.chart.in_control
        return ControlChart(
            sections=tuple(
                ChartedSection(name=name, decides=part.decides) for name, part in self.sections.items()
            ),
            base=self.base.base() if self.base else None,
            rigs=self.rigs,
            reference=self.reference,
            plotted=self.chart.points,
            shewhart=self.chart.shewhart(),
            ewma=self.ewma.chart(shift, in_control) if self.ewma else None,
            cusum=self.cusum.chart(shift, in_control) if self.cusum else None,
            joint=self._joint(in_control),
            shift=shift,
            scatter=self.chart.scatter,
            robust=self.chart.robust,
            screening=self.chart.screening,
            residuals=self.chart.residuals,
            limits=tuple(part.limits(self.analysis) for part in self.limits),
            restart_at=self.events.restart_at,
            closing=self.events.closing,
            confidence=self.confidence,
            analysis=self.analysis,
        )

    def _joint(self, in_control: float) -> JointWatch | None:
        if self.joint is None:
            return None
        return JointWatch(false_alarm=self.joint.false_alarm, weight=self.joint.weight, in_control=in_control)

    @model_validator(mode="after")
    def _of_the_ledger(self) -> Self:
        if not self.results.files and not self.results.from_ledger:
            raise StudyError(f"results.files: is missing. {_FILES}")
        if self.exclude and not self.results.files:
            raise StudyError(
                "exclude: takes rows out of result files, and this study names none. What is wrong in the ledger is "
                "put right there: repeatab history import --supersedes NUMBER, or repeatab history withdraw."
            )
        if self.base is not None and self.base.from_ledger and self.as_of is None:
            raise StudyError(
                "as_of: is missing. Limits from the ledger are those in force on the day that the study stands for; "
                "state it, such as as_of = 2026-03-31."
            )
        return self

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if self.covariates:
            raise StudyError("covariates: a control chart takes none. Leave them out.")
        if not {Role.VISIT.value, Role.TIME.value, Role.DAY.value} & set(self.names):
            raise StudyError(
                "columns.visit: is missing, and so is time. Say which column holds the visit or the time of "
                "a run: without "
                "it the results have no order to chart."
            )
        if self.reference is Reference.SET and Role.PAD_SET.value not in self.names:
            raise StudyError(
                "columns.pad_set: is missing. The same set is charted again and again, so say which column "
                "holds the set."
            )
        if self.joint is not None and len(self.sections) < 2:
            raise StudyError("joint: found one section, expected at least two to chart together.")
        if self.base is None and not self.limits:
            raise StudyError(
                "base: is missing. State the base period, the time when the rigs were known to be sound and "
                "from which "
                "the limits come ([base] with until or visits), or the limits themselves ([[limits]]). "
                "Laboratories take "
                "20 visits or more; with fewer the limits are trial limits."
            )
        self.question()
        return self
