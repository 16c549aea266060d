"""Each lot against its specification, with a guard band at the limits.

In: the laid-out runs and what the laboratory states of its own uncertainty.  Out: per lot and section: conforms, does
not conform, or undecided (inside the guard band, or not judged), as judgements and a table.

The rule (ISO 14253-1:2017): conformity is claimed where the mean lies inside the limits by more than the guard band,
nonconformity where it lies outside by more, each at the stated confidence (one-sided); the guard band is the normal
quantile times the standard uncertainty of the lot's mean (ISO 21748:2017). Where the sets of the lot scatter so much
that the one-sided t limit of their own mean reaches further, that is the guard band: the laboratory's uncertainty
speaks for its measurement, not for sets that differ.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from scipy import special

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.base.quantity import Quantity
from repeatab.estimation.pairs import level_mean
from repeatab.jobs.levels.layout import ComparisonLayout
from repeatab.jobs.levels.stacks import blocks_by_section
from repeatab.jobs.levels.tables import level_text
from repeatab.jobs.lots.question import LotSection, StatedUncertainty
from repeatab.jobs.questions import Analysis, Tolerance
from repeatab.jobs.wording import plural, result
from repeatab.layout.blocks import Block
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Judgement, Verdict

STATED, OWN = "stated uncertainty", "scatter of the lot's own sets"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformity:
    """One lot in one section against its limits; the numbers are nan where the lot cannot be judged.

    uncertainty : standard uncertainty of the mean as stated. guard : the guard band, which rests on `basis`.
    """

    section: LotSection
    lot: Any
    sets: int
    verdict: Verdict
    reason: str
    mean: float = math.nan
    uncertainty: float = math.nan
    guard: float = math.nan
    basis: str = ""


def conformities_of(
    how: ComparisonLayout,
    lots: Sequence[Any],
    sections: Sequence[LotSection],
    guard: StatedUncertainty | None,
    *,
    confidence: float,
    withheld: str | None = None,
) -> tuple[Conformity, ...]:
    """Every lot in every section with a specification, in the order of the study.

    withheld : why the data allow no verdict, if so.
    """
    if guard is None:
        return ()
    # Limits are limits of the results as they are: no logarithms, no covariates taken out, and a lot that ran on a
    # rig of its own has a mean too.
    plain = replace(how, apart=(), alone=replace(how.alone, covariates=()))
    blocks = blocks_by_section(plain, Analysis.DIFFERENCE)
    return tuple(
        _judged(plain, section, lot, blocks.get(section.name), guard, confidence, withheld)
        for section in sections
        if section.specification is not None
        for lot in lots
    )


def judgements_of(conformities: Sequence[Conformity]) -> Iterator[Judgement]:
    """One judgement per lot and section; the comparison of the lots is not touched by it."""
    for found in conformities:
        yield Judgement(
            subject=f"{found.section.name}, {found.lot} against its specification",
            verdict=found.verdict,
            reason=found.reason,
            decides=found.section.decides,
        )


def specification_table(conformities: Sequence[Conformity], quantity: Quantity, confidence: float) -> Table:
    """Mean, limits, uncertainty and guard band per lot and section."""
    rows: list[tuple[Value, ...]] = []
    for found in conformities:
        limits = found.section.specification
        assert limits is not None
        numbers = [None if math.isnan(v) else v for v in (found.mean, found.uncertainty, found.guard)]
        mean, uncertainty, guard = numbers
        rows.append((found.section.name, str(found.lot), found.sets, mean, limits.lower, limits.upper,
                     uncertainty, guard, found.basis, _word(found)))  # fmt: skip
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="lot", caption="lot", kind=ColumnKind.TEXT),
        Column(key="sets", caption="sets", kind=ColumnKind.COUNT),
        Column(key="mean", caption="mean", kind=ColumnKind.RESULT, unit=quantity.unit),
        Column(key="lower", caption="lower limit", kind=ColumnKind.RESULT, unit=quantity.unit),
        Column(key="upper", caption="upper limit", kind=ColumnKind.RESULT, unit=quantity.unit),
        Column(key="u", caption="standard uncertainty", kind=ColumnKind.RESULT, unit=quantity.unit),
        Column(key="guard", caption="guard band", kind=ColumnKind.RESULT, unit=quantity.unit),
        Column(key="basis", caption="which rests on", kind=ColumnKind.TEXT),
        Column(key="verdict", caption="verdict", kind=ColumnKind.TEXT),
    )
    remark = (
        "The mean is that of all runs of the lot, its sets and rigs weighing alike. "
        "A lot conforms where its mean lies inside the limits by more than the guard band, and does not where it lies "
        f"outside by more ({level_text(confidence)}, one-sided, each lot and section on its own). In between neither "
        "is shown."
    )
    return Table(
        key="specification", caption="The lots against their specification", columns=columns, rows=tuple(rows),
        remarks=(remark,),
    )  # fmt: skip


def _word(found: Conformity) -> str:
    inside = found.verdict is Verdict.UNDECIDED and not math.isnan(found.mean) and found.basis
    return f"{found.verdict.value}, inside the guard band" if inside else found.verdict.value


def _judged(
    how: ComparisonLayout,
    section: LotSection,
    lot: Any,
    block: Block | None,
    guard: StatedUncertainty,
    confidence: float,
    withheld: str | None,
) -> Conformity:
    own = how.table[(how.table["section"] == section.name) & (how.table[how.factor] == lot)]
    sets = int(own["pad_set"].nunique())

    def open_because(reason: str) -> Conformity:
        return Conformity(section=section, lot=lot, sets=sets, verdict=Verdict.UNDECIDED, reason=reason)

    if withheld is not None:
        return open_because(f"The data allow no verdict: {withheld}")
    if sets < 2 or block is None:
        return open_because(f"{plural(sets, 'pad set')} of {lot} ran here; a lot is not judged by one set.")
    try:
        mean, se, df = (float(part[0]) for part in level_mean(block, how.alone, how.factor, lot))
    except (LayoutError, EstimationError) as error:
        return open_because(str(error))
    uncertainty = guard.of_mean(sets)
    bands = {
        STATED: float(special.ndtri(confidence)) * uncertainty,
        OWN: float(special.stdtrit(df, confidence)) * se,
    }
    basis = STATED if bands[STATED] >= bands[OWN] else OWN
    limits = section.specification
    assert limits is not None
    verdict = _verdict(mean, limits, bands[basis])
    return Conformity(
        section=section, lot=lot, sets=sets, verdict=verdict, mean=mean, uncertainty=uncertainty,
        guard=bands[basis], basis=basis, reason=_reason(lot, mean, limits, bands[basis], basis, verdict),
    )  # fmt: skip


def _verdict(mean: float, limits: Tolerance, guard: float) -> Verdict:
    low = -math.inf if limits.lower is None else limits.lower
    high = math.inf if limits.upper is None else limits.upper
    if low + guard <= mean <= high - guard:
        return Verdict.CONFORMS
    if mean < low - guard or mean > high + guard:
        return Verdict.DOES_NOT_CONFORM
    return Verdict.UNDECIDED


def _reason(lot: Any, mean: float, limits: Tolerance, guard: float, basis: str, verdict: Verdict) -> str:
    start = f"{lot} has a mean of {result(mean)}; {_limits_in_words(limits)}, guard band {result(guard)} ({basis})"
    match verdict:
        case Verdict.CONFORMS:
            return f"{start}: inside by more than the guard band."
        case Verdict.DOES_NOT_CONFORM:
            return f"{start}: outside by more than the guard band."
        case _:
            pass
    wide = limits.width is not None and limits.width <= 2 * guard
    tail = " The guard band takes up the whole specification, so no mean could conform." if wide else ""
    return f"{start}: within the guard band of a limit, so neither is shown.{tail}"


def _limits_in_words(limits: Tolerance) -> str:
    if limits.lower is None:
        assert limits.upper is not None
        return f"at most {result(limits.upper)} is specified"
    if limits.upper is None:
        return f"at least {result(limits.lower)} is specified"
    return f"{result(limits.lower)} to {result(limits.upper)} is specified"
