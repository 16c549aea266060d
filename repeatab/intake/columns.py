"""Which column has which role: the user's mapping, checked before any file is opened.

In: the mapping role or own name -> column, the read options and the exclusions.  Out: ColumnPlan.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from repeatab.base.errors import InputError, listed, nearest
from repeatab.intake.exclusions import Exclusion
from repeatab.intake.options import ReadOptions, Shape
from repeatab.intake.roles import (
    BOOKKEEPING,
    DESCRIBING_ROLES,
    NUMBER_ROLES,
    RESERVED_NAMES,
    Role,
    role_named,
)
from repeatab.intake.run_files import NamePattern

RESULT, SECTION = Role.RESULT.value, Role.SECTION.value
_NUMBER_NAMES = tuple(role.value for role in NUMBER_ROLES)
_DESCRIBING_NAMES = tuple(role.value for role in DESCRIBING_ROLES)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnPlan:
    """Where every role and own name of a study comes from.

    columns : name -> column of the table.
    sections : section -> column, for a wide table; else empty.
    from_heading : name -> key of a line above the header.
    pattern : the file-name pattern, if there is one.
    extra : columns that only exclusions ask for.
    """

    columns: Mapping[str, str]
    sections: Mapping[str, str]
    from_heading: Mapping[str, str]
    pattern: NamePattern | None
    extra: tuple[str, ...]
    options: ReadOptions

    @property
    def names(self) -> tuple[str, ...]:
        """Every role and own name, in the order of declaration, the result last."""
        names = [*self.columns, *self.from_heading, *(self.pattern.fields if self.pattern else ())]
        if self.sections:
            names += [SECTION, RESULT]
        return tuple(dict.fromkeys([name for name in names if name != RESULT] + [RESULT]))

    @property
    def wanted(self) -> tuple[str, ...]:
        """The columns a table must have."""
        return tuple(dict.fromkeys([*self.columns.values(), *self.sections.values()]))

    @property
    def number_columns(self) -> tuple[str, ...]:
        """The columns that must hold numbers."""
        named = [self.columns[name] for name in self.columns if self.is_number(name)]
        return tuple(dict.fromkeys([*named, *self.sections.values()]))

    def is_number(self, name: str) -> bool:
        """Whether this name must hold numbers (an own name that is declared neither way may)."""
        return name in _NUMBER_NAMES or name in self.options.covariates

    def is_open(self, name: str) -> bool:
        """Whether the cells decide if this own name is a covariate or a factor."""
        own = role_named(name) is None
        return own and name not in self.options.covariates and name not in self.options.factors

    def factors(self, covariates: Sequence[str]) -> tuple[str, ...]:
        """The label columns, once it is known which own names are covariates."""
        no_factor = {RESULT, Role.STATED_UNCERTAINTY.value, *_DESCRIBING_NAMES, *covariates}
        return tuple(name for name in self.names if name not in no_factor)

    def numbers_beside(self, covariates: Sequence[str]) -> tuple[str, ...]:
        """The columns of numbers beside the result and the run order."""
        stated = Role.STATED_UNCERTAINTY.value
        return (*covariates, *([stated] if stated in self.names else []))

    def original_columns(self) -> Mapping[str, str]:
        """Role or own name -> what the user's file calls it."""
        found = {**self.columns, **self.from_heading}
        if self.pattern:
            found |= dict.fromkeys(self.pattern.fields, "file name")
        if self.sections:
            found |= {RESULT: ", ".join(self.sections.values()), SECTION: "column names"}
        return MappingProxyType(found)


def plan_columns(
    columns: Mapping[str, str], options: ReadOptions, exclude: Iterable[Exclusion] = ()
) -> ColumnPlan:
    """Check the user's mapping.

    Raises
    ------
    InputError
        No result is named, a name is reserved or named twice, or a declared covariate or factor
        is not mapped.
    """
    pattern = NamePattern(options.name_pattern) if options.name_pattern else None
    _refuse_bad_sources(columns, options, pattern)
    names = {*columns, *options.header_values, *(pattern.fields if pattern else ()), SECTION, RESULT}
    for declared in (*options.covariates, *options.factors):
        if declared not in names:
            raise InputError(
                f"'{declared}' is declared a covariate or factor but has no "
                f"column.{nearest(declared, names)} Add it under [columns]."
            )
    extra = {key for entry in exclude for key in entry.match if key not in names and key not in BOOKKEEPING}
    return ColumnPlan(
        columns=MappingProxyType(dict(columns)),
        sections=MappingProxyType(dict(options.section_columns)),
        from_heading=MappingProxyType(dict(options.header_values)),
        pattern=pattern,
        extra=tuple(sorted(extra)),
        options=options,
    )


def _refuse_bad_sources(
    columns: Mapping[str, str], options: ReadOptions, pattern: NamePattern | None
) -> None:
    wide = options.shape is Shape.WIDE
    if not wide and RESULT not in columns:
        raise InputError(
            f"No column is named for the result; found {listed(columns) or 'nothing'}. Add result = "
            "'<column>' under [columns], or declare a wide table with section_columns."
        )
    if wide and (RESULT in columns or SECTION in columns):
        raise InputError(
            "A wide table gets its results and sections from section_columns; remove 'result' and 'section' "
            "from [columns]."
        )
    sources = [*columns, *options.header_values, *(pattern.fields if pattern else ())]
    for name in sources:
        if sources.count(name) > 1:
            raise InputError(
                f"'{name}' is read from two places (column, header line or file name); keep one."
            )
        if name in RESERVED_NAMES or not name:
            raise InputError(f"The name '{name}' is kept for bookkeeping; call the column something else.")
    for name, column in [*columns.items(), *options.section_columns.items()]:
        if not isinstance(column, str) or not column.strip():
            raise InputError(f"'{name}' under [columns]: found {column!r}, expected the name of a column.")
