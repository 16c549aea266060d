"""Aliases: the names found in files and the one name each of them stands for.

In: tables found -> canonical.  Out: the same, and their application to a column.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from repeatab.intake.roles import Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Aliases:
    """Names as found in the files -> the name to use, for sections, rigs and units."""

    sections: Mapping[str, str] = field(default_factory=dict)
    rigs: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)

    def of(self, name: str) -> Mapping[str, str]:
        """The table for the column of this name; empty where names are taken as they are."""
        tables = {Role.SECTION.value: self.sections, Role.RIG.value: self.rigs, Role.UNIT.value: self.units}
        return tables.get(name, {})
