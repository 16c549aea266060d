"""Correction: one offset or gain that would bring a rig's results to the reference, if it is fit for that.

In: a comparison whose verdict is *different*, and its overall offset.  Out: Correction per pair: what to apply, what
it leaves in each section, whether that is shown to lie inside the margins, and until when it holds.

What a correction leaves in a section is the section's own offset less the correction that was stated. Its interval is
that of the section's offset, moved: it holds whatever the correction is, so that the uncertainty of the correction
is in it. A section whose deviation is merely not significant is not shown to be inside the margin.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from repeatab.base.margin import MarginUnit
from repeatab.base.quantity import Quantity
from repeatab.cells import FloatArray
from repeatab.estimation.pairs import Pair
from repeatab.estimation.shift_or_gain import LevelAnswer
from repeatab.jobs.levels.comparison import Claim, LevelComparison
from repeatab.jobs.levels.layout import LevelPair
from repeatab.jobs.levels.tables import level_text, shown_as
from repeatab.jobs.questions import Analysis, CorrelationCheck
from repeatab.jobs.wording import enumerated, percent, result
from repeatab.judgement.comparison import Bounds, limits_over
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Verdict

_OF_RATIO = Bounds(low=-np.inf, high=np.inf, of_ratio=True)
_OF_DIFFERENCE = Bounds(low=-np.inf, high=np.inf, of_ratio=False)


class Form(Enum):
    """How a correction is applied."""

    OFFSET = "subtract"
    GAIN = "divide by"


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What a correction leaves in a section, on the scale of its margin, and whether it is shown to be inside."""

    claim: Claim
    value: float
    lower: float
    upper: float
    inside: bool


@dataclass(frozen=True, kw_only=True)
class Correction:
    """One correction for all deciding sections of a pair.

    size, uncertainty, lower, upper : what to subtract or divide by, its standard uncertainty and its interval.
    expires : the last day (ISO) on which it may be applied; None where the laboratory states none.
    """

    pair: LevelPair
    form: Form
    size: float
    uncertainty: float
    lower: float
    upper: float
    left: tuple[Left, ...]
    expires: str | None

    @property
    def fit(self) -> bool:
        """Whether every section is shown to lie inside its margin after the correction."""
        return all(section.inside for section in self.left)


@dataclass(frozen=True, kw_only=True)
class _Corrected:
    """A view of the scatter after level a has been corrected by a stated number."""

    pair: Pair
    form: Form
    size: float

    @property
    def mean_a(self) -> FloatArray:
        return self.pair.mean_a - self.size if self.form is Form.OFFSET else self.pair.mean_a / self.size

    @property
    def mean_b(self) -> FloatArray:
        return self.pair.mean_b

    @property
    def method(self):  # type: ignore[no-untyped-def]
        return self.pair.method

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        if self.form is Form.OFFSET:
            return self.pair.precision(ratio)
        se, df = self.pair.precision(ratio * self.size)
        return se / self.size, df


def correction_of(
    comparison: LevelComparison,
    overall: Claim | None,
    answer: LevelAnswer,
    question: CorrelationCheck,
) -> Correction | None:
    """The correction of the pair of `overall`; None where none is called for or can be stated.

    answer : whether the sections speak for a shift or a gain.
    """
    if overall is None or overall.trouble is not None:
        return None
    claims = [c for c in comparison.deciding if c.pair == overall.pair]
    if not any(c.verdict is Verdict.DIFFERENT for c in claims) or any(c.trouble is not None for c in claims):
        return None
    log = question.analysis is Analysis.RATIO
    form = _form(claims, answer, log)
    level = comparison.inner_level
    size, uncertainty, lower, upper = _size(overall, form, log, comparison.difference_level)
    left = tuple(_left(claim, form, size, log, level) for claim in claims)
    return Correction(
        pair=overall.pair, form=form, size=size, uncertainty=uncertainty, lower=lower, upper=upper, left=left,
        expires=_expires(question),
    )  # fmt: skip


def _form(claims: Sequence[Claim], answer: LevelAnswer, log: bool) -> Form:
    """As the sections speak; where they do not, as the margins are stated."""
    if log or answer is LevelAnswer.GAIN:
        return Form.GAIN
    if answer is LevelAnswer.SHIFT:
        return Form.OFFSET
    margins = [claim.section.margin for claim in claims]
    in_percent = all(margin is not None and margin.unit is MarginUnit.PERCENT for margin in margins)
    return Form.GAIN if in_percent else Form.OFFSET


def _size(overall: Claim, form: Form, log: bool, level: float) -> tuple[float, float, float, float]:
    """The correction, its standard uncertainty (of the wider view) and its interval."""
    first, one = overall.views[0], np.ones(1)
    if form is Form.OFFSET or log:
        estimate = float(first.mean_a[0] - first.mean_b[0])
        error = max(float(view.precision(one)[0][0]) for view in overall.views)
        low, high = (float(end[0]) for end in limits_over(overall.views, _OF_DIFFERENCE, level))
        if not log:
            return estimate, error, low, high
        size = math.exp(estimate)
        return size, size * error, math.exp(low), math.exp(high)
    ratio = first.mean_a / first.mean_b
    error = max(float(view.precision(ratio)[0][0] / view.mean_b[0]) for view in overall.views)
    low, high = (float(end[0]) for end in limits_over(overall.views, _OF_RATIO, level))
    return float(ratio[0]), error, low, high


