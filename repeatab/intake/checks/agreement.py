"""Whether all results mean the same: one unit, and one way of averaging within each section.

In: usable rows and the declared quantity.  Out: findings that block the verdict.
Averages over time and over distance differ whenever friction changes with speed; a comparison that mixes them
is void (common practice, no source).
"""

from __future__ import annotations

import re

import narwhals.stable.v2 as nw

from repeatab.base.errors import listed
from repeatab.base.quantity import Quantity
from repeatab.intake.checks.places import findings_at
from repeatab.intake.engine import Lazy, names_of, rows_of
from repeatab.intake.header import bare_unit
from repeatab.intake.roles import Role
from repeatab.outcome.outcome import DataFinding

UNIT, AVERAGING, SECTION = Role.UNIT.value, Role.AVERAGING.value, Role.SECTION.value
_PURE_NUMBER = frozenset({"", "-", "–", "—", "1", "none", "mu", "μ", "µ", "c"})
_DOTS = re.compile(r"[\s·*.^]")


def unit_core(unit: str) -> str:
    """A unit without the freedom of writing: "N m", "[Nm]" and "N·m" agree; a pure number is "".

    Case counts only beyond that: mN and MN differ by nine powers of ten.
    """
    bare = _DOTS.sub("", bare_unit(unit.strip())).replace("²", "2")
    return "" if bare.lower() in _PURE_NUMBER else bare


def check_units(frame: Lazy, quantity: Quantity) -> list[DataFinding]:
    """Results in different units, or in another unit than the quantity's."""
    if UNIT not in names_of(frame):
        return []
    # A unit that is not stated contradicts none.
    found = sorted(unit for unit in _values(frame, UNIT) if unit.strip())
    cores = {unit: unit_core(unit) for unit in found}
    if len(set(cores.values())) > 1:
        what = (
            f"the results are in different units ({listed(found)}), expected one. Convert them, or give the "
            "units one name under [aliases]."
        )
        rare = _all_but_commonest(frame.filter(_text(UNIT) != ""), UNIT)
        return findings_at(rare, check="mixed units", what=what, blocks=True)
    other = [unit for unit in found if cores[unit] != unit_core(quantity.unit)]
    if not other:
        return []
    expected = f"'{quantity.unit}'" if quantity.unit else "a pure number"
    hint = " Divide by 100." if other[0].strip("[] ()") == "%" and not quantity.unit else ""
    what = f"the unit is {listed(other)}, expected {expected} for {quantity.name} {quantity.symbol}.{hint}"
    what += " Declare the quantity that was measured, or give the unit under [aliases]."
    return findings_at(frame, check="unit of the quantity", what=what, blocks=True)


def check_averaging(frame: Lazy) -> list[DataFinding]:
    """Results of one section that were averaged in different ways."""
    names = names_of(frame)
    if AVERAGING not in names:
        return []
    if SECTION not in names:
        return _differing(frame, "")
    ways = frame.group_by(SECTION).agg(nw.col(AVERAGING).n_unique().alias("ways")).filter(nw.col("ways") > 1)
    sections = sorted(ways.collect()[SECTION].to_list(), key=str)
    return [
        finding
        for section in sections
        for finding in _differing(frame.filter(nw.col(SECTION) == section), f" of section '{section}'")
    ]


def _differing(frame: Lazy, where: str) -> list[DataFinding]:
    ways = sorted(way.strip() or "not stated" for way in _values(frame, AVERAGING))
    if len(set(ways)) < 2:
        return []
    what = (
        f"the results{where} were averaged in different ways ({listed(ways)}), so they cannot be compared. "
        "Evaluate them again in one way, or leave the others out."
    )
    rare = _all_but_commonest(frame, AVERAGING)
    return findings_at(rare, check="differing averaging", what=what, blocks=True)


def _values(frame: Lazy, name: str) -> list[str]:
    return [str(level) for level in frame.select(_text(name)).unique().collect()[name].to_list()]


def _text(name: str) -> nw.Expr:
    return nw.col(name).cast(nw.String).fill_null("")


def _all_but_commonest(frame: Lazy, name: str) -> Lazy:
    counts = frame.with_columns(_text(name)).group_by(name).agg(rows_of(frame).alias("n")).collect()
    pairs = sorted(
        zip(counts["n"].to_list(), counts[name].to_list(), strict=True), key=lambda p: (-p[0], p[1])
    )
    return frame.filter(_text(name) != pairs[0][1])
