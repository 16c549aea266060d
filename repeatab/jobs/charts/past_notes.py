"""Notes on what recorded limits took out of the means, where it reads differently now.

In: what was charted.  Out: notes.
"""

from __future__ import annotations

from collections.abc import Iterator

from repeatab.base.notes import Note, NoteKind
from repeatab.jobs.charts.charted import Charted
from repeatab.jobs.charts.data import Key
from repeatab.jobs.charts.past_corrections import recorded_steps
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.series import Regime
from repeatab.jobs.wording import enumerated

_FAR = 2.0
"""Standard errors. The estimate then and the one now share results, so that they differ by less than either's own."""
_REMEDY = (
    "Withdraw the recorded limits if they no longer hold (repeatab history withdraw LEDGER NUMBER); the next run forms "
    "them anew."
)


def past_notes(charted: Charted, scale: Scale) -> Iterator[Note]:
    """That wear and steps are the recorded ones, and which of them the results no longer bear out."""
    last = {key: one.regimes[-1] for key, one in charted.series.items()}
    used = {key: one for key, one in last.items() if one.rests_on is not None and _takes_out(one)}
    if not used:
        return
    names = [f"{rig}, {section}" for rig, section in used]
    yield Note(
        kind=NoteKind.ASSUMPTION,
        text="Wear of sets and steps between references are those that the recorded limits were formed with: "
        f"{enumerated(names[:6])}{' and others' if len(names) > 6 else ''}.",
    )
    for key, regime in used.items():
        yield from _worn(charted, key, regime, scale)
        yield from _stepped(charted, key, regime, scale)


def _takes_out(regime: Regime) -> bool:
    rests_on = regime.rests_on
    return rests_on is not None and bool(
        rests_on.steps or (rests_on.wear and rests_on.wear.per_run is not None)
    )


def _worn(charted: Charted, key: Key, regime: Regime, scale: Scale) -> Iterator[Note]:
    rests_on, now = regime.rests_on, charted.wear_now.get(key)
    if rests_on is None or rests_on.wear is None or now is None or now.per_run is None:
        return
    then = rests_on.wear
    if then.per_run is None or then.se is None or abs(now.per_run - then.per_run) <= _FAR * then.se:
        return
    rig, section = key
    yield Note(
        kind=NoteKind.CAUTION, sources=key,
        text=f"{rig}, {section}: the wear of the sets reads {scale.change_text(now.per_run)} a run now; it was "
        f"{scale.change_text(then.per_run)} {rests_on.noted}, which is still taken out.",
        remedy=_REMEDY,
    )  # fmt: skip


def _stepped(charted: Charted, key: Key, regime: Regime, scale: Scale) -> Iterator[Note]:
    rests_on = regime.rests_on
    if rests_on is None:
        return
    rig, section = key
    sources = charted.data.sources
    for (a, b), (value, se) in recorded_steps(rests_on.steps, sources).items():
        now = charted.links.get((section, a, b))
        if now is not None and abs(now.value - value) > _FAR * se:
            yield Note(
                kind=NoteKind.CAUTION, sources=key,
                text=f"{rig}, {section}: the step from {sources[a]} to {sources[b]} reads "
                f"{scale.change_text(now.value)} now; it was {scale.change_text(value)} {rests_on.noted}, by which the "
                "limits are still moved.",
                remedy=_REMEDY,
            )  # fmt: skip
