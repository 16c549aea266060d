"""Intraclass correlation: the share of the scatter of single results that is the sets' own, from mean
squares.

In: mean squares and sizes of a balanced one-way or two-way layout without repeats.  Out: the coefficient of a
single result with its limits.
Source: Shrout & Fleiss (1979), Psychological Bulletin 86, 420-428, forms (1,1), (2,1) and (3,1); the limits
of (2,1) with Satterthwaite's degrees of freedom as in McGraw & Wong (1996), Psychological Methods 1, 30-46.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy import special

from repeatab.base.errors import LayoutError
from repeatab.base.interval import Interval, IntervalMethod


@dataclass(frozen=True, slots=True, kw_only=True)
class Intraclass:
    """A coefficient (a pure number, at most 1) with its limits."""

    value: float
    interval: Interval

    def __str__(self) -> str:
        return f"intraclass correlation {self.value:.3f} ({self.interval})"


def one_way(
    ms_between: float, ms_within: float, *, subjects: int, each: int, level: float = 0.95
) -> Intraclass:
    """Form (1,1): each of the `subjects` is measured `each` times, by whom is not recorded. Limits exact.

    Raises
    ------
    LayoutError
        Fewer than two subjects, or one result each.
    """
    _refuse_too_few(subjects, each)
    n, k = subjects, each
    df1, df2 = n - 1, n * (k - 1)
    ratio = ms_between / ms_within
    return Intraclass(
        value=(ms_between - ms_within) / (ms_between + (k - 1) * ms_within),
        interval=_exact(ratio, df1, df2, each_gives=k, level=level),
    )


def two_way_consistency(
    ms_subjects: float, ms_residual: float, *, subjects: int, judges: int, level: float = 0.95
) -> Intraclass:
    """Form (3,1): offsets between judges (rigs, operators) do not count as disagreement. Limits exact.

    Raises
    ------
    LayoutError
        Fewer than two subjects or judges.
    """
    _refuse_too_few(subjects, judges)
    n, k = subjects, judges
    df1, df2 = n - 1, (n - 1) * (k - 1)
    ratio = ms_subjects / ms_residual
    return Intraclass(
        value=(ms_subjects - ms_residual) / (ms_subjects + (k - 1) * ms_residual),
        interval=_exact(ratio, df1, df2, each_gives=k, level=level),
    )


def two_way_agreement(
    ms_subjects: float,
    ms_judges: float,
    ms_residual: float,
    *,
    subjects: int,
    judges: int,
    level: float = 0.95,
) -> Intraclass:
    """Form (2,1): the judges (rigs, operators) are a sample and their offsets count as disagreement.

    The limits are approximate: the denominator's degrees of freedom are Satterthwaite's.

    Raises
    ------
    LayoutError
        Fewer than two subjects or judges.
    """
    _refuse_too_few(subjects, judges)
    n, k = subjects, judges
    value = (ms_subjects - ms_residual) / (
        ms_subjects + (k - 1) * ms_residual + k * (ms_judges - ms_residual) / n
    )
    spread = k * value * ms_judges / ms_residual
    rest = n * (1 + (k - 1) * value) - k * value
    df = (k - 1) * (n - 1) * (spread + rest) ** 2 / ((n - 1) * spread**2 + rest**2)
    noise = k * ms_judges + (k * n - k - n) * ms_residual
    f_low, f_high = _f_point(n - 1, df, level), _f_point(df, n - 1, level)
    low = n * (ms_subjects - f_low * ms_residual) / (f_low * noise + n * ms_subjects)
    high = n * (f_high * ms_subjects - ms_residual) / (noise + n * f_high * ms_subjects)
    return Intraclass(value=value, interval=_interval(low, high, level, IntervalMethod.SATTERTHWAITE_F))


def _exact(ratio: float, df1: float, df2: float, *, each_gives: int, level: float) -> Interval:
    """Limits of (F - 1) / (F + k - 1), F being the true ratio of the mean squares' expectations."""
    low, high = ratio / _f_point(df1, df2, level), ratio * _f_point(df2, df1, level)
    k = each_gives
    return _interval((low - 1) / (low + k - 1), (high - 1) / (high + k - 1), level, IntervalMethod.F_RATIO)


def _f_point(df1: float, df2: float, level: float) -> float:
    """The upper tail point of F of a two-sided interval at `level`."""
    return float(special.fdtri(df1, df2, (1 + level) / 2))


def _interval(low: float, high: float, level: float, method: IntervalMethod) -> Interval:
    return Interval(lower=low, upper=high, level=level, method=method)


def _refuse_too_few(subjects: int, each: int) -> None:
    if subjects < 2 or each < 2:
        raise LayoutError(
            f"intraclass correlation: found {subjects} subject(s) with {each} result(s) each, expected at "
            "least two of both."
        )
