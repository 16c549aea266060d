"""The page of the dossier: what was found is made into text, and the text into one HTML file.

In: the checks carried out, the carried rates, versions and the day.  Out: bytes. Nothing comes from a network.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from repeatab.dossier.checks import Checked, Compared
from repeatab.dossier.quantity import QuantityEntry, RateUse
from repeatab.dossier.rates import RateSheet, RateTable
from repeatab.outcome.outcome import CAUTIONS
from repeatab.report.marks import LOOKS
from repeatab.report.numbers import MISSING_MEANS
from repeatab.report.page import Cell, Head, TableView
from repeatab.report.words import file_stem, printable, prose

if TYPE_CHECKING:
    from jinja2 import Template

MADE_BY = "repeatab dossier"
"""What a page says of itself; a file without it is somebody else's."""

_NUMBERS = re.compile(r"[-+−\d.,±% e]+")
_MOST = 24
"""Values of one check that are listed; of a longer one those that differ most."""

_CAUTIONS = (
    "That the published values come out shows that this installation computes as the sources do. It does not show that "
    "a study was planned well, that its runs were valid, or that a margin was chosen rightly.",
    "Simulated rates hold for normal scatter and the layouts of their tables. Where pads, rigs or sections behave "
    "otherwise they are a guide, not a guarantee.",
    *CAUTIONS,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckView:
    anchor: str
    title: str
    source: str
    known: str
    digits: str
    result: str
    good: bool
    table: TableView | None


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityView:
    name: str
    definition: str
    source: str
    jobs: str
    checks: tuple[CheckView, ...]
    rates: tuple[tuple[str, str], ...]
    """Sentence and anchor of the sheet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetView:
    anchor: str
    title: str
    parts: tuple[tuple[str, tuple[str, ...], TableView], ...]
    after: tuple[str, ...]


def page_bytes(
    found: Sequence[Checked],
    entries: Sequence[QuantityEntry],
    sheets: Sequence[RateSheet],
    *,
    versions: Sequence[tuple[str, str]],
    day: str,
) -> bytes:
    """The dossier as one file."""
    views = {one.check.key: _check_view(one) for one in found}
    by_name = {sheet.name: sheet for sheet in sheets}
    agreeing, values = sum(one.agreeing for one in found), sum(len(one.values) for one in found)
    good = all(one.agrees for one in found)
    text = _template().render(
        made_by=MADE_BY,
        good=good,
        mark_kind="disc" if good else "diamond",
        word="agrees" if good else "does not agree",
        tally=f"{agreeing:,} of {values:,} published values came out; {sum(one.agrees for one in found)} of "
        f"{len(found)} checks agree.",
        failed=[view.title for view in views.values() if not view.good],
        quantities=[_quantity_view(entry, views, by_name) for entry in entries],
        checks=list(views.values()),
        sheets=[_sheet_view(sheet) for sheet in sheets],
        cautions=_CAUTIONS,
        versions=versions,
        day=day,
        colours={mark.value: look.colour for mark, look in LOOKS.items()},
        missing_means=MISSING_MEANS,
        plain=printable,
        prose=prose,
    )
    return "\n".join(line.rstrip() for line in text.splitlines() if line.strip()).encode("utf-8") + b"\n"


def _template() -> Template:
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=ChoiceLoader([PackageLoader("repeatab.dossier", "."), PackageLoader("repeatab.report", ".")]),
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template("dossier.html.j2")


def _check_view(one: Checked) -> CheckView:
    if one.error:
        result = f"Could not be carried out on this installation: {one.error}."
    else:
        result = (
            f"{one.agreeing} of {len(one.values)} values agree; held to {one.check.digits}. Largest difference: "
            f"{one.largest:.1g} of the value."
        )
    return CheckView(
        anchor=f"check-{file_stem(one.check.key)}", title=one.check.title, source=one.check.source,
        known=one.check.known, digits=one.check.digits, result=result, good=one.agrees, table=_value_table(one),
    )  # fmt: skip


def _value_table(one: Checked) -> TableView | None:
    if not one.values:
        return None
    shown: Sequence[Compared] = one.values
    remarks: tuple[str, ...] = ()
    if len(shown) > _MOST:
        # Those that are nearest to not agreeing.
        worst = sorted(range(len(shown)), key=lambda i: -_strain(shown[i]))[:_MOST]
        shown = [one.values[i] for i in sorted(worst)]
        remarks = (
            f"{_MOST} of {len(one.values)} values: those that use most of what the published digits leave.",
        )
    heads = tuple(
        Head(caption=caption, unit="", numeric=numeric)
        for caption, numeric in (
            ("value", False),
            ("published", True),
            ("found", True),
            ("relative difference", True),
            ("result", False),
        )
    )
    rows = tuple(
        (
            _cell(value.what), _cell(_figure(value.stated), numeric=True), _cell(_figure(value.found), numeric=True),
            _cell(f"{value.relative:.1g}", numeric=True), _cell("agrees" if value.agrees else "DIFFERS"),
        )
        for value in shown
    )  # fmt: skip
    return TableView(caption="Value by value", heads=heads, rows=rows, remarks=remarks)


def _strain(value: Compared) -> float:
    return value.gap / value.allowed if value.allowed else value.gap


def _figure(value: float) -> str:
    return f"{value:.10g}"


def _cell(text: str, *, numeric: bool = False) -> Cell:
    return Cell(text=printable(text), numeric=numeric, missing=False)


def _quantity_view(
    entry: QuantityEntry, views: Mapping[str, CheckView], sheets: Mapping[str, RateSheet]
) -> QuantityView:
    sentences = (_rate_sentence(use, sheets) for use in entry.rates)
    return QuantityView(
        name=entry.name, definition=entry.definition, source=entry.source, jobs=", ".join(entry.jobs),
        checks=tuple(views[key] for key in entry.checks), rates=tuple(pair for pair in sentences if pair is not None),
    )  # fmt: skip


def _rate_sentence(use: RateUse, sheets: Mapping[str, RateSheet]) -> tuple[str, str] | None:
    """What was simulated, from the carried sheet; None where no sheet holds it."""
    sheet = sheets.get(use.sheet)
    if sheet is not None and not use.column:
        return use.says, _sheet_anchor(use.sheet)
    values = () if sheet is None else sheet.numbers(use.column, where=use.where)
    if not values:
        return None
    about = f"{use.where}: " if use.where else ""
    low, high = min(values), max(values)
    spread = f"{low:g} %" if low == high else f"{low:g} to {high:g} %"
    layouts = f"{len(values)} layouts" if len(values) > 1 else "one layout"
    return f"{about}{use.says}: {spread} over {layouts} (promised: {use.promise})", _sheet_anchor(use.sheet)


def _sheet_anchor(name: str) -> str:
    return f"rates-{file_stem(name)}"


def _sheet_view(sheet: RateSheet) -> SheetView:
    return SheetView(
        anchor=_sheet_anchor(sheet.name), title=sheet.title, after=sheet.after,
        parts=tuple((table.heading, table.before, _rate_view(table)) for table in sheet.tables),
    )  # fmt: skip


def _rate_view(table: RateTable) -> TableView:
    numeric = [_is_numeric([row[i] for row in table.rows]) for i in range(len(table.heads))]
    return TableView(
        caption=table.heading or "Rates",
        heads=tuple(
            Head(caption=printable(head), unit="", numeric=n)
            for head, n in zip(table.heads, numeric, strict=True)
        ),
        rows=tuple(
            tuple(_cell(text, numeric=n) for text, n in zip(row, numeric, strict=True)) for row in table.rows
        ),
        remarks=(),
    )


def _is_numeric(texts: Sequence[str]) -> bool:
    filled = [text for text in texts if text]
    return bool(filled) and all(_NUMBERS.fullmatch(text) for text in filled)
