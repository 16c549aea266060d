"""The state of each rig and section now: in control, or an open signal, and since when.

In: series, watched regimes and signals.  Out: SectionState and RigState, in the order of rigs and sections.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from repeatab.control.signals import Side
from repeatab.jobs.charts.data import Key
from repeatab.jobs.charts.joint import JointRegime
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.signals import Began, ChartSignal, GivenBy, ScatterBegan
from repeatab.jobs.charts.watch import Watched
from repeatab.outcome.verdict import Verdict

MOVING = "the base period itself moves steadily, so limits from it do not tell a sound rig."


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionState:
    """One section (or, with section "", the sections together) on one rig.

    trouble: why it is undecided, "" otherwise.  open: signals that are not closed, oldest first.
    """

    rig: str
    section: str
    decides: bool
    verdict: Verdict
    trouble: str
    open: tuple[ChartSignal, ...]

    @property
    def began(self) -> Began | None:
        """The beginning by the open signal that rests on the most points, the earlier one among equals."""
        dated = [signal for signal in self.open if signal.began is not None]
        return max(dated, key=lambda signal: (signal.until, -signal.at)).began if dated else None

    @property
    def scatter_began(self) -> ScatterBegan | None:
        """The beginning of a change of the scatter within visits, by its latest open signal."""
        dated = [signal for signal in self.open if signal.scatter_began is not None]
        return max(dated, key=lambda signal: signal.at).scatter_began if dated else None

    @property
    def side(self) -> Side | None:
        """The direction of the open signals; None without one, or where they disagree."""
        sides = {signal.side for signal in self.open if signal.side is not Side.EITHER}
        return sides.pop() if len(sides) == 1 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class RigState:
    """One rig: the worst of what decides."""

    rig: str
    verdict: Verdict
    sections: tuple[SectionState, ...]

    @property
    def signalling(self) -> tuple[SectionState, ...]:
        """The deciding sections with open signals."""
        return tuple(one for one in self.sections if one.verdict is Verdict.SIGNAL and one.decides)

    @property
    def first(self) -> ChartSignal | None:
        """The oldest open signal of a deciding section."""
        open_ = [signal for one in self.signalling for signal in one.open]
        return min(open_, key=lambda signal: signal.at) if open_ else None

    @property
    def loosest(self) -> SectionState | None:
        """The signalling section in which the scatter within visits has changed by the largest factor."""
        dated = [
            (abs(math.log(one.scatter_began.ratio)), i)
            for i, one in enumerate(self.signalling)
            if one.scatter_began is not None
        ]
        return self.signalling[max(dated)[1]] if dated else None

    @property
    def strongest(self) -> SectionState | None:
        """The signalling section whose change is largest in standard deviations; the sections together if none is."""
        dated = [one for one in self.signalling if one.began is not None]
        dated = [one for one in dated if one.section] or dated
        return max(dated, key=lambda one: one.began.strength if one.began else 0.0) if dated else None


def states_of(
    question: ControlChart,
    rigs: Sequence[str],
    watched: Mapping[Key, tuple[Watched, ...]],
    joint: Mapping[str, tuple[JointRegime, ...]],
    signals: Sequence[ChartSignal],
) -> tuple[RigState, ...]:
    """The state of every rig."""
    found = []
    for rig in rigs:
        parts = [
            _section_state(rig, section.name, section.decides, watched.get((rig, section.name)), signals)
            for section in question.sections
        ]
        if question.joint is not None:
            parts.append(_joint_state(rig, joint[rig], signals))
        found.append(RigState(rig=rig, verdict=_worst(parts), sections=tuple(parts)))
    return tuple(found)


def _worst(parts: Sequence[SectionState]) -> Verdict:
    deciding = [part for part in parts if part.decides]
    for verdict in (Verdict.SIGNAL, Verdict.UNDECIDED):
        # That the joint chart cannot be formed leaves the sections' own charts standing.
        if any(part.verdict is verdict and (part.section or verdict is Verdict.SIGNAL) for part in deciding):
            return verdict
    return Verdict.IN_CONTROL


def _open(rig: str, section: str, signals: Sequence[ChartSignal]) -> tuple[ChartSignal, ...]:
    mine = [one for one in signals if one.rig == rig and one.section == section and one.open]
    return tuple(sorted(mine, key=lambda signal: signal.at))


def _section_state(
    rig: str,
    section: str,
    decides: bool,
    watched: tuple[Watched, ...] | None,
    signals: Sequence[ChartSignal],
) -> SectionState:
    open_ = _open(rig, section, signals)
    trouble = ""
    if watched is None:
        trouble = "has no results on this rig."
    elif watched[-1].trouble:
        trouble = watched[-1].trouble
    elif watched[-1].limits is not None and watched[-1].limits.trend is not None:
        trouble = MOVING
    elif watched[-1].regime.new.size == 0:
        regime = watched[-1].regime
        have = regime.base.size
        trouble = (
            f"the base after '{regime.cause}' is being formed: {have} of {regime.wanted} visits."
            if regime.forming
            else "there are no results after the base period yet."
        )
    verdict = Verdict.SIGNAL if open_ else Verdict.UNDECIDED if trouble else Verdict.IN_CONTROL
    return SectionState(
        rig=rig, section=section, decides=decides, verdict=verdict, trouble=trouble, open=open_
    )


def _joint_state(rig: str, regimes: tuple[JointRegime, ...], signals: Sequence[ChartSignal]) -> SectionState:
    open_ = _open(rig, "", signals)
    last = regimes[-1]
    trouble = last.trouble or (
        "" if last.stretches else "there are no complete visits after the base period."
    )
    verdict = Verdict.SIGNAL if open_ else Verdict.UNDECIDED if trouble else Verdict.IN_CONTROL
    return SectionState(rig=rig, section="", decides=True, verdict=verdict, trouble=trouble, open=open_)


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonChange:
    """A section in which more than half of the rigs (two or more) signal to the same side."""

    section: str
    side: Side
    rigs: tuple[str, ...]


def common_changes(states: Sequence[RigState]) -> tuple[CommonChange, ...]:
    """Changes that the rigs share: the reference is then the first suspect, not the rigs."""
    found = []
    names = dict.fromkeys(part.section for state in states for part in state.sections if part.section)
    for section in names:
        for side in (Side.UP, Side.DOWN):
            rigs = [
                state.rig
                for state in states
                for part in state.sections
                if part.section == section and part.side is side and _lasting(part)
            ]
            if len(rigs) >= 2 and 2 * len(rigs) > len(states):
                found.append(CommonChange(section=section, side=side, rigs=tuple(rigs)))
    return tuple(found)


def _lasting(part: SectionState) -> bool:
    return any(signal.given_by is not GivenBy.SCATTER for signal in part.open)
