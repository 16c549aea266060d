"""How a result file is to be read: every choice is a type, and "automatic" is a choice like the others.

In: what the user declares.  Out: ReadOptions, handed unchanged to every reader.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from repeatab.base.errors import InputError


class Separator(Enum):
    """What stands between two values of a text file."""

    AUTOMATIC = "automatic"
    COMMA = "comma"
    SEMICOLON = "semicolon"
    TAB = "tab"

    @property
    def mark(self) -> str:
        """The character itself; the automatic choice has none."""
        return {"comma": ",", "semicolon": ";", "tab": "\t"}[self.value]


class DecimalMark(Enum):
    """What stands between units and tenths."""

    AUTOMATIC = "automatic"
    POINT = "point"
    COMMA = "comma"


class ThousandsMark(Enum):
    """What groups the digits of a large number."""

    AUTOMATIC = "automatic"
    NONE = "none"
    POINT = "point"
    COMMA = "comma"
    SPACE = "space"
    APOSTROPHE = "apostrophe"


class Encoding(Enum):
    """How the bytes of a text file stand for characters."""

    AUTOMATIC = "automatic"
    UTF_8 = "utf-8"
    UTF_16 = "utf-16"
    CP1252 = "cp1252"


class UnitsRow(Enum):
    """Whether the line under the header names the units of the columns."""

    AUTOMATIC = "automatic"
    NONE = "none"
    BELOW_HEADER = "below header"


class Shape(Enum):
    """LONG: one column of results.  WIDE: a column of results per section."""

    LONG = "long"
    WIDE = "wide"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """How to read the files of one study; whatever is left automatic is detected and reported.

    sheet : the sheet of a workbook; needed where several sheets could be meant.
    header_row : 1-based row of the column names; None finds it below any title lines.
    section_columns : for WIDE: section -> column that holds its results.
    header_values : for one file per run: role (or own name) -> key of a line above the header, so that
        {"rig": "Rig"} reads "Rig: R1".
    name_pattern : for one file per run: "{rig}_{pad_lot}_{pad_set}_{run}.csv"; may contain folders.
    covariates, factors : own columns that are numbers, or labels, whatever they look like.
    """

    separator: Separator = Separator.AUTOMATIC
    decimal: DecimalMark = DecimalMark.AUTOMATIC
    thousands: ThousandsMark = ThousandsMark.AUTOMATIC
    encoding: Encoding = Encoding.AUTOMATIC
    sheet: str | None = None
    header_row: int | None = None
    units_row: UnitsRow = UnitsRow.AUTOMATIC
    shape: Shape = Shape.LONG
    section_columns: Mapping[str, str] = field(default_factory=dict)
    header_values: Mapping[str, str] = field(default_factory=dict)
    name_pattern: str | None = None
    covariates: tuple[str, ...] = ()
    factors: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.shape is Shape.WIDE and not self.section_columns:
            raise InputError(
                "A wide table needs section_columns: which column holds the results of which section, "
                "for example section_columns = { fade = 'mu fade' }."
            )
        if self.shape is Shape.LONG and self.section_columns:
            raise InputError(
                "section_columns belong to a wide table; declare shape = 'wide' or leave them out."
            )
        if self.header_row is not None and self.header_row < 1:
            raise InputError(f"header_row: found {self.header_row}, expected a row number from 1.")
        if (
            self.decimal is not DecimalMark.AUTOMATIC
            and self.thousands is not ThousandsMark.AUTOMATIC
            and self.decimal.value == self.thousands.value
        ):
            raise InputError(
                f"decimal and thousands are both '{self.decimal.value}'; one mark cannot mean two things."
            )
        both = set(self.covariates) & set(self.factors)
        if both:
            raise InputError(f"'{min(both)}' is declared both a covariate and a factor; keep one.")
