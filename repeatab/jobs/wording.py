"""Wording: numbers and lists in sentences, the same way in every job."""

from __future__ import annotations

from collections.abc import Sequence


def result(value: float, *, sign: bool = False) -> str:
    """A value in the unit of the result: four decimals for friction, significant digits for large values."""
    if abs(value) >= 100:
        text = f"{value:.1f}"
    elif abs(value) >= 10:
        text = f"{value:.2f}"
    else:
        text = f"{value:.4f}"
    return signed(text) if sign else text


def percent(value: float, *, sign: bool = False) -> str:
    """A percentage with one decimal."""
    return f"{signed(f'{value:.1f}') if sign else f'{value:.1f}'} %"


def signed(text: str) -> str:
    """With a plus in front unless negative; a true minus sign, so that it is not lost in print."""
    return f"\u2212{text[1:]}" if text.startswith("-") else f"+{text}"


def probability(value: float) -> str:
    """A probability in percent, without claiming more digits than a simulation has."""
    if value > 0.995:
        return "over 99 %"
    return "below 1 %" if value < 0.005 else f"{100 * value:.0f} %"


def p_value(value: float) -> str:
    """A p value, never as zero."""
    return "p < 0.0001" if value < 1e-4 else f"p = {value:.4f}" if value < 0.01 else f"p = {value:.2f}"


def enumerated(names: Sequence[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    names = list(names)
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else "none"


def plural(count: int, noun: str) -> str:
    """'1 set', '3 sets'."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
