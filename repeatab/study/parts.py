"""The parts that the study files of every job share, as strict schemas.

In: the tables [results], [aliases], [[exclude]] and [cost].  Out: the values the lower layers take.
Every field has a description: it is what a message says when the key is missing.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, PlainValidator

from repeatab.base.errors import InputError, StudyError
from repeatab.base.passwords import has_password
from repeatab.base.quantity import KNOWN_QUANTITIES, Quantity
from repeatab.intake.aliases import Aliases
from repeatab.intake.exclusions import Exclusion
from repeatab.intake.machines import Machines
from repeatab.intake.options import (
    DecimalMark,
    Encoding,
    ReadOptions,
    Separator,
    Shape,
    ThousandsMark,
    UnitsRow,
)
from repeatab.jobs.questions import RunCost
from repeatab.study.values import in_words


class Part(BaseModel):
    """A table of a study file: no unknown keys, no silent change of type, nothing changes after reading."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


def quantity_from(value: object) -> Quantity:
    """The quantity that a word stands for.

    Raises
    ------
    StudyError
    """
    if not isinstance(value, str) or value not in KNOWN_QUANTITIES:
        found = value if isinstance(value, str) else in_words(value)
        raise StudyError.unknown_choice("quantity", found, allowed=list(KNOWN_QUANTITIES))
    return KNOWN_QUANTITIES[value]


def paths_from(value: object) -> tuple[str, ...]:
    """One path or a list of them.

    Raises
    ------
    StudyError
    """
    paths = [value] if isinstance(value, str) else value
    if isinstance(paths, list) and paths and all(isinstance(path, str) and path.strip() for path in paths):
        return tuple(paths)
    raise StudyError(
        f'found {in_words(value)}, expected a path in quotes, or a list such as ["march.csv", "april.csv"].'
    )


class ResultsPart(Part):
    """[results]: the result files and how they are written."""

    files: Annotated[tuple[str, ...], PlainValidator(paths_from)] = Field(
        description="Say which result files to read: a path, a list of paths, a pattern such as 'runs/*.csv' "
        "or a folder, relative to the study file."
    )
    quantity: Annotated[Quantity, PlainValidator(quantity_from)] = Field(
        description="Say what is measured ('friction' or 'brake factor', for example): it sets the range in "
        "which a value is plausible, and C* taken for μ is wrong by a factor of 2."
    )
    separator: Separator = Separator.AUTOMATIC
    decimal: DecimalMark = DecimalMark.AUTOMATIC
    thousands: ThousandsMark = ThousandsMark.AUTOMATIC
    encoding: Encoding = Encoding.AUTOMATIC
    sheet: str | None = None
    header_row: int | None = None
    units_row: UnitsRow = UnitsRow.AUTOMATIC
    shape: Shape = Shape.LONG
    section_columns: dict[str, str] = {}
    header_values: dict[str, str] = {}
    name_pattern: str | None = None
    factors: tuple[str, ...] = ()

    def options(self, covariates: tuple[str, ...]) -> ReadOptions:
        """How to read the files; `covariates` are the columns that the study uses as numbers."""
        return ReadOptions(
            separator=self.separator,
            decimal=self.decimal,
            thousands=self.thousands,
            encoding=self.encoding,
            sheet=self.sheet,
            header_row=self.header_row,
            units_row=self.units_row,
            shape=self.shape,
            section_columns=self.section_columns,
            header_values=self.header_values,
            name_pattern=self.name_pattern,
            covariates=covariates,
            factors=self.factors,
        )


class AliasesPart(Part):
    """[aliases]: names as found in the files and the name each stands for."""

    sections: dict[str, str] = {}
    rigs: dict[str, str] = {}
    units: dict[str, str] = {}

    def aliases(self) -> Aliases:
        """The tables as reading takes them."""
        return Aliases(sections=self.sections, rigs=self.rigs, units=self.units)


class ExcludePart(Part):
    """[[exclude]]: rows to leave out, with the reason that goes into the report."""

    where: dict[str, str | int | float] = Field(
        description="Say which rows to leave out, such as where = { run = 4109 }: a row is left out if all "
        "of these agree. Names are roles, columns of the file, 'source_file' or 'source_row'."
    )
    reason: str = Field(
        description="Say why: nothing is left out without a reason, and it stands in the report."
    )

    def exclusion(self) -> Exclusion:
        """The exclusion as reading takes it."""
        return Exclusion(match=self.where, reason=self.reason)


class CostPart(Part):
    """[cost]: what more runs cost, for "what to run next"."""

    hours_per_set: float | None = Field(default=None, gt=0)
    sets_at_hand: int | None = Field(default=None, ge=0)
    target: float = Field(default=0.80, gt=0, lt=1)

    def cost(self) -> RunCost:
        """The cost as the job takes it."""
        return RunCost(hours_per_set=self.hours_per_set, sets_at_hand=self.sets_at_hand, target=self.target)


def scheduler_from(value: object) -> str:
    """The address of a scheduler.

    Raises
    ------
    StudyError
    """
    if not isinstance(value, str):
        raise StudyError(f'found {in_words(value)}, expected an address such as "tcp://rig-hall:8786".')
    try:
        return Machines(value).scheduler
    except InputError as error:
        raise StudyError(str(error).removeprefix("engine: ")) from None


class EnginePart(Part):
    """[engine]: several machines that share the reading."""

    scheduler: Annotated[str, PlainValidator(scheduler_from)] | None = None


def ledger_from(value: object) -> str:
    """A ledger's file or address, without a password.

    Raises
    ------
    StudyError
    """
    if not isinstance(value, str) or not value.strip():
        raise StudyError(
            f'found {in_words(value)}, expected a file such as "lab.sqlite" or "postgresql://user@host/database".'
        )
    if has_password(value):
        raise StudyError(
            "holds a password, and a study file is copied and printed. Leave it out here; put it into the environment "
            "variable PGPASSWORD or the file ~/.pgpass."
        )
    return value


class HistoryPart(Part):
    """[history]: the ledger in which the outcome is recorded and the past is found."""

    ledger: Annotated[str, PlainValidator(ledger_from)] | None = None
