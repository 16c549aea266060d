"""Whether the results can be what they are declared to be.

In: usable rows and the declared quantity.  Out: findings on implausible values, percent among them.
"""

from __future__ import annotations

import narwhals.stable.v2 as nw

from repeatab.base.quantity import Quantity
from repeatab.intake.checks.places import findings_at
from repeatab.intake.engine import Lazy, count_rows, names_of, nowhere
from repeatab.intake.full_digits import digits_left, digits_lost
from repeatab.intake.roles import SOURCE_ROW, Role
from repeatab.outcome.outcome import DataFinding


def check_plausible(frame: Lazy, quantity: Quantity) -> list[DataFinding]:
    """Results outside the plausible range, told apart from fractions written as percent.

    Percent blocks the verdict: the numbers are not in the unit the margins are in.
    """
    low, high = quantity.plausible
    value = nw.col(Role.RESULT.value)
    outside = (value < low) | (value > high)
    if count_rows(frame.filter(outside)) == 0:
        return []
    as_percent = nowhere(Role.RESULT.value)
    if not quantity.unit:
        least, most = _fractions_expected(frame, outside, quantity)
        as_percent = outside & (value / 100 >= least) & (value / 100 <= most)
    unit = f" {quantity.unit}" if quantity.unit else ""
    expected = f"{low:g} to {high:g}{unit}"
    name = f"{quantity.name} {quantity.symbol}"
    findings = findings_at(
        frame.filter(as_percent),
        check="percent for fraction",
        what=f"the result looks like percent written where a fraction is expected ({name} from {expected}); "
        "divide by 100 or declare the quantity that was measured.",
        blocks=True,
    )
    findings += findings_at(
        frame.filter(outside & ~as_percent),
        check="implausible value",
        what=f"the result lies outside the plausible range of {name}, {expected}; kept. "
        "If the run was faulty, list it under [[exclude]] with a reason.",
    )
    return findings


def check_digits(frame: Lazy, *, text: bool) -> list[DataFinding]:
    """Results of which double precision keeps few digits; `text`: they came as text."""
    result = nw.col(Role.RESULT.value)
    if SOURCE_ROW in names_of(frame):
        values = frame.select(result).collect()[Role.RESULT.value].to_numpy().astype(float)
        lost = digits_lost(values)
    else:
        # An engine's table has no order in which one result follows another: their range stands for the steps.
        ends = frame.select(result.min().alias("low"), result.max().alias("high")).collect()
        low, high = ends["low"].to_list()[0], ends["high"].to_list()[0]
        if low is None:
            return []
        lost = digits_left(max(abs(low), abs(high)), high - low)
    return [] if lost is None else [lost.finding(nominal=None, text=text)]


def _fractions_expected(frame: Lazy, outside: nw.Expr, quantity: Quantity) -> tuple[float, float]:
    """Between which fractions a percent value must lie to be taken for one.

    Near the other results where there are plausible ones, so that 3.8 among 0.38 is a slip of the decimal mark
    and 38 is percent; else in the plausible range, without its lowest part (friction in use is
    about 0.20 to 0.55; common practice, no source).
    """
    low, high = quantity.plausible
    value = nw.col(Role.RESULT.value)
    # A table without row numbers is lazy and may be large; a median would have to hold all of it.
    middle = value.median() if SOURCE_ROW in names_of(frame) else value.mean()
    inside = frame.filter(~outside).select(middle).collect().item()
    if inside is None or inside != inside:
        return 5 * low, high
    return inside / 3, min(3 * inside, high)
