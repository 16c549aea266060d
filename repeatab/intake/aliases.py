"""Aliases: the names found in files and the one name each of them stands for.

In: tables found -> canonical.  Out: the same, and their application to a column.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import narwhals.stable.v2 as nw

from repeatab.intake.engine import Lazy, names_of
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


def apply_aliases(frame: Lazy, aliases: Aliases) -> tuple[Lazy, list[str]]:
    """Give every name found its canonical one; returns the table and a sentence for each name replaced."""
    sentences: list[str] = []
    for name in names_of(frame):
        table = aliases.of(name)
        if not table:
            continue
        levels = frame.select(nw.col(name).cast(nw.String)).unique().collect()[name].to_list()
        used = [level for level in sorted(str(level) for level in levels) if level in table]
        if not used:
            continue
        text = nw.col(name).cast(nw.String)
        renamed = text
        for level in used:
            renamed = nw.when(text == level).then(nw.lit(table[level])).otherwise(renamed)
            sentences.append(f"{name} '{level}' is read as '{table[level]}'")
        frame = frame.with_columns(renamed.alias(name))
    return frame, sentences
