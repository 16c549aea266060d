"""What a set of run rules has to remember: the smallest automaton that gives their signals.

In: run rules, and the zones between the lines.  Out: states with their successors.
Not here: probabilities (rule_chain).

A symbol is the zone of the new point and, where a rule looks at rises and falls, whether it lies above the
last.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray, IntArray
from repeatab.control.rules import Pattern, RunRule

SIGNAL = -1
_MOST = 40_000

Memory = tuple[int, ...]
_Update = Callable[[Memory, float, int], Memory | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleStates:
    """`after_first`: (zones,) state after the first point in each zone.  `successor`: (states, zones, 2) the
    next state when the new point lies in a zone and below (0) or above (1) the last one; SIGNAL for a signal.
    `zone`: (states,) zone of the last point, all zero where no rule looks at rises and falls.
    `unreduced`: the number of states before states that cannot be told apart were joined.
    """

    after_first: IntArray
    successor: IntArray
    zone: IntArray
    unreduced: int


def rule_states(rules: Sequence[RunRule], middles: FloatArray, *, both_sides: bool) -> RuleStates:
    """Return the smallest automaton of `rules` over zones with the given middles (in standard deviations).

    Histories are followed from an empty chart; states with the same future under every symbol are joined
    (Moore 1956, partition refinement). Champ & Woodall (1987) built such chains by hand.

    Raises
    ------
    EstimationError
        The rules together must remember too much.
    """
    updates = [_update(rule, both_sides=both_sides) for rule in rules]
    empty: tuple[Memory, ...] = tuple((0, 0) for _ in rules)
    directional = any(rule.directional for rule in rules)
    known: dict[tuple[tuple[Memory, ...], int], int] = {}
    order: list[tuple[tuple[Memory, ...], int]] = []

    def number(memory: tuple[Memory, ...] | None, zone: int) -> int:
        if memory is None:
            return SIGNAL
        key = (memory, zone if directional else 0)
        if key not in known:
            if len(known) >= _MOST:
                raise EstimationError(
                    f"run rules: together they must remember more than {_MOST} histories. Choose fewer or "
                    "shorter rules."
                )
            known[key] = len(order)
            order.append(key)
        return known[key]

    first = [number(_advance(updates, empty, middle, 0), zone) for zone, middle in enumerate(middles)]
    successor: list[list[list[int]]] = []
    while len(successor) < len(order):
        memory, last = order[len(successor)]
        allowed = [_signs(zone, last, directional) for zone in range(middles.size)]
        successor.append(
            [
                [
                    number(_advance(updates, memory, middle, s), zone) if s in signs else SIGNAL
                    for s in (-1, 1)
                ]
                for zone, (middle, signs) in enumerate(zip(middles, allowed, strict=True))
            ]
        )
    zones = np.array([zone for _, zone in order], dtype=np.int64)
    return _joined(np.array(first, dtype=np.int64), np.array(successor, dtype=np.int64), zones)


def _signs(zone: int, last: int, directional: bool) -> tuple[int, ...]:
    """Return the sides of a point in `last` on which a point in `zone` can lie."""
    if not directional or zone == last:
        return (-1, 1)
    return (1,) if zone > last else (-1,)


def _advance(
    updates: Sequence[_Update], memory: tuple[Memory, ...], middle: float, sign: int
) -> tuple[Memory, ...] | None:
    following = []
    for update, own in zip(updates, memory, strict=True):
        new = update(own, middle, sign)
        if new is None:
            return None
        following.append(new)
    return tuple(following)


def _update(rule: RunRule, *, both_sides: bool) -> _Update:
    match rule.pattern:
        case Pattern.ONE_SIDE:
            return _one_side(rule.points, rule.of, rule.sigmas, both_sides)
        case Pattern.CLOSE:
            return _in_a_row(rule.points, lambda middle: abs(middle) < rule.sigmas)
        case Pattern.AWAY:
            return _in_a_row(rule.points, lambda middle: abs(middle) > rule.sigmas)
        case Pattern.TREND:
            return _trend(rule.points, both_sides)
        case Pattern.ALTERNATING:
            return _alternating(rule.points)


def _one_side(points: int, of: int, sigmas: float, both_sides: bool) -> _Update:
    window = (1 << (of - 1)) - 1

    def side(bits: int, hit: bool) -> int | None:
        if hit and bits.bit_count() + 1 >= points:
            return None
        return _useful((bits << 1 | hit) & window, points, of)

    def update(memory: Memory, middle: float, sign: int) -> Memory | None:
        del sign
        upper = side(memory[0], middle > sigmas)
        lower = side(memory[1], both_sides and middle < -sigmas)
        return None if upper is None or lower is None else (upper, lower)

    return update


def _useful(bits: int, points: int, of: int) -> int:
    """Forget hits too old to take part in any future signal: too few followed them."""
    for age in range(of - 2, -1, -1):
        recent = (bits & ((1 << (age + 1)) - 1)).bit_count()
        if recent + (of - 1 - age) >= points:
            break
        bits &= ~(1 << age)
    return bits


def _in_a_row(points: int, fits: Callable[[float], bool]) -> _Update:
    def update(memory: Memory, middle: float, sign: int) -> Memory | None:
        del sign
        count = memory[0] + 1 if fits(middle) else 0
        return None if count >= points else (count, 0)

    return update


def _trend(points: int, both_sides: bool) -> _Update:
    def update(memory: Memory, middle: float, sign: int) -> Memory | None:
        del middle
        steps = sign if memory[0] * sign <= 0 else memory[0] + sign
        if steps < 0 and not both_sides:
            steps = 0
        return None if abs(steps) >= points - 1 else (steps, 0)

    return update


def _alternating(points: int) -> _Update:
    def update(memory: Memory, middle: float, sign: int) -> Memory | None:
        del middle
        if sign == 0:
            return (0, 0)
        turns = memory[1] + 1 if memory[0] == -sign else 1
        return None if turns >= points - 1 else (sign, turns)

    return update


def _joined(first: IntArray, successor: IntArray, zone: IntArray) -> RuleStates:
    """Join states that no sequence of symbols can tell apart."""
    size = successor.shape[0]
    if size == 0:
        return RuleStates(
            after_first=first, successor=successor.reshape(0, first.size, 2), zone=zone, unreduced=0
        )
    table = successor.reshape(size, -1)
    label, count = zone.copy(), 0
    while True:
        # Index −1 (a signal) picks the appended last entry, a label of its own.
        seen = np.append(label, -1)[table]
        _, label = np.unique(np.column_stack([label, seen]), axis=0, return_inverse=True)
        label = label.reshape(-1).astype(np.int64)
        if label.max() + 1 == count:
            break
        count = int(label.max()) + 1
    _, sample = np.unique(label, return_index=True)
    renamed = np.append(label, SIGNAL)
    return RuleStates(
        after_first=renamed[first],
        successor=renamed[successor[sample]],
        zone=zone[sample],
        unreduced=size,
    )