def _left(claim: Claim, form: Form, size: float, log: bool, level: float) -> Left:
    assert claim.bounds is not None
    # On logarithms a gain is an offset.
    applied = (Form.OFFSET, math.log(size)) if log else (form, size)
    views: list[Pair] = [_Corrected(pair=view, form=applied[0], size=applied[1]) for view in claim.views]
    low, high = (float(end[0]) for end in limits_over(views, claim.bounds, level))
    first = views[0]
    value = first.mean_a / first.mean_b if claim.bounds.of_ratio else first.mean_a - first.mean_b
    return Left(
        claim=claim, value=float(value[0]), lower=low, upper=high,
        inside=claim.bounds.low < low and high < claim.bounds.high,
    )  # fmt: skip


def _expires(question: CorrelationCheck) -> str | None:
    if question.correction_valid_days is None or question.as_of is None:
        return None
    start = datetime.date.fromisoformat(question.as_of)
    return (start + datetime.timedelta(days=question.correction_valid_days)).isoformat()


def correction_table(
    correction: Correction, comparison: LevelComparison, quantity: Quantity, *, number: int | None
) -> Table:
    """What to apply in each section and what it leaves; without the correction itself where it is not fit.

    number : of the pair where there are several.
    """
    given = correction.fit and correction.expires is not None
    a, b = correction.pair.a, correction.pair.b
    inner = level_text(comparison.inner_level)
    rows: list[tuple[Value, ...]] = []
    for left in correction.left:
        shown = shown_as(left.claim, comparison.analysis, quantity)
        start: list[Value] = [left.claim.section.name]
        if given:
            start += [correction.size, correction.uncertainty, correction.lower, correction.upper]
        ends = [shown.value(v) for v in (left.value, left.lower, left.upper)]
        words = "yes" if left.inside else "no"
        tail: list[Value] = [shown.unit or quantity.symbol, str(left.claim.section.margin), words]
        rows.append((*start, *ends, *tail, *([correction.expires] if given else [])))
    caption = (
        f"Correction of {a} to {b}: {correction.form.value}"
        if given
        else f"What a common correction of {a} to {b} would leave ({'not given' if correction.fit else 'not fit'})"
    )
    return Table(
        key="correction" if number is None else f"correction {number}",
        caption=caption,
        columns=_columns(correction, given, quantity, inner, level_text(comparison.difference_level)),
        rows=tuple(rows),
        remarks=(_remark(correction, given, inner),),
    )


def _columns(
    correction: Correction, given: bool, quantity: Quantity, inner: str, outer: str
) -> tuple[Column, ...]:
    gain = correction.form is Form.GAIN
    kind, unit = (ColumnKind.RATIO, "") if gain else (ColumnKind.RESULT, quantity.unit)
    applied = (
        Column(key="size", caption=f"{correction.form.value}", kind=kind, unit=unit),
        Column(key="uncertainty", caption="standard uncertainty", kind=kind, unit=unit),
        Column(key="lower", caption=f"from ({outer})", kind=kind, unit=unit),
        Column(key="upper", caption="to", kind=kind, unit=unit),
    )
    return (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        *(applied if given else ()),
        Column(key="left", caption="offset left", kind=ColumnKind.RESULT),
        Column(key="left_lower", caption=f"from ({inner})", kind=ColumnKind.RESULT),
        Column(key="left_upper", caption="to", kind=ColumnKind.RESULT),
        Column(key="unit", caption="in", kind=ColumnKind.TEXT),
        Column(key="margin", caption="margin", kind=ColumnKind.TEXT),
        Column(key="inside", caption="shown to be inside", kind=ColumnKind.TEXT),
        *((Column(key="expires", caption="not after", kind=ColumnKind.DATE),) if given else ()),
    )


def _remark(correction: Correction, given: bool, inner: str) -> str:
    left = (
        f"The {inner} interval of what is left contains the uncertainty of the correction; it has to lie inside the "
        "margin in every deciding section."
    )
    if not given:
        return left
    do = "Subtract the correction from" if correction.form is Form.OFFSET else "Divide by the correction"
    return (
        f"{do} each result of {correction.pair.a} in these sections, up to the date given and only for this material "
        f"and programme; uncorrected results stay on record. {left}"
    )


def correction_sentence(correction: Correction, quantity: Quantity) -> str:
    """What may be done, or a plain warning."""
    a, b = correction.pair.a, correction.pair.b
    if correction.form is Form.GAIN:
        size = percent(100 * (correction.size - 1), sign=True)
    else:
        size = f"{result(correction.size, sign=True)}{' ' + quantity.unit if quantity.unit else ''}"
    if not correction.fit:
        names = enumerated([left.claim.section.name for left in correction.left if not left.inside])
        return (
            f"Not fit for correction: with one correction for all sections (about {size}), {names} would not be shown "
            f"to lie inside the margin. Do not bring {a} to {b} by calculation; look for the cause on the rig."
        )
    if correction.expires is None:
        return (
            f"One correction for all sections (about {size}) is shown to leave every deciding section inside its "
            "margin. It is not given, because the study does not say how long a correction holds: state "
            "correction_valid_days (and as_of)."
        )
    return (
        f"{a} can be corrected to {b} until {correction.expires}: one correction for all sections ({size}) is shown to "
        "leave every deciding section inside its margin."
    )
