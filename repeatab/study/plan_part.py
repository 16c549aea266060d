"""[plan]: what a study would be able to show, asked in the study's own file before anything has run.

In: the table [plan].  Out: PlanBeliefs and PlanOptions; beliefs from an earlier outcome's result.json where it is
named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Self

from pydantic import Field, model_validator

from repeatab.base.errors import InputError, StudyError
from repeatab.jobs.plans.question import (
    PlanBeliefs,
    PlanOptions,
    SectionBelief,
    SheetForm,
    beliefs_by_section,
)
from repeatab.outcome.tables import Table
from repeatab.planning.beliefs import ScatterBelief
from repeatab.planning.cost import HourCosts, Limits
from repeatab.planning.exchange import Criterion
from repeatab.study.parts import Part

if TYPE_CHECKING:
    from repeatab.study.loading import ResultSource

_SCATTER = (
    "Say what is believed of each source of scatter, as a standard deviation with its range: pad_set = { sd = 0.008, "
    "low = 0.006, high = 0.012 }. The report of an earlier study holds these; from_result takes them from it."
)


_NO_LEVEL = (
    "plan.level: is missing. An earlier gauge study holds scatter only; say what level the result will be about, such "
    "as level = 0.40."
)


SetsAtHand = Annotated[int, Field(ge=1)]


class ScatterPart(Part):
    """pad_set = { sd = 0.008, low = 0.006, high = 0.012 }; without a range it is taken as known."""

    sd: float = Field(ge=0)
    low: float | None = Field(default=None, ge=0)
    high: float | None = Field(default=None, gt=0)

    def belief(self) -> ScatterBelief:
        """As planning takes it."""
        if self.low is None and self.high is None:
            return ScatterBelief(sd=self.sd)
        if self.low is None or self.high is None:
            raise StudyError(
                "plan.scatter: found one end of a range, expected both low and high, or neither."
            )
        return ScatterBelief.ranged(self.sd, self.low, self.high)


class BelievedPart(Part):
    """[plan.sections.NAME]: a section of which something else is believed."""

    level: float | None = None
    scatter: dict[str, ScatterPart] = Field(default_factory=dict)


class PlanPart(Part):
    """[plan]."""

    hours_per_run: float = Field(
        gt=0,
        description="Say how many rig hours one run of the programme takes, such as hours_per_run = 5.0.",
    )
    hours_per_set: float = Field(default=0.0, ge=0)
    hours_per_change_over: float = Field(default=0.0, ge=0)
    sets_at_hand: SetsAtHand | dict[str, SetsAtHand] | None = None
    rigs_free: int | None = Field(default=None, ge=1)
    rigs: tuple[str, ...] = ()
    days: int | None = Field(default=None, ge=1)
    hours_per_day: float = Field(default=8.0, gt=0)
    rig_hours: float | None = Field(default=None, gt=0)
    used_up: bool = False
    runs_per_set: int | None = Field(default=None, ge=1)
    sets_stay: bool = False
    operators: tuple[str, ...] = ()
    runs_per_day: int = Field(default=2, ge=1)
    target: float = Field(default=0.80, gt=0, lt=1)
    widest: float | None = Field(default=None, gt=0)
    search_by: Criterion = Criterion.CONTRASTS
    stops: SetsAtHand | dict[str, SetsAtHand] | None = None
    level: float | None = None
    scatter: dict[str, ScatterPart] = Field(default_factory=dict)
    correlation: float = Field(default=0.5, ge=0, le=1)
    from_result: str | None = None
    from_ledger: bool = False
    sections: dict[str, BelievedPart] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if self.used_up and (self.runs_per_set or 1) > 1:
            raise StudyError(
                f"plan.used_up: is true, so a set runs once, but plan.runs_per_set is {self.runs_per_set}. Leave one "
                "out."
            )
        if self.from_ledger and self.level is None:
            raise StudyError(_NO_LEVEL)
        if self.from_result is None and not self.from_ledger:
            if self.level is None:
                raise StudyError(
                    "plan.level: is missing. Say what the result will be about, such as level = 0.40: percent margins "
                    "refer to it. Or name an earlier result.json under from_result."
                )
            if not self.scatter:
                raise StudyError(f"plan.scatter: is missing. {_SCATTER}")
            self._common()
        return self

    def _common(self) -> SectionBelief:
        return SectionBelief(
            level=self.level or 0.0, scatter={name: part.belief() for name, part in self.scatter.items()}
        )

    def options(self) -> PlanOptions:
        """Costs and limits as planning takes them."""
        own = self.sets_at_hand if isinstance(self.sets_at_hand, dict) else {}
        return PlanOptions(
            costs=HourCosts(run=self.hours_per_run, set=self.hours_per_set, change_over=self.hours_per_change_over),
            limits=Limits(
                sets=None if isinstance(self.sets_at_hand, dict) else self.sets_at_hand, sets_of=own,
                rigs=self.rigs_free, days=self.days, hours_per_day=self.hours_per_day, hours=self.rig_hours,
                runs_per_set=1 if self.used_up else self.runs_per_set, stays=self.sets_stay,
            ),
            target=self.target, operators=self.operators, rigs=self.rigs, runs_per_day=self.runs_per_day,
            widest=self.widest, criterion=self.search_by,
        )  # fmt: skip

    def form(self, source: ResultSource, sections: Sequence[str]) -> SheetForm:
        """The form in which the study reads its results, for the run sheet."""
        stated = self.stops if isinstance(self.stops, dict) else dict.fromkeys(sections, self.stops or 0)
        return SheetForm(
            columns=source.columns, wide=source.options.section_columns,
            stops={name: number for name, number in stated.items() if number},
        )  # fmt: skip

    def beliefs(self, folder: Path, past: Mapping[str, SectionBelief] | None = None) -> PlanBeliefs:
        """Beliefs as planning takes them; `folder` is the study file's, from which from_result starts; `past` is what
        the ledger holds, by section, where the plan asks for it.

        Raises
        ------
        InputError, StudyError
            The earlier result cannot be read, or holds no scatter.
        """
        stated = {
            name: SectionBelief(
                level=part.level or self.level or 0.0,
                scatter={key: one.belief() for key, one in (part.scatter or self.scatter).items()},
            )
            for name, part in self.sections.items()
        }
        if self.from_result is None and not self.from_ledger:
            return PlanBeliefs(common=self._common(), sections=stated, correlation=self.correlation)
        if self.from_result is not None:
            found = beliefs_from_result(folder / self.from_result, self.level)
            told = f"found by the earlier study {Path(self.from_result).name}"
        else:
            found, told = dict(past or {}), "found by the latest gauge study in the ledger"
        if not found:
            raise StudyError(
                "plan.from_ledger: the ledger holds no gauge study with these sections. Run one with this ledger, or "
                "state the scatter under [plan.scatter]."
            )
        common = self._common() if self.level is not None and self.scatter else next(iter(found.values()))
        return PlanBeliefs(
            common=common, sections={**found, **stated}, correlation=self.correlation,
told=told,
        )  # fmt: skip


def beliefs_from_result(path: Path, level: float | None = None) -> dict[str, SectionBelief]:
    """What an earlier outcome found, by section: of a gauge study every source with its interval, of a comparison the
    scatter of sets at the reference.

    Raises
    ------
    InputError
        The file cannot be read or is no result of ours.
    StudyError
        The outcome holds no scatter.
    """
    from repeatab.outcome.serialise import from_json_bytes

    try:
        outcome = from_json_bytes(path.read_bytes())
    except OSError as error:
        raise InputError(
            f"{path.name}: cannot be read ({error.strerror or error}). Correct plan.from_result."
        ) from None
    keys = {table.key for table in outcome.tables}
    found: dict[str, SectionBelief] = {}
    if "sources" in keys:
        found = _of_gauge_study(outcome.table("sources"), level)
    elif {"scatter", "offsets"} <= keys:
        found = _of_comparison(outcome.table("scatter"), outcome.table("offsets"))
    if not found:
        raise StudyError(
            f"plan.from_result: {path.name} holds no scatter of sections ({outcome.job.replace('_', ' ')}). Name the "
            "result.json of a gauge study or of a comparison, or state the scatter under [plan.scatter]."
        )
    return found


def _of_comparison(scatter: Table, offsets: Table) -> dict[str, SectionBelief]:
    levels = {row["section"]: row["mean_b"] for row in records(offsets)}
    found = {}
    for row in records(scatter):
        section, sd, df = str(row["section"]), row.get("sd_b"), row.get("df_b")
        level = levels.get(section)
        if (
            isinstance(sd, float)
            and isinstance(df, int | float)
            and isinstance(level, float)
            and section not in found
        ):
            found[section] = SectionBelief(
                level=level, scatter={"pad_set": ScatterBelief(sd=sd, df=max(float(df), 0.5))}
            )
    return found


def _of_gauge_study(sources: Table, level: float | None) -> dict[str, SectionBelief]:
    found = []
    for row in records(sources):
        sd, low, high = (
            v if isinstance(v := row.get(key), float) else None for key in ("sd", "lower", "upper")
        )
        if sd is not None:
            found.append((str(row["section"]), str(row["source"]), sd, low, high))
    if found and level is None:
        raise StudyError(_NO_LEVEL)
    return beliefs_by_section(found, level or 0.0)


def records(table: Table) -> list[dict[str, object]]:
    """A table's rows as dicts."""
    keys = [column.key for column in table.columns]
    return [dict(zip(keys, row, strict=True)) for row in table.rows]
